"""Print the JSON Schema: `python -m controller.config > config/schema.json`."""

import sys

from controller.config.schema import schema_text

sys.stdout.write(schema_text())
