"""How often the status leaves.

Rule 1: only changes leave, at most ten a second.
Rule 2: at rest, a change in measured values alone leaves once a second.
Rule 3: a status that was told again and again without a change leaves every half minute, with
        a new time: so its age shows whether the loop is alive, whatever the broker believes.
"""

from dataclasses import dataclass, replace
from typing import Final

from controller.core.status import Status
from controller.edge.topics import is_moving

CHANGE_S: Final = 0.1
MEASURED_S: Final = 1.0
UNCHANGED_S: Final = 30.0


@dataclass(frozen=True, kw_only=True)
class Told:
    """A status, and when the loop told it."""

    status: Status
    at_utc: float


def _without_measured(status: Status) -> Status:
    return replace(status, signal=None, current_a=None, rate_pulses_per_s=None)


class StatusPace:
    """The newest status, and when it may leave; `told` in one thread, `due` in another."""

    def __init__(self) -> None:
        self._told: Told | None = None
        self._left: Told | None = None
        self._left_s = float("-inf")

    def told(self, status: Status, *, at_utc: float) -> bool:
        """Take a status and say whether it differs from the one before."""
        before, self._told = self._told, Told(status=status, at_utc=at_utc)
        return before is None or before.status != status

    def due(self, *, now_s: float) -> Told | None:
        """Return the status that should leave now, and take it as gone."""
        told = self._told
        if told is None or self.wait_s(now_s=now_s) > 0.0:
            return None
        self._left, self._left_s = told, now_s
        return told

    def wait_s(self, *, now_s: float) -> float:
        """Return how long until something is due, infinity if nothing is in sight."""
        told, left = self._told, self._left
        if told is None:
            return float("inf")
        if left is None:
            return 0.0
        if told is left:
            return float("inf")
        return max(0.0, self._left_s + _gap_s(left.status, told.status) - now_s)


def _gap_s(before: Status, after: Status) -> float:
    if before == after:
        return UNCHANGED_S
    if is_moving(after) or _without_measured(before) != _without_measured(after):
        return CHANGE_S
    return MEASURED_S
