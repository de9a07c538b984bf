"""Which boot of the machine this is, its clock, and when every relay was last opened in it.

The clock goes on while the machine sleeps, since a welded relay does as well.
"""

import json
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from controller.errors import StoreError

_BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")
MARKS_KEPT: Final = 50  # chosen: the first after a save counts, and a restart loop adds many


def boot_clock_s() -> float:
    """Return seconds since the machine was booted, the same in every process."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def this_boot_id() -> str:
    """Return what names this boot, empty where the kernel does not tell."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""


def mark_safe(
    store_path: Path,
    *,
    monotonic: Callable[[], float] = boot_clock_s,
    boot_id: str | None = None,
) -> None:
    """Note durably, beside the store, that every relay is open now; call it after opening them.

    Raises `StoreError`; the relays stay open all the same.
    """
    mark = {"boot_id": this_boot_id() if boot_id is None else boot_id, "opened_s": monotonic()}
    lines = [*_lines(_marks_of(store_path)), json.dumps(mark)]
    try:
        _replace(_marks_of(store_path), "\n".join(lines[-MARKS_KEPT:]) + "\n")
    except OSError as error:
        raise StoreError(
            f"{_marks_of(store_path)}: cannot be written: {error.strerror}; "
            f"the count will be doubted more than needed"
        ) from None


def relays_opened_s(store_path: Path, *, boot_id: str) -> tuple[float, ...]:
    """Return when, on the clock of this boot, every relay was known to be opened."""
    found: list[float] = []
    for line in _lines(_marks_of(store_path)):
        try:
            mark = json.loads(line)
            if boot_id and mark["boot_id"] == boot_id:
                found.append(float(mark["opened_s"]))
        except (ValueError, TypeError, KeyError):
            continue  # a mark that cannot be read makes the count more doubtful, not less
    return tuple(found)


def _marks_of(store_path: Path) -> Path:
    return store_path.with_name(store_path.name + ".safe")


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []


def _replace(path: Path, text: str) -> None:
    draft = path.with_name(path.name + f".{os.getpid()}")
    with draft.open("w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
    draft.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make names that were made or moved in `folder` last through a power cut."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
