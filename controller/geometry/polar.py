"""Polar mounts: one axis that follows the arc, and how to set it.

1. The axis stands in the plane of the site's meridian and points at the pole that is above the
   horizon. Axis elevation is counted from the horizon below that pole.
2. Hour angle is the turn about the axis, 0 at the highest point, positive toward west, in both
   hemispheres. It is more than the difference of longitudes: the site is nearer to the arc than the
   earth's centre is.
3. Declination offset is how far the beam is bent from the normal of the axis toward the equator and
   the arc, and so positive in both hemispheres. On the equator it is 0.
4. A true mount's axis is parallel to the earth's: elevation = |geodetic latitude|. A modified mount
   leans its axis further over to the arc, by some tenths of a degree, and bends the beam less.
5. A residual is positive where the satellite stands farther on the equator's side than the beam.

Everything here is plane and spherical geometry, worked out for this module; the names and the first
offset formula are those of D. Roddy, Satellite Communications, 4th ed., section 3.3.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.geometry.earth import half_span_deg
from controller.geometry.ellipsoid import WGS84, Earth, Site
from controller.geometry.slots import Array, Numbers, wrap_deg


@dataclass(frozen=True)
class PolarAngles:
    """Where a satellite stands about an axis, in arrays of one shape."""

    hour_angle_deg: Array
    declination_offset_deg: Array


@dataclass(frozen=True)
class Setting:
    """The two angles of a mount, and the worst residual along the visible arc that they leave."""

    axis_elevation_deg: Numbers
    declination_offset_deg: Numbers
    residual_deg: Numbers


def polar_angles(
    site: Site,
    slot_deg: npt.ArrayLike,
    *,
    axis_elevation_deg: Numbers | None = None,
    earth: Earth = WGS84,
) -> PolarAngles:
    """Return hour angle and declination offset that point at `slot_deg`.

    Without `axis_elevation_deg` the axis is the earth's: then they are the satellite's topocentric
    hour angle and, toward the equator, declination.
    """
    eastward_deg = np.subtract(slot_deg, site.longitude_deg)
    lean_rad = _lean_rad(site, axis_elevation_deg)
    arc = _Arc.seen_from(site, earth)
    outward_m = arc.outward_m(np.cos(np.radians(eastward_deg)))
    westward_m = arc.westward_m(eastward_deg)
    across_m = np.cos(lean_rad) * outward_m + np.sin(lean_rad) * arc.below_m
    down_m = np.cos(lean_rad) * arc.below_m - np.sin(lean_rad) * outward_m
    hour_angle_rad = np.arctan2(westward_m, across_m)
    offset_rad = np.arctan2(down_m, np.hypot(westward_m, across_m))
    hour_angle_deg, offset_deg = np.broadcast_arrays(
        np.degrees(hour_angle_rad) + 0.0, np.degrees(offset_rad)
    )
    return PolarAngles(hour_angle_deg.copy(), offset_deg.copy())


def slot_at_hour_angle_deg(
    site: Site, hour_angle_deg: npt.ArrayLike, *, earth: Earth = WGS84
) -> Array:
    """Return the slot that a true mount looks at from this hour angle."""
    hour_angle_rad = np.radians(hour_angle_deg)
    from_axis_m = _Arc.seen_from(site, earth).from_axis_m
    # Law of sines in the plane across the axis: earth's axis, site, satellite.
    parallax_rad = np.arcsin(from_axis_m * np.sin(hour_angle_rad) / earth.geostationary_radius_m)
    westward_deg = np.degrees(hour_angle_rad - parallax_rad)
    return np.asarray(wrap_deg(np.asarray(site.longitude_deg - westward_deg)))


def residual_deg(
    site: Site,
    slot_deg: npt.ArrayLike,
    *,
    axis_elevation_deg: Numbers,
    declination_offset_deg: Numbers,
    earth: Earth = WGS84,
) -> Array:
    """Return how far the beam passes the satellite, the mount being turned to it."""
    wanted = polar_angles(site, slot_deg, axis_elevation_deg=axis_elevation_deg, earth=earth)
    return np.asarray(wanted.declination_offset_deg - declination_offset_deg)


def assess(
    site: Site,
    *,
    axis_elevation_deg: Numbers,
    declination_offset_deg: Numbers,
    minimum_elevation_deg: float = 5.0,
    earth: Earth = WGS84,
) -> Setting:
    """Return the setting with the worst residual of the arc above the minimum elevation."""
    lowest_deg, highest_deg = _offset_limits_deg(
        site, axis_elevation_deg, minimum_elevation_deg, earth
    )
    worst_deg = np.maximum(
        highest_deg - declination_offset_deg, declination_offset_deg - lowest_deg
    )
    return Setting(_plain(axis_elevation_deg), _plain(declination_offset_deg), _plain(worst_deg))


def true_setting(
    site: Site, *, minimum_elevation_deg: float = 5.0, earth: Earth = WGS84
) -> Setting:
    """Return the true mount that is exact on the meridian."""
    return assess(
        site,
        axis_elevation_deg=np.abs(site.latitude_deg),
        declination_offset_deg=_meridian_offset_deg(site, earth),
        minimum_elevation_deg=minimum_elevation_deg,
        earth=earth,
    )


def balanced_true_setting(
    site: Site, *, minimum_elevation_deg: float = 5.0, earth: Earth = WGS84
) -> Setting:
    """Return the true mount whose error is as large on the meridian as at the ends of the arc."""
    return _balanced(site, np.abs(site.latitude_deg), minimum_elevation_deg, earth)


def minimax_setting(
    site: Site, *, minimum_elevation_deg: float = 5.0, earth: Earth = WGS84
) -> Setting:
    """Return the modified mount with the smallest worst residual along the visible arc.

    Two free angles and a residual that swings three times (meridian, between, end of the arc):
    the best setting makes the three equally large (Chebyshev). The axis that sees meridian and
    end under one offset is known in closed form; the offset is then the middle.
    """
    lean_deg = _lean_through_deg(site, _half_span_deg(site, minimum_elevation_deg, earth), earth)
    return _balanced(site, np.abs(site.latitude_deg) + lean_deg, minimum_elevation_deg, earth)


def edge_setting(
    site: Site, *, minimum_elevation_deg: float = 5.0, earth: Earth = WGS84
) -> Setting:
    """Return the modified mount that is exact on the meridian and at the ends of the arc."""
    lean_deg = _lean_through_deg(site, _half_span_deg(site, minimum_elevation_deg, earth), earth)
    return assess(
        site,
        axis_elevation_deg=np.abs(site.latitude_deg) + lean_deg,
        declination_offset_deg=_meridian_offset_deg(site, earth) - lean_deg,
        minimum_elevation_deg=minimum_elevation_deg,
        earth=earth,
    )


def centred_setting(
    site: Site, *, minimum_elevation_deg: float = 5.0, earth: Earth = WGS84
) -> Setting:
    """Return the modified mount whose traced ellipse is centred on the earth's centre.

    It asks for no end of the arc, and leaves five to twenty times the residual of `edge_setting`
    (latitudes 10 to 70).
    """
    near_deg = _meridian_offset_deg(site, earth)
    far_deg = _offset_behind_earth_deg(site, earth)
    return assess(
        site,
        axis_elevation_deg=np.abs(site.latitude_deg) + (near_deg - far_deg) / 2,
        declination_offset_deg=(near_deg + far_deg) / 2,
        minimum_elevation_deg=minimum_elevation_deg,
        earth=earth,
    )


@dataclass(frozen=True)
class _Arc:
    """The ring of satellites as the site sees it along the earth's axis, south mirrored north."""

    radius_m: float
    from_axis_m: Numbers
    below_m: Numbers  # the ring lies this far on the equator's side of the site

    @classmethod
    def seen_from(cls, site: Site, earth: Earth) -> "_Arc":
        place = earth.meridian_m(site.latitude_deg, site.height_m)
        return cls(earth.geostationary_radius_m, place.from_axis_m, np.abs(place.from_equator_m))

    def outward_m(self, cosine: Numbers) -> Numbers:
        return self.radius_m * cosine - self.from_axis_m

    def westward_m(self, eastward_deg: Numbers) -> Numbers:
        return -self.radius_m * np.sin(np.radians(eastward_deg))

    def range_m(self, cosine: Numbers) -> Array:
        flat_sq = np.square(self.radius_m) + np.square(self.from_axis_m)
        flat_sq = flat_sq - 2 * self.radius_m * self.from_axis_m * cosine
        return np.asarray(np.sqrt(flat_sq + np.square(self.below_m)))

    def offset_deg(self, lean_rad: Numbers, cosine: Numbers) -> Array:
        """Return the offset about a leaning axis, at this cosine of the longitudes' difference."""
        down_m = np.cos(lean_rad) * self.below_m - np.sin(lean_rad) * self.outward_m(cosine)
        return np.asarray(np.degrees(np.arcsin(down_m / self.range_m(cosine))))

    def turning_cosine(self, lean_rad: Numbers) -> Array:
        """Return where along the arc the offset turns; past 1 or below -1 where it does not.

        The derivative of `offset_deg` by `cosine` has this one zero.
        """
        lean = np.asarray(self.radius_m * np.sin(lean_rad))
        level = np.cos(lean_rad) * self.below_m + np.sin(lean_rad) * self.from_axis_m
        sum_sq = np.square(self.radius_m) + np.square(self.from_axis_m) + np.square(self.below_m)
        ratio = np.divide(level, lean, out=np.full(np.shape(level), -np.inf), where=lean != 0)
        return np.asarray(sum_sq / (self.radius_m * self.from_axis_m) - ratio)


