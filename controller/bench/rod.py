"""The rod between mast and dish: two points, one of which turns with the dish.

In the mount's frame (out, west, axis) the mast's pin stands still and the dish's pin turns
about the axis. The rod is as long as the two are apart; nothing else is assumed.
"""

from dataclasses import dataclass
from math import cos, pi, radians, sin

from controller.bench.turning import Vector, distance, matrix_about, turned
from controller.errors import GeometryError

DISH_PIN_TURN_DEG = 20.0  # chosen: the dish's pin stands this far round from the highest line
_AXIS: Vector = (0.0, 0.0, 1.0)
_DEAD_DEG = 1.0  # chosen: nearer to a dead point than this the rod would hold nothing
_HALVINGS = 48  # 180 deg / 2^48 is far below any rounding that matters


@dataclass(frozen=True, kw_only=True)
class Triangle:
    """The arms, the angle between them, and on which side the rod is fixed."""

    side: str  # "east" or "west": where the mast's pin stands
    dish_arm_mm: float
    mast_arm_mm: float
    opening_at_top_deg: float = 90.0
    axial_offset_mm: float = 0.0

    @property
    def _way(self) -> int:
        return 1 if self.side == "east" else -1

    def _pins(self) -> tuple[Vector, Vector]:
        dish = radians(self._way * DISH_PIN_TURN_DEG)
        mast = radians(self._way * (DISH_PIN_TURN_DEG - self.opening_at_top_deg))
        return (
            (self.dish_arm_mm * cos(dish), self.dish_arm_mm * sin(dish), self.axial_offset_mm),
            (self.mast_arm_mm * cos(mast), self.mast_arm_mm * sin(mast), 0.0),
        )

    def rod_mm(self, hour_angle_deg: float) -> float:
        """Return the rod from pin to pin with the dish at an hour angle."""
        dish, mast = self._pins()
        return distance(turned(matrix_about(_AXIS, hour_angle_deg), dish), mast)

    def hour_angle_deg(self, rod_mm: float) -> float:
        """Return the hour angle that a rod holds; raise `GeometryError` beyond a dead point."""
        folded = self._way * (_DEAD_DEG - self.opening_at_top_deg)
        straight = self._way * (180.0 - _DEAD_DEG - self.opening_at_top_deg)
        shortest_mm, longest_mm = self.rod_mm(folded), self.rod_mm(straight)
        if not shortest_mm < rod_mm < longest_mm:
            raise GeometryError(
                f"a rod of {rod_mm:.1f} mm does not reach between the two pins: they stand "
                f"{shortest_mm:.1f} to {longest_mm:.1f} mm apart; change an arm or the stroke"
            )
        for _ in range(_HALVINGS):
            middle = (folded + straight) / 2
            if self.rod_mm(middle) < rod_mm:
                folded = middle
            else:
                straight = middle
        return (folded + straight) / 2


@dataclass(frozen=True, kw_only=True)
class Screw:
    """The screw that drives the rod, measured in mm of travel from the east end."""

    retracted_mm: float  # rod from pin to pin, fully in
    stroke_mm: float
    lead_mm: float = 5.0
    periodic_mm: float = 0.0  # amplitude of the error that comes back with each turn
    periodic_turns: float = 0.0  # where in the turn it starts
    backlash_mm: float = 0.0  # play between the screw and the dish, all of it

    def travel_mm(self, screw_mm: float) -> float:
        """Return how far the nut has come when the screw says `screw_mm`."""
        turns = screw_mm / self.lead_mm + self.periodic_turns
        return screw_mm + self.periodic_mm * sin(2 * pi * turns)

    def rod_mm(self, travel_mm: float, *, side: str) -> float:
        """Return the rod for a travel from the east end toward west."""
        out_mm = travel_mm if side == "east" else self.stroke_mm - travel_mm
        return self.retracted_mm + out_mm
