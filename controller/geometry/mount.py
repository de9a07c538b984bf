"""A polar mount as it stands: where its hour angle meets the arc, and how far it misses it.

1. Hour angle is positive toward west in both hemispheres and 0 at the highest point of the swing,
   where the beam lies in the upright plane through the axis.
2. The axis points at the pole that is above the horizon. An azimuth error turns it clockwise as
   seen from above; on a northern site the axis then points east of north, on a southern one west
   of south.
3. The declination offset tilts the beam from the plane across the axis toward the equator, and is
   positive in both hemispheres.
4. A post that leans east or west is, to first order, an azimuth error and another opening angle of
   the actuator: it needs no parameter of its own.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from controller.errors import GeometryError
from controller.geometry.earth import (
    GEOSTATIONARY_RADIUS_M,
    WGS84,
    Array,
    Numbers,
    Site,
    satellite_enu_m,
    wrap_deg,
)

Vector: TypeAlias = tuple[Numbers, Numbers, Numbers]  # east, north, up


@dataclass(frozen=True)
class Swing:
    """A satellite as the mount meets it, with what moves its hour angle; arrays of one shape."""

    hour_angle_deg: Array
    declination_deg: Array  # from the plane across the axis, positive toward the equator
    by_azimuth: Array  # degrees of hour angle per degree of azimuth error
    by_elevation: Array  # degrees of hour angle per degree of axis elevation


@dataclass(frozen=True, kw_only=True)
class Mount:
    """The axis and the declination offset of a mount on a site.

    The angles may be arrays: they broadcast against the slots and hour angles asked for.
    """

    site: Site
    axis_elevation_deg: Numbers
    axis_azimuth_error_deg: Numbers = 0.0  # clockwise from above
    declination_offset_deg: Numbers = 0.0

    def __post_init__(self) -> None:
        elevation_deg = np.asarray(self.axis_elevation_deg)
        if not np.all((elevation_deg > -15) & (elevation_deg < 105)):
            raise GeometryError(
                f"mount: axis_elevation_deg must lie between 0 and 90, about the latitude, "
                f"not {elevation_deg}"
            )
        if not np.all(np.abs(self.axis_azimuth_error_deg) < 90):
            raise GeometryError(
                f"mount: axis_azimuth_error_deg must lie between -90 and 90, "
                f"not {self.axis_azimuth_error_deg}; 0 is true north or south"
            )
        if not np.all(np.abs(self.declination_offset_deg) < 90):
            raise GeometryError(
                f"mount: declination_offset_deg must lie between -90 and 90, "
                f"not {self.declination_offset_deg}"
            )

    def hour_angle_deg(self, slot_deg: npt.ArrayLike) -> Array:
        """Return the hour angle that brings the beam closest to each slot.

        A satellite below the horizon has one too; `slot_deg` gives NaN on the way back.
        """
        _, high, west = self._frame
        out = _toward(self.site, slot_deg)
        return np.asarray(np.degrees(np.arctan2(_dot(out, west), _dot(out, high))))

    def miss_deg(self, slot_deg: npt.ArrayLike) -> Array:
        """Return how far past the beam, toward the equator, the satellite stands at its closest."""
        return self.swing(slot_deg).declination_deg - self.declination_offset_deg

    def swing(self, slot_deg: npt.ArrayLike) -> Swing:
        """Return hour angle and declination of each slot, and what the axis errors do to them."""
        axis, high, west = self._frame
        out = _toward(self.site, slot_deg)
        along_axis, along_high, along_west = _dot(out, axis), _dot(out, high), _dot(out, west)
        across_sq = np.square(along_high) + np.square(along_west)
        # Turned clockwise from above, a vector (east, north) moves by (north, -east).
        high_moved, west_moved = (_dot(out, (v[1], -v[0], 0.0)) for v in (high, west))
        by_azimuth = (along_high * west_moved - along_west * high_moved) / across_sq
        # Raising the axis leaves west alone and moves `high` by -axis.
        by_elevation = along_west * along_axis / across_sq
        return Swing(
            np.degrees(np.arctan2(along_west, along_high)),
            np.degrees(np.arctan2(-along_axis, np.sqrt(across_sq))),
            np.asarray(by_azimuth),
            np.asarray(by_elevation),
        )

    def slot_deg(self, hour_angle_deg: npt.ArrayLike) -> Array:
        """Return the slot to which an hour angle brings the beam closest.

        NaN where that end of the ring is below the horizon.
        """
        _, high, west = self._frame
        hour_angle_rad = np.radians(hour_angle_deg)
        sin, cos = np.sin(hour_angle_rad), np.cos(hour_angle_rad)
        # The plane through the axis and the beam cuts the ring of the satellites.
        east, north, up = (cos * w - sin * h for w, h in zip(west, high, strict=True))
        place = WGS84.meridian_m(self.site.latitude_deg, self.site.height_m)
        outward = up * place.cos - north * place.sin
        along = north * place.cos + up * place.sin
        offset = (outward * place.from_axis_m + along * place.from_equator_m) / (
            GEOSTATIONARY_RADIUS_M * np.hypot(east, outward)
        )
        ahead_deg = np.degrees(np.arctan2(east, outward) + np.arccos(np.clip(offset, -1, 1)))
        slot_deg = np.asarray(wrap_deg(np.asarray(self.site.longitude_deg + ahead_deg)))
        return np.where(self._is_ahead(slot_deg, sin, cos), slot_deg, np.nan)

    def _is_ahead(self, slot_deg: Array, sin: Numbers, cos: Numbers) -> npt.NDArray[np.bool_]:
        """Say whether the slot is up, and in front of the dish rather than behind it."""
        _, high, west = self._frame
        out = _toward(self.site, slot_deg)
        forward = np.asarray(cos * _dot(out, high) + sin * _dot(out, west))
        return np.asarray((forward > 0) & (np.asarray(out[2]) >= 0))

    @cached_property
    def _frame(self) -> tuple[Vector, Vector, Vector]:
        """Return the axis, the highest beam across it, and west: unit vectors east, north, up."""
        pole = np.where(np.signbit(self.site.latitude_deg), -1.0, 1.0)
        elevation_rad = np.radians(self.axis_elevation_deg)
        sin, cos = np.sin(elevation_rad), np.cos(elevation_rad)
        axis = self._turned(0.0, pole * cos, sin)
        high = self._turned(0.0, -pole * sin, cos)
        return axis, high, self._turned(-1.0, 0.0, 0.0)

    def _turned(self, east: Numbers, north: Numbers, up: Numbers) -> Vector:
        azimuth_rad = np.radians(self.axis_azimuth_error_deg)
        sin, cos = np.sin(azimuth_rad), np.cos(azimuth_rad)
        return (east * cos + north * sin, north * cos - east * sin, up)


def _toward(site: Site, slot_deg: npt.ArrayLike) -> Vector:
    view = satellite_enu_m(site, slot_deg)
    range_m = np.sqrt(view.east_m**2 + view.north_m**2 + view.up_m**2)
    return (view.east_m / range_m, view.north_m / range_m, view.up_m / range_m)


def _dot(one: Vector, other: Vector) -> Numbers:
    return one[0] * other[0] + one[1] * other[1] + one[2] * other[2]
