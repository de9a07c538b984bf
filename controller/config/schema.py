"""The JSON Schema that lets an editor complete and check the file while it is written."""

import json
from typing import Any

from controller.config.settings import Settings

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_text() -> str:
    """Return the schema as it stands in `config/schema.json`."""
    schema: dict[str, Any] = {"$schema": DIALECT, **Settings.model_json_schema()}
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
