"""Raw edges with kernel times in, settled levels out.

Rule 1: a level counts once it has stood still for `stable_s`; shorter ones never were.
Rule 2: a settled change carries the time of its first edge, when the magnet really came.
Rule 3: whoever feeds edges also calls `flush` at `due_s`, for the last edge has no successor.
Rule 4: edges may be read late on a busy machine, but their times are right.  A change that
        begins within `stable_s` of the last edge of the settled one before it belongs to the
        same bouncing, and is believed only when a later edge's time, or `LATE_S`, confirms it.
"""

from dataclasses import dataclass
from math import inf
from typing import Final

LATE_S: Final = 2.0  # chosen: edges were read 0.3 s late on a machine loaded fivefold


@dataclass(frozen=True, kw_only=True)
class SettledEdge:
    """The contact has changed for good."""

    at_s: float
    closed: bool


class Debounce:
    """Turn one contact's bouncing edges into settled ones.

    A reed bounces for 0.5 to 1 ms, with contact noise up to almost 2 ms (reed makers'
    notes, hardware-notes/sensor.md), and a real pulse lasts 2.5 ms and more; `stable_s`
    belongs between the two.
    """

    def __init__(self, *, stable_s: float, closed: bool | None = None) -> None:
        self._stable_s = stable_s
        self.closed = closed  # the settled level, None before anything is known
        self._raw = closed
        self._first_s: float | None = None  # None: nothing is pending
        self._last_s = 0.0
        self._before_s = -inf  # the last edge of the settled change before the pending one

    @property
    def due_s(self) -> float | None:
        """Return when the pending level will have stood still long enough."""
        return None if self._first_s is None else self._last_s + self._wait_s(self._first_s)

    def feed(self, *, at_s: float, closed: bool) -> SettledEdge | None:
        """Take one raw edge; return the change that it proves to have been settled before it."""
        settled = self._settle() if at_s - self._last_s >= self._stable_s else None
        if self._first_s is None:
            self._first_s = at_s
        self._last_s = at_s
        self._raw = closed
        return settled

    def flush(self, *, at_s: float) -> SettledEdge | None:
        """Return the change that has settled by `at_s`, if one has."""
        due_s = self.due_s
        return None if due_s is None or at_s < due_s else self._settle()

    def _wait_s(self, first_s: float) -> float:
        same_bouncing = first_s - self._before_s < self._stable_s
        return LATE_S if same_bouncing else self._stable_s

    def _settle(self) -> SettledEdge | None:
        first_s, self._first_s = self._first_s, None
        if first_s is None or self._raw is None:
            return None
        self._before_s = self._last_s
        if self._raw == self.closed:
            return None
        was_known = self.closed is not None
        self.closed = self._raw
        return SettledEdge(at_s=first_s, closed=self.closed) if was_known else None
