"""Magnets on the screw and the reed beside them.

Rule 1: the magnets sit on the screw, before its backlash: they tell what the motor did.
Rule 2: the true count is the number of magnets whose east edge lies east of the reed, so it
        is 0 at the east end and does not depend on the way the screw came.
Rule 3: a reed pulls in a little later than it lets go, whichever way the magnet passes.
"""

from dataclasses import dataclass
from math import floor


@dataclass(frozen=True, kw_only=True)
class Ring:
    """How the magnets lie along the screw's travel."""

    pulses_per_mm: float
    closed_part: float = 0.45  # of the pitch during which the reed is closed
    hysteresis_part: float = 0.03  # of the pitch, to each side of an edge
    first_pulses: float = 0.75  # east edge of the first magnet, from the east end, in pitches

    @property
    def pitch_mm(self) -> float:
        """Return the way from one magnet to the next."""
        return 1.0 / self.pulses_per_mm

    def pulses_at(self, screw_mm: float) -> float:
        """Return a place in pulses: its whole part is the true count there."""
        return screw_mm * self.pulses_per_mm - self.first_pulses + 1.0

    def place_mm(self, pulses: float) -> float:
        """Return the place of a count, the east edge of its magnet."""
        return (pulses - 1.0 + self.first_pulses) / self.pulses_per_mm


class Reed:
    """A reed that the magnets pass; `shift_pulses` puts a second one round the ring."""

    def __init__(self, ring: Ring, screw_mm: float, *, shift_pulses: float = 0.0) -> None:
        self._ring = ring
        self._shift_pulses = shift_pulses
        self.put_at(screw_mm)

    def put_at(self, screw_mm: float) -> None:
        """Forget the way the screw came and take the state that belongs to a place."""
        pulses = self._ring.pulses_at(screw_mm) - self._shift_pulses
        self.count_pulses = floor(pulses)
        self.is_closed = pulses - self.count_pulses < self._ring.closed_part

    def resume(self, *, count_pulses: int, is_closed: bool) -> None:
        """Take over the state that the screw left when it came here."""
        self.count_pulses, self.is_closed = count_pulses, is_closed

    def next_place_mm(self, way: int) -> float:
        """Return where the reed changes next when the screw goes `way` (+1 is west)."""
        ring = self._ring
        if way > 0:
            edge = ring.closed_part if self.is_closed else 1.0
            edge += ring.hysteresis_part
        else:
            edge = 0.0 if self.is_closed else ring.closed_part
            edge -= ring.hysteresis_part
        return ring.place_mm(self.count_pulses + edge + self._shift_pulses)

    def pass_edge(self, way: int) -> None:
        """Change at the edge that `next_place_mm` named."""
        if way > 0 and not self.is_closed:
            self.count_pulses += 1
        elif way < 0 and self.is_closed:
            self.count_pulses -= 1
        self.is_closed = not self.is_closed
