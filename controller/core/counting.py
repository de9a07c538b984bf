"""Pulses, direction, doubt.

Rule 1: toward west a pulse counts when the contact closes, toward east when it opens, so that
        the count turns at the same place of the screw both ways and a reversal between two
        edges loses nothing.
Rule 2: one reed has no direction: it is that of the drive, and after the cut still that one.
Rule 3: doubt is how many pulses the count may be wrong by; it grows here and shrinks only
        where a limit or a satellite settles it. None means that the count is not known.
Rule 4: a pulse that no actuator can make is not counted, one that must have been missed is;
        both raise the doubt by one.
"""

from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from math import ceil

from controller.core.debounce import SettledEdge
from controller.core.memory import CountRecord
from controller.core.motion import Direction

MISSED_LEAST = 1.7  # a gap of this many neighbours' intervals hides a pulse; inertia allows no dip
MISSED_MOST = 3.4  # a longer one is a halt of the rod rather than missed magnets
ALIKE = 1.3  # the neighbours must agree this well for such a judgement
EARLY = 0.4  # a pulse after this part of the usual interval is not a magnet


@dataclass(frozen=True, kw_only=True)
class Pulse:
    """The count has changed."""

    at_s: float
    count_pulses: int
    direction: Direction

    @property
    def place_pulses(self) -> float:
        """Return the place of the screw at this instant, the same for both directions."""
        return float(self.count_pulses + (self.direction is Direction.EAST))


@dataclass(frozen=True, kw_only=True)
class Doubtful:
    """Something about the pulses was not right, and the doubt has grown."""

    text: str


class Counter:
    """The count, kept from settled edges."""

    def __init__(
        self, *, count_pulses: int, doubt_pulses: int | None, rate_max_pulses_per_s: float
    ) -> None:
        self.count_pulses = count_pulses
        self.doubt_pulses = doubt_pulses
        self._least_s = 1 / rate_max_pulses_per_s
        self._times_s: deque[float] = deque(maxlen=4)
        self._early_run_n = 0

    @property
    def is_known(self) -> bool:
        """Tell whether the count means a place."""
        return self.doubt_pulses is not None

    def begin_run(self) -> None:
        """Forget the rhythm of the run before."""
        self._times_s.clear()
        self._early_run_n = 0

    def settle(self, *, count_pulses: int, doubt_pulses: int) -> int:
        """Take the count from a limit or a satellite; return by how much it was off."""
        off_pulses = count_pulses - self.count_pulses
        self.count_pulses, self.doubt_pulses = count_pulses, doubt_pulses
        return off_pulses

    def forget(self) -> None:
        """Declare the count unknown."""
        self.doubt_pulses = None

    def raise_doubt(self, pulses: int) -> None:
        """Let the count be wrong by so much more."""
        if self.doubt_pulses is not None:
            self.doubt_pulses += pulses

    def lose(self, edges_n: int) -> Doubtful:
        """Account for edges that the kernel dropped."""
        self.raise_doubt(ceil(edges_n / 2))
        return Doubtful(text=f"{edges_n} edges of the sensor were lost before they could be read")

    def stray(self, edge: SettledEdge) -> Doubtful | None:
        """Account for an edge with the motor off and the rod at rest."""
        if not edge.closed:
            return None
        self.raise_doubt(1)
        return Doubtful(text="a pulse came while the motor was off and the rod stood still")

    def turn(self, edge: SettledEdge, direction: Direction) -> Pulse | Doubtful | None:
        """Take a settled edge while the rod moves in `direction`."""
        if edge.closed is not (direction is Direction.WEST):
            return None
        if self._is_early(edge.at_s):
            self._early_run_n += 1
            self.raise_doubt(1)
            return Doubtful(text="a pulse came sooner than the actuator can make one")
        self._early_run_n = 0
        self._times_s.append(edge.at_s)
        self.count_pulses += direction.sign
        return Pulse(at_s=edge.at_s, count_pulses=self.count_pulses, direction=direction)

    def fill_gap(self, direction: Direction) -> Doubtful | None:
        """Count the magnets that the last three intervals show to have been missed."""
        intervals_s = [after - before for before, after in pairwise(self._times_s)]
        if len(intervals_s) < 3:
            return None
        before_s, gap_s, after_s = intervals_s
        usual_s = (before_s + after_s) / 2
        if max(before_s, after_s) > ALIKE * min(before_s, after_s):
            return None
        if not MISSED_LEAST <= gap_s / usual_s <= MISSED_MOST:
            return None
        missed_n = round(gap_s / usual_s) - 1
        self.count_pulses += direction.sign * missed_n
        self.raise_doubt(missed_n)
        self._times_s.clear()
        return Doubtful(text=f"{missed_n} pulse(s) must have been missed, the rhythm shows it")

    def _is_early(self, at_s: float) -> bool:
        if not self._times_s or self._early_run_n >= 2:
            return False  # three early ones in a row are a rhythm, not an accident
        interval_s = at_s - self._times_s[-1]
        if interval_s < self._least_s:
            return True
        if len(self._times_s) < 3:
            return False
        usual_s = min(after - before for before, after in pairwise(self._times_s))
        return interval_s < EARLY * usual_s


def recall_count(
    record: CountRecord,
    *,
    rate_pulses_per_s: float,
    coast_pulses: int,
    save_period_s: float,
    west_limit_pulses: int | None,
) -> tuple[int, int | None]:
    """Return count and doubt after a start, from the last thing that was written.

    A run whose end was never seen went on in its own direction for at most the time until
    the relays were opened: after a power cut that is a save period, otherwise until the
    relays were opened by the command for it, or until now.
    """
    if not record.moving or record.direction is None or record.doubt_pulses is None:
        return record.count_pulses, record.doubt_pulses
    unseen_s = _unseen_s(record, save_period_s)
    reach_pulses = ceil(rate_pulses_per_s * unseen_s) + coast_pulses
    low, high = record.count_pulses - record.doubt_pulses, record.count_pulses + record.doubt_pulses
    if record.direction is Direction.WEST:
        high += reach_pulses
    else:
        low -= reach_pulses
    if west_limit_pulses is not None:
        low = max(low, -record.doubt_pulses)
        high = max(low, min(high, west_limit_pulses + record.doubt_pulses))
    middle = (low + high) // 2
    return middle, high - middle


def _unseen_s(record: CountRecord, save_period_s: float) -> float:
    if not record.same_boot or record.since_save_s is None:
        return 1.5 * save_period_s  # a later save would be there, had it lived longer
    if record.relays_open_after_s is not None:
        return min(record.relays_open_after_s, record.since_save_s)
    return record.since_save_s
