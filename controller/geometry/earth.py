"""Where a geostationary satellite stands in the sky of a site.

1. Angles are degrees; slots and longitudes are east positive; azimuth is north over east, 0 to 360.
2. Latitude is geodetic, "up" is the normal of the ellipsoid; a sphere is an `Earth` that is not
   flattened.
3. Every argument may be an array; they broadcast against each other as numpy arrays do.
4. Directions are geometric. Refraction lifts a satellite by about 0.57 deg at the horizon, 0.16 deg
   at 5 deg, 0.09 deg at 10 deg, 0.04 deg at 20 deg (Bennett's optical formula, from memory). It is
   left out: it changes with the weather, and a dish is peaked on the signal in the end.
5. A slot that is NaN gives NaN, and is not visible.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from types import EllipsisType
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.errors import GeometryError
from controller.geometry.ellipsoid import GEOSTATIONARY_RADIUS_M, WGS84, Earth, Meridian, Site
from controller.geometry.slots import Array, Numbers, format_slot, parse_slot, wrap_deg

__all__ = [
    "GEOSTATIONARY_RADIUS_M",
    "WGS84",
    "Array",
    "Earth",
    "EastNorthUp",
    "LookAngles",
    "Meridian",
    "Numbers",
    "Site",
    "Span",
    "angles_of",
    "format_slot",
    "half_span_deg",
    "look_angles",
    "parse_slot",
    "polarisation_tilt_deg",
    "satellite_enu_m",
    "visible",
    "visible_span",
    "wrap_deg",
]

_BLOCK: Final = 16384  # measured: 78 ns a pair, 101 at 1,024 (numpy's own cost), 91 uncut (cache)


@dataclass(frozen=True)
class LookAngles:
    """Azimuth, elevation and distance of a satellite, in arrays of one shape."""

    azimuth_deg: Array
    elevation_deg: Array
    range_m: Array


@dataclass(frozen=True)
class EastNorthUp:
    """A vector from the site in its own horizon, in arrays of one shape."""

    east_m: Array
    north_m: Array
    up_m: Array


@dataclass(frozen=True)
class Span:
    """The part of the arc that a site sees; it may run across 180 degrees."""

    west_deg: Array
    east_deg: Array


def satellite_enu_m(site: Site, slot_deg: npt.ArrayLike, *, earth: Earth = WGS84) -> EastNorthUp:
    """Return the vector from the site to the satellite, east, north and up."""
    parts_m = _east_north_up(
        site.latitude_deg, site.longitude_deg, site.height_m, slot_deg, earth=earth
    )
    # Slot and longitude do not reach the same parts as a height does: give all one shape.
    east_m, north_m, up_m = np.broadcast_arrays(*parts_m)
    return EastNorthUp(east_m.copy(), north_m.copy(), up_m.copy())


def look_angles(site: Site, slot_deg: npt.ArrayLike, *, earth: Earth = WGS84) -> LookAngles:
    """Return azimuth, elevation and range of the satellite at `slot_deg`.

    Straight overhead (on the equator) every azimuth is right, and 180 is returned.
    """
    fields = [
        np.asarray(field, dtype=np.float64)
        for field in (site.latitude_deg, site.longitude_deg, site.height_m, slot_deg)
    ]
    shape = np.broadcast_shapes(*(field.shape for field in fields))
    angles = LookAngles(np.empty(shape), np.empty(shape), np.empty(shape))
    for rows in _blocks(shape):
        east_m, north_m, up_m = _east_north_up(
            *(_rows_of(field, rows, len(shape)) for field in fields), earth=earth
        )
        _point(east_m, north_m, up_m, angles, rows)
    return angles


def angles_of(view: EastNorthUp) -> LookAngles:
    """Return azimuth, elevation and range of a vector."""
    shape = np.shape(view.up_m)
    angles = LookAngles(np.empty(shape), np.empty(shape), np.empty(shape))
    _point(view.east_m, view.north_m, view.up_m, angles, ...)
    return angles


def polarisation_tilt_deg(site: Site, slot_deg: npt.ArrayLike, *, earth: Earth = WGS84) -> Array:
    """Return how far the satellite's vertical polarisation leans from the site's vertical.

    Positive is clockwise as seen from behind the dish, looking at the satellite, in both
    hemispheres: a satellite west of a northern site leans positive, west of a southern site
    negative. The satellite's vertical is taken along the earth's axis, and the angle is counted
    to the pole that stands above the horizon, so it stays within -90 and 90 for what is visible.
    On the equator the result is -90 toward east and 90 toward west, which is the same plane, and
    0 straight overhead. It is for a feed that is referred to the local vertical; on a polar mount
    the dish itself turns with the sky.
    Source: the exact vector method, D. Roddy, Satellite Communications, 4th ed., eqs 5.10-5.16.
    """
    view = satellite_enu_m(site, slot_deg, earth=earth)
    latitude_rad = np.radians(site.latitude_deg)
    across_sq = view.east_m**2 + view.north_m**2
    range_m = np.sqrt(across_sq + view.up_m**2)
    # The axis on the plane across the line of sight, both parts times range and ground distance.
    right = -view.east_m * np.cos(latitude_rad) * range_m
    upright = across_sq * np.sin(latitude_rad) - view.north_m * view.up_m * np.cos(latitude_rad)
    elevated = np.where(np.less(latitude_rad, 0), -1.0, 1.0)  # the pole above the horizon
    return np.asarray(np.degrees(np.arctan2(elevated * right, elevated * upright)) + 0.0)


def visible(
    site: Site,
    slot_deg: npt.ArrayLike,
    *,
    minimum_elevation_deg: float = 0.0,
    earth: Earth = WGS84,
) -> npt.NDArray[np.bool_]:
    """Return which satellites stand at the minimum elevation or higher."""
    elevation_deg = look_angles(site, slot_deg, earth=earth).elevation_deg
    return np.asarray(elevation_deg >= minimum_elevation_deg)


def half_span_deg(site: Site, *, minimum_elevation_deg: float, earth: Earth = WGS84) -> Array:
    """Return how far in slots the visible arc reaches to each side of the site's longitude.

    Raises `GeometryError` where no satellite stands at the minimum elevation.
    """
    if not 0 <= minimum_elevation_deg < 90:
        raise GeometryError(
            f"minimum elevation must be at least 0 and below 90 deg, not {minimum_elevation_deg:g}"
        )
    place = earth.meridian_m(site.latitude_deg, site.height_m)
    outer_m = earth.geostationary_radius_m
    sum_sq = outer_m**2 + np.square(place.from_axis_m) + np.square(place.from_equator_m)
    double = 2 * outer_m * place.from_axis_m
    # up = range * sin(elevation), with cos(slot difference) = (sum_sq - range ** 2) / double,
    # is a quadratic in the range, and one of its roots is positive.
    square = outer_m * place.cos / double
    linear = np.sin(np.radians(minimum_elevation_deg))
    rest = square * sum_sq - place.from_axis_m * place.cos - place.from_equator_m * place.sin
    range_m = (np.sqrt(linear**2 + 4 * square * rest) - linear) / (2 * square)
    cosine = np.asarray((sum_sq - range_m**2) / double)
    _require_visible(site, cosine, minimum_elevation_deg, earth)
    return np.asarray(np.degrees(np.arccos(cosine)))


def visible_span(site: Site, *, minimum_elevation_deg: float = 0.0, earth: Earth = WGS84) -> Span:
    """Return the west and the east end of the arc that the site sees, as slots.

    Raises `GeometryError` where no satellite stands at the minimum elevation.
    """
    half_deg = half_span_deg(site, minimum_elevation_deg=minimum_elevation_deg, earth=earth)
    return Span(
        np.asarray(wrap_deg(site.longitude_deg - half_deg)),
        np.asarray(wrap_deg(site.longitude_deg + half_deg)),
    )


def _east_north_up(
    latitude_deg: Numbers,
    longitude_deg: npt.ArrayLike,
    height_m: Numbers,
    slot_deg: npt.ArrayLike,
    *,
    earth: Earth,
) -> tuple[Numbers, Numbers, Numbers]:
    place = earth.meridian_m(latitude_deg, height_m)
    ahead_rad = np.radians(np.subtract(slot_deg, longitude_deg))
    outward_m = earth.geostationary_radius_m * np.cos(ahead_rad) - place.from_axis_m
    north_m, up_m = place.north_up_m(outward_m, np.negative(place.from_equator_m))
    return earth.geostationary_radius_m * np.sin(ahead_rad), north_m, up_m


def _point(
    east_m: Numbers, north_m: Numbers, up_m: Numbers, angles: LookAngles, rows: slice | EllipsisType
) -> None:
    """Turn vectors into angles, in these rows of `angles`."""
    across_sq = np.square(east_m) + np.square(north_m)
    np.sqrt(across_sq + np.square(up_m), out=angles.range_m[rows])
    np.degrees(np.arctan2(up_m, np.sqrt(across_sq)), out=angles.elevation_deg[rows])
    azimuth_deg = angles.azimuth_deg[rows]
    # Seen from the far side, plus half a turn: 0 to 360 without a case for the west.
    np.degrees(np.arctan2(np.negative(east_m), np.negative(north_m)), out=azimuth_deg)
    azimuth_deg += 180.0
    azimuth_deg[azimuth_deg >= 360.0] = 0.0


def _blocks(shape: tuple[int, ...]) -> Iterator[slice | EllipsisType]:
    """Cut the first axis so that a block and its temporaries stay in the cache."""
    size = math.prod(shape)
    if size <= _BLOCK:
        yield ...
        return
    rows = max(1, _BLOCK * shape[0] // size)
    for start in range(0, shape[0], rows):
        yield slice(start, start + rows)


def _rows_of(field: Array, rows: slice | EllipsisType, dimensions: int) -> Array:
    """Return the rows of a field, or all of it where it repeats along the first axis."""
    if rows is ... or field.ndim < dimensions or field.shape[0] == 1:
        return field
    return field[rows]


def _require_visible(site: Site, cosine: Array, minimum_elevation_deg: float, earth: Earth) -> None:
    nothing = cosine > 1.0
    if not np.any(nothing):
        return
    latitude_deg = float(np.broadcast_to(site.latitude_deg, cosine.shape)[nothing].flat[0])
    height_m = float(np.broadcast_to(site.height_m, cosine.shape)[nothing].flat[0])
    best = look_angles(Site(latitude_deg, 0.0, height_m), 0.0, earth=earth).elevation_deg
    raise GeometryError(
        f"no satellite stands {minimum_elevation_deg:g} deg high at latitude {latitude_deg:.2f}: "
        f"the highest one stands at {best:.2f} deg (0 deg is reached near latitude 81); "
        f"lower the minimum elevation or check the latitude"
    )
