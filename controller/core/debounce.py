"""Raw edges with kernel times in, settled levels out.

Rule 1: a level counts once it has stood still for `stable_s`; shorter ones never were.
Rule 2: a settled change carries the time of its first edge, when the magnet really came.
Rule 3: whoever feeds edges also calls `flush_late` at `due_s`, for the last edge has no successor.
        An edge may still be under way from the kernel then, for up to `late_s`: a level that was
        declared settled too soon would turn one bounce into a pulse.
"""

from dataclasses import dataclass


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

    def __init__(self, *, stable_s: float, closed: bool | None = None, late_s: float = 0.0) -> None:
        self._stable_s = stable_s
        self._late_s = late_s
        self.closed = closed  # the settled level, None before anything is known
        self._raw = closed
        self._first_s: float | None = None  # None: nothing is pending
        self._last_s = 0.0

    @property
    def due_s(self) -> float | None:
        """Return when the pending level will have stood still long enough."""
        if self._first_s is None:
            return None
        return self._last_s + self._stable_s + self._late_s

    def feed(self, *, at_s: float, closed: bool) -> SettledEdge | None:
        """Take one raw edge; return the change that it proves to have been settled before it."""
        settled = self.flush(at_s=at_s)
        if self._first_s is None:
            self._first_s = at_s
        self._last_s = at_s
        self._raw = closed
        return settled

    def flush_late(self, *, now_s: float) -> SettledEdge | None:
        """Return the change that has settled, whatever edge may still be under way."""
        return self.flush(at_s=now_s - self._late_s)

    def flush(self, *, at_s: float) -> SettledEdge | None:
        """Return the change that has settled by `at_s`, if one has."""
        if self._first_s is None or at_s - self._last_s < self._stable_s:
            return None
        first_s, self._first_s = self._first_s, None
        if self._raw is None or self._raw == self.closed:
            return None
        was_known = self.closed is not None
        self.closed = self._raw
        return SettledEdge(at_s=first_s, closed=self.closed) if was_known else None
