"""Everything that was learned, as one JSON document and back."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from controller.edge.store import Store, migrated, tables
from controller.edge.store_schema import VERSION
from controller.errors import StoreError

FORMAT: Final = "arckeeper-store"


def export_json(
    source: Store | Path, *, now_utc: Callable[[], float] = time.time
) -> dict[str, Any]:
    """Return all that a store holds, as plain types; a path is read while anybody writes."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "exported_utc": now_utc(),
        "tables": tables(source) if isinstance(source, Path) else source.tables(),
    }


def import_json(store: Store, document: object) -> None:
    """Put an export in place of all that `store` holds; the file before is kept beside it.

    Raises `StoreError` for anything that is no whole export, with nothing changed. The count is
    taken over as it stands in the export: that is right only for a dish that has not moved since.
    """
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise StoreError(f'this is no export: it must be an object with "format": "{FORMAT}"')
    version = document.get("version")
    if type(version) is not int or not 1 <= version <= VERSION:
        raise StoreError(
            f"the export must be of version 1 to {VERSION}, not {version!r:.40}; "
            f"a newer one needs the arckeeper that wrote it"
        )
    store.replace_tables(migrated(document.get("tables"), version=version))