def _lean_rad(site: Site, axis_elevation_deg: Numbers | None) -> Numbers:
    if axis_elevation_deg is None:
        return 0.0
    return np.asarray(np.radians(axis_elevation_deg - np.abs(site.latitude_deg)))


def _half_span_deg(site: Site, minimum_elevation_deg: float, earth: Earth) -> Array:
    return half_span_deg(site, minimum_elevation_deg=minimum_elevation_deg, earth=earth)


def _meridian_offset_deg(site: Site, earth: Earth) -> Array:
    """Return atan(R sin / (r - R cos)), on a sphere of radius R."""
    return _Arc.seen_from(site, earth).offset_deg(0.0, 1.0)


def _offset_behind_earth_deg(site: Site, earth: Earth) -> Array:
    """Return atan(R sin / (r + R cos)), on a sphere of radius R."""
    return _Arc.seen_from(site, earth).offset_deg(0.0, -1.0)


def _lean_through_deg(site: Site, eastward_deg: Numbers, earth: Earth) -> Array:
    """Return the lean under which the meridian and this difference of longitudes have one offset.

    Setting the two offsets equal and taking (1 - cosine) out of both sides leaves distances only,
    which stay exact when the arc shrinks to a point. Same as
    tan lean = (sin d0 - sin d1) / (cos d0 - cos d1 cos h1) with offsets d and hour angle h.
    """
    arc = _Arc.seen_from(site, earth)
    near_m = arc.range_m(1.0)
    far_m = arc.range_m(np.cos(np.radians(eastward_deg)))
    return np.asarray(
        np.degrees(
            np.arctan2(
                2 * arc.from_axis_m * arc.below_m,
                2 * arc.from_axis_m * arc.outward_m(1.0) + near_m * (near_m + far_m),
            )
        )
    )


