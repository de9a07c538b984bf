"""The actuator triangle: hour angle to rod length and back.

1. `theta` is the angle at the pivot between the arm to the pin on the dish and the arm to the
   fixed pin; it is `opening_at_top_deg` at hour angle 0. The rod spans it:
   L^2 = a^2 + b^2 - 2 a b cos(theta) + z^2, z being the distance of the pins along the polar axis.
2. Side "east": the fixed end sits east of the mount, theta = opening + H, and the rod grows toward
   west. Side "west": theta = opening - H, and the rod shrinks toward west.
3. The count is 0 at the east limit and grows toward west on either side.
4. At theta 0 and 180 deg (dead points) the rod pulls through the pivot and cannot turn the dish:
   nothing here crosses them.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from controller.errors import GeometryError
from controller.geometry.earth import Array, Numbers

DEAD_POINT_MARGIN_DEG: Final = 3.0  # chosen: the force on the pins is 1/sin = 19 times by then


class Side(Enum):
    """The side of the mount on which the fixed end of the actuator sits."""

    EAST = "east"
    WEST = "west"

    @property
    def sign(self) -> int:
        """Return +1 where the rod grows toward west, -1 where it shrinks."""
        return 1 if self is Side.EAST else -1


@dataclass(frozen=True, kw_only=True)
class Linkage:
    """Two arms, the opening between them and the axial offset of their pins.

    Raises `GeometryError` for lengths and angles that no triangle has.
    """

    dish_arm_mm: float
    mast_arm_mm: float
    opening_at_top_deg: float
    axial_offset_mm: float = 0.0
    side: Side

    def __post_init__(self) -> None:
        for name in ("dish_arm_mm", "mast_arm_mm"):
            value_mm = getattr(self, name)
            if not 0 < value_mm < np.inf:
                raise GeometryError(
                    f"linkage: {name} must be above 0, not {value_mm:g}; "
                    f"measure from the middle of the pivot to the middle of the pin"
                )
        if not np.isfinite(self.axial_offset_mm):
            raise GeometryError(
                f"linkage: axial_offset_mm must be a number, not {self.axial_offset_mm}"
            )
        if not 0 < self.opening_at_top_deg < 180:
            raise GeometryError(
                f"linkage: opening_at_top_deg must lie between 0 and 180, "
                f"not {self.opening_at_top_deg:g}; measure it with the dish at its highest point"
            )

    @property
    def shortest_mm(self) -> float:
        """Return the distance of the pins at the dead point where the arms are folded."""
        return float(np.hypot(self.dish_arm_mm - self.mast_arm_mm, self.axial_offset_mm))

    @property
    def longest_mm(self) -> float:
        """Return the distance of the pins at the dead point where the arms are in line."""
        return float(np.hypot(self.dish_arm_mm + self.mast_arm_mm, self.axial_offset_mm))

    @property
    def dead_points_deg(self) -> tuple[float, float]:
        """Return the hour angles, east first, at which the arms are folded or in line."""
        folded_deg, straight_deg = self._hour_angle_deg(np.array([0.0, 180.0])).tolist()
        return min(folded_deg, straight_deg), max(folded_deg, straight_deg)

    def opening_deg(self, hour_angle_deg: Numbers) -> Array:
        """Return the angle between the arms at an hour angle."""
        return np.asarray(self.opening_at_top_deg + self.side.sign * hour_angle_deg)

    def rod_mm(self, hour_angle_deg: Numbers) -> Array:
        """Return the length from pin to pin.

        Past a dead point it is the length that the pins would have; see `dead_points_deg`.
        """
        a, b, z = self.dish_arm_mm, self.mast_arm_mm, self.axial_offset_mm
        # Right angle, arms 3 and 4, no offset: 5.
        cos = np.cos(np.radians(self.opening_deg(hour_angle_deg)))
        return np.asarray(np.sqrt(a * a + b * b - 2 * a * b * cos + z * z))

    def hour_angle_deg(self, rod_mm: Numbers) -> Array:
        """Return the hour angle at which the pins are `rod_mm` apart.

        Raises `GeometryError` where the triangle cannot close.
        """
        self._require_closing(rod_mm)
        a, b, z = self.dish_arm_mm, self.mast_arm_mm, self.axial_offset_mm
        # Half the angle from the four sides: the arc cosine would lose digits at the dead points.
        flat_squared = np.square(rod_mm) - z * z
        from_folded = np.maximum(flat_squared - (a - b) ** 2, 0.0)
        from_straight = np.maximum((a + b) ** 2 - flat_squared, 0.0)
        theta_deg = np.degrees(2 * np.arctan2(np.sqrt(from_folded), np.sqrt(from_straight)))
        return self._hour_angle_deg(np.asarray(theta_deg))

    def lever_arm_mm(self, hour_angle_deg: Numbers) -> Array:
        """Return the arm of the rod's force about the polar axis; 0 at a dead point."""
        a, b = self.dish_arm_mm, self.mast_arm_mm
        sin = np.sin(np.radians(self.opening_deg(hour_angle_deg)))
        return np.asarray(a * b * sin / self.rod_mm(hour_angle_deg))

    def mm_per_deg(self, hour_angle_deg: Numbers) -> Array:
        """Return how much longer the rod gets per degree toward west; below 0 on side "west"."""
        return np.asarray(self.side.sign * np.radians(self.lever_arm_mm(hour_angle_deg)))

    def travel_deg(self, *, retracted_mm: float, stroke_mm: float) -> tuple[float, float]:
        """Return the hour angles of the east and the west limit.

        Raises `GeometryError` when the rod cannot reach so far or comes too near a dead point.
        """
        if not (0 < retracted_mm < np.inf and 0 < stroke_mm < np.inf):
            raise GeometryError(
                f"linkage: retracted_mm ({retracted_mm:g}) and stroke_mm ({stroke_mm:g}) "
                f"must both be above 0"
            )
        ends_mm = np.array([retracted_mm, retracted_mm + stroke_mm])
        ends_deg = self.hour_angle_deg(ends_mm)
        self._require_force(ends_mm, ends_deg)
        return float(ends_deg.min()), float(ends_deg.max())

    def _hour_angle_deg(self, theta_deg: Array) -> Array:
        return self.side.sign * (theta_deg - self.opening_at_top_deg)

    def _require_closing(self, rod_mm: Numbers) -> None:
        rods_mm = np.atleast_1d(rod_mm)
        rounding_mm = 1e-9 * self.longest_mm
        closing = (rods_mm >= self.shortest_mm - rounding_mm) & (
            rods_mm <= self.longest_mm + rounding_mm
        )
        if not closing.all():
            raise GeometryError(
                f"linkage: the triangle cannot close: from pin to pin it spans "
                f"{self.shortest_mm:.1f} to {self.longest_mm:.1f} mm with arms of "
                f"{self.dish_arm_mm:g} and {self.mast_arm_mm:g} mm, not "
                f"{rods_mm[~closing][0]:.1f} mm; measure arms, retracted length and stroke again"
            )

    def _require_force(self, ends_mm: Array, ends_deg: Array) -> None:
        low_deg, high_deg = DEAD_POINT_MARGIN_DEG, 180 - DEAD_POINT_MARGIN_DEG
        for rod_mm, theta_deg in zip(ends_mm, self.opening_deg(ends_deg), strict=True):
            if not low_deg <= theta_deg <= high_deg:
                raise GeometryError(
                    f"linkage: with the rod at {rod_mm:.1f} mm the angle between the arms is "
                    f"{theta_deg:.1f} deg and must lie from {low_deg:g} to {high_deg:g}: beyond, "
                    f"the rod pulls through the pivot and may bend; move a pin, take a shorter "
                    f"stroke or set the actuator's own limit earlier"
                )
