"""Where count and history live."""

import os
from pathlib import Path
from typing import Final

SERVICE: Final = Path("/var/lib/arckeeper")  # where the service unit keeps it


def state_dir(configured: Path | None, *, dish: str) -> Path:
    """Return the folder as configured, the service manager's, or the user's own."""
    if configured is not None:
        return configured
    if "STATE_DIRECTORY" in os.environ:
        return Path(os.environ["STATE_DIRECTORY"].split(":")[0])
    service = SERVICE / dish
    if os.access(service / "running.json", os.R_OK):  # the service runs it, and a person asks
        return service
    home = Path(os.environ.get("XDG_STATE_HOME", "~/.local/state")).expanduser()
    return home / "arckeeper" / dish
