"""The one thread that writes, so that a slow card never stops the loop.

1. Everything is written in the order given; what waits together is written together.
2. What cannot be written for the disk's sake is kept and tried again; what can never be written is
   dropped and told.
3. Callbacks only tell, and whatever they raise is swallowed: this thread must not end.
"""

import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, Generic, TypeVar

from controller.errors import StoreError

LOG = logging.getLogger("arckeeper")
RETRY_S: Final = 1.0  # chosen: often enough for a person who has just freed the disk
T = TypeVar("T")


class Unwritable(StoreError):
    """Something that no disk could take: a defect of this program."""


@dataclass(eq=False)
class _Entry(Generic[T]):
    item: T
    awaited: bool = False
    done: threading.Event = field(default_factory=threading.Event)
    trouble: str = ""


class Writer(Generic[T]):
    """A queue of items, and the thread that passes them to `write` in batches.

    `write` raises `StoreError` when the disk will not take it, `Unwritable` when nothing could.
    `probe` tries the disk without an item.
    """

    def __init__(
        self,
        write: Callable[[list[T]], None],
        probe: Callable[[], None],
        *,
        on_failed: Callable[[str], None],
        on_recovered: Callable[[], None],
        retry_s: float = RETRY_S,
    ) -> None:
        self._write, self._probe = write, probe
        self._on_failed, self._on_recovered = on_failed, on_recovered
        self._retry_s = retry_s
        self._waiting: deque[_Entry[T]] = deque()
        self._changed = threading.Condition()
        self._writing = self._failing = self._closing = False
        self._thread = threading.Thread(target=self._work, name="store", daemon=True)
        self._thread.start()

    def put(self, item: T) -> None:
        """Have `item` written some time soon."""
        self._enter(_Entry(item))

    def put_and_wait(self, item: T, *, timeout_s: float) -> None:
        """Return when `item` and everything before it is written; raise `StoreError` when not."""
        entry = _Entry(item, awaited=True)
        self._enter(entry)
        if not entry.done.wait(timeout_s):
            raise StoreError(f"nothing could be written within {timeout_s:g} s; is the disk well?")
        if entry.trouble:
            raise StoreError(entry.trouble)

    def drain(self, timeout_s: float) -> bool:
        """Wait until everything is written; return whether it is."""
        with self._changed:
            return self._changed.wait_for(
                lambda: not (self._waiting or self._writing), timeout=timeout_s
            )

    def close(self, timeout_s: float) -> None:
        """Write what waits, and end the thread; twice is fine."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join(timeout_s)

    def _enter(self, entry: _Entry[T]) -> None:
        with self._changed:
            if self._closing:
                raise StoreError("the store is closed; nothing can be written any more")
            self._waiting.append(entry)
            self._changed.notify_all()

    def _work(self) -> None:
        while (batch := self._next()) is not None:
            trouble = self._attempt(batch)
            with self._changed:
                self._writing = False
                self._changed.notify_all()
                if trouble and self._closing:
                    return
            self._tell(trouble)

    def _next(self) -> list[_Entry[T]] | None:
        with self._changed:
            patience_s = self._retry_s if self._failing else None
            self._changed.wait_for(lambda: self._closing or self._is_new(), timeout=patience_s)
            if self._closing and not self._waiting:
                return None
            self._writing = True
            batch = list(self._waiting)
            self._waiting.clear()
            return batch

    def _is_new(self) -> bool:
        """Tell whether there is more than what failed before and is kept for the next try."""
        return (
            any(entry.awaited for entry in self._waiting) if self._failing else bool(self._waiting)
        )

    def _attempt(self, batch: list[_Entry[T]]) -> str:
        try:
            self._pass_on(batch)
        except StoreError as error:
            self._keep(batch, str(error))
            return str(error)
        for entry in batch:
            entry.done.set()
        return ""

    def _pass_on(self, batch: list[_Entry[T]]) -> None:
        try:
            if batch:
                self._write([entry.item for entry in batch])
            else:
                self._probe()
        except Unwritable:
            self._pass_one_by_one(batch)

    def _pass_one_by_one(self, batch: list[_Entry[T]]) -> None:
        """Find out what no disk could take, drop it, and write the rest."""
        for entry in list(batch):
            try:
                self._write([entry.item])
            except Unwritable as error:
                entry.trouble = f"cannot be stored: {error}"
                LOG.error("dropped %s: %s", entry.item, error)
                self._tell(entry.trouble)
            entry.done.set()
            batch.remove(entry)

    def _keep(self, batch: list[_Entry[T]], trouble: str) -> None:
        """Put back what nobody waits for; who waits is told and decides."""
        with self._changed:
            self._waiting.extendleft(entry for entry in reversed(batch) if not entry.awaited)
        for entry in batch:
            if entry.awaited:
                entry.trouble = trouble
                entry.done.set()

    def _tell(self, trouble: str) -> None:
        if bool(trouble) == self._failing:
            return
        self._failing = bool(trouble)
        try:
            if trouble:
                self._on_failed(trouble)
            else:
                self._on_recovered()
        except Exception:
            LOG.exception("what the store told could not be taken")
