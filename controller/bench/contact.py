"""A contact that bounces before it settles, as seen by a pin."""

from collections import deque
from dataclasses import dataclass
from enum import Enum
from math import inf
from random import Random


class Source(Enum):
    """The contacts of the yard that a pin can see."""

    REED = "reed"
    SECOND = "second"
    EAST_LIMIT = "east-limit"
    WEST_LIMIT = "west-limit"
    STOP = "stop"
    HOLD = "hold"


@dataclass(frozen=True, kw_only=True, slots=True)
class Edge:
    """A contact opened or closed, at exactly this time."""

    at_s: float
    source: Source
    closed: bool


PAIRS_MAX = 4  # chosen: up to this many bounces, each an opening and a closing


class Contact:
    """A contact with its bounces still to come."""

    def __init__(self, source: Source, *, closed: bool, chance: Random) -> None:
        self.source = source
        self.closed = closed  # what a pin sees now
        self.settled = closed  # what it will be when the bouncing is over
        self._chance = chance
        self._coming: deque[tuple[float, bool]] = deque()

    @property
    def due_s(self) -> float:
        """Return when the next change comes, infinity when none does."""
        return self._coming[0][0] if self._coming else inf

    def snap(self, at_s: float, *, closed: bool, bounce_s: float) -> None:
        """Open or close at a time, bouncing for up to `bounce_s`; cuts short earlier bounces."""
        self.settled = closed
        self._coming.clear()
        self._coming.append((at_s, closed))
        if bounce_s > 0:
            length_s = self._chance.uniform(0.0, bounce_s)
            pairs = self._chance.randint(0, PAIRS_MAX)
            times = sorted(at_s + self._chance.random() * length_s for _ in range(2 * pairs))
            self._coming.extend((t, closed == bool(i % 2)) for i, t in enumerate(times))

    def flick(self, at_s: float, *, width_s: float) -> None:
        """Show the wrong level for a while, when nothing else is going on."""
        if not self._coming:
            self._coming.append((at_s, not self.settled))
            self._coming.append((at_s + width_s, self.settled))

    def take(self) -> Edge | None:
        """Take the change that is due; None when it changes nothing."""
        at_s, closed = self._coming.popleft()
        if closed == self.closed:
            return None
        self.closed = closed
        return Edge(at_s=at_s, source=self.source, closed=closed)
