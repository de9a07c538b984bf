"""A polar mount as it really stands: crooked, out of plumb, set a little wrong.

The mount's own frame: `out` looks toward the equator with the dish at its highest point,
`west` is level, `axis` points along the polar axis toward the nearer pole. Hour angle turns
`out` toward `west`, in both hemispheres.
"""

from dataclasses import dataclass
from math import cos, radians, sin

from controller.bench.sky import Site, toward
from controller.bench.turning import Vector, angle_deg, blend, cross, matrix_about, turned

EAST: Vector = (1.0, 0.0, 0.0)
NORTH: Vector = (0.0, 1.0, 0.0)
UP: Vector = (0.0, 0.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Crookedness:
    """What is wrong with a mount, in degrees, and nobody knows."""

    axis_azimuth_deg: float = 0.0  # turned clockwise, seen from above
    axis_elevation_deg: float = 0.0  # axis too steep
    declination_deg: float = 0.0  # dish bent too far toward the equator
    collimation_deg: float = 0.0  # beam beside the dish's own centre line, toward west
    post_leans_north_deg: float = 0.0
    post_leans_east_deg: float = 0.0


class Mount:
    """A polar mount on a post at a site."""

    def __init__(
        self,
        site: Site,
        *,
        axis_elevation_deg: float,
        declination_offset_deg: float,
        crooked: Crookedness | None = None,
    ) -> None:
        crooked = crooked or Crookedness()
        self._site = site
        self._out, self._west, self._axis = _frame(site, axis_elevation_deg, crooked)
        self._turning = cross(self._out, self._west)
        self._centre = self._centre_of_beam(
            declination_offset_deg + crooked.declination_deg, crooked.collimation_deg
        )

    def _centre_of_beam(self, declination_deg: float, collimation_deg: float) -> Vector:
        tilt, aside = radians(declination_deg), radians(collimation_deg)
        straight = blend((cos(tilt), self._out), (-sin(tilt), self._axis))
        return blend((cos(aside), straight), (sin(aside), self._west))

    def beam(self, hour_angle_deg: float, *, shake_deg: float = 0.0) -> Vector:
        """Return where the dish looks: east, north, up; `shake_deg` is the wind's, up and down."""
        looking = turned(matrix_about(self._turning, hour_angle_deg), self._centre)
        if shake_deg:
            aside = turned(matrix_about(self._turning, hour_angle_deg), self._west)
            looking = turned(matrix_about(aside, shake_deg), looking)
        return looking

    def off_deg(self, hour_angle_deg: float, slot_deg: float, *, shake_deg: float = 0.0) -> float:
        """Return the angle between the beam and a slot."""
        return angle_deg(
            self.beam(hour_angle_deg, shake_deg=shake_deg), toward(self._site, slot_deg)
        )


def _frame(
    site: Site, axis_elevation_deg: float, crooked: Crookedness
) -> tuple[Vector, Vector, Vector]:
    forward = blend((-1.0 if site.is_northern else 1.0, NORTH))
    steep = radians(axis_elevation_deg + crooked.axis_elevation_deg)
    out = blend((sin(steep), forward), (cos(steep), UP))
    axis = blend((-cos(steep), forward), (sin(steep), UP))
    west: Vector = (-1.0, 0.0, 0.0)
    around = matrix_about(UP, -crooked.axis_azimuth_deg)
    lean_north = matrix_about(EAST, -crooked.post_leans_north_deg)
    lean_east = matrix_about(NORTH, crooked.post_leans_east_deg)
    out, west, axis = (
        turned(lean_east, turned(lean_north, turned(around, v))) for v in (out, west, axis)
    )
    return out, west, axis