def _offset_limits_deg(
    site: Site, axis_elevation_deg: Numbers, minimum_elevation_deg: float, earth: Earth
) -> tuple[Array, Array]:
    """Return the least and the greatest offset that the visible arc asks for."""
    arc = _Arc.seen_from(site, earth)
    lean_rad = _lean_rad(site, axis_elevation_deg)
    end = np.cos(np.radians(_half_span_deg(site, minimum_elevation_deg, earth)))
    turn = np.clip(arc.turning_cosine(lean_rad), end, 1.0)
    offsets_deg = [arc.offset_deg(lean_rad, cosine) for cosine in (1.0, turn, end)]
    return np.minimum.reduce(offsets_deg), np.maximum.reduce(offsets_deg)


def _balanced(
    site: Site, axis_elevation_deg: Numbers, minimum_elevation_deg: float, earth: Earth
) -> Setting:
    lowest_deg, highest_deg = _offset_limits_deg(
        site, axis_elevation_deg, minimum_elevation_deg, earth
    )
    return Setting(
        _plain(axis_elevation_deg),
        _plain((lowest_deg + highest_deg) / 2),
        _plain((highest_deg - lowest_deg) / 2),
    )


def _plain(value: Numbers) -> Numbers:
    """Return a float for a single site, an array for many."""
    return float(value) if np.ndim(value) == 0 else value
