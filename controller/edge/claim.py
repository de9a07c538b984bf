"""One program on one folder: a lock that a dead process cannot keep."""

import fcntl
import os
from pathlib import Path

from controller.errors import StoreError


class FolderClaim:
    """Holds a folder until it is closed or the process ends, however it ends."""

    def __init__(self, path: Path) -> None:
        """Claim the lock file at `path`; raise `StoreError` that names who has it."""
        try:
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise StoreError(f"{path}: cannot be written: {error.strerror}") from None
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            owner = os.pread(self._handle, 20, 0).decode(errors="replace").strip()
            self.close()
            raise StoreError(
                f"{path.parent}: another arckeeper (pid {owner or 'unknown'}) keeps its count in "
                f"this folder; stop it first, or give this one a folder of its own"
            ) from None
        self._write(f"{os.getpid()}\n".encode())

    def close(self) -> None:
        """Give the folder back; twice is fine."""
        handle, self._handle = self._handle, -1
        if handle >= 0:
            os.close(handle)

    def _write(self, text: bytes) -> None:
        try:
            os.ftruncate(self._handle, 0)
            os.pwrite(self._handle, text, 0)
        except OSError:
            return  # a full disk: the lock holds all the same, without a name on it
