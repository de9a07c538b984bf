"""The figure of the earth, and a place on it; the default is WGS84."""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from controller.errors import GeometryError
from controller.geometry.slots import Numbers

GEOSTATIONARY_RADIUS_M: Final = 42_164_170.0  # (GM / rate of turn ** 2) ** (1/3), WGS84 constants


@dataclass(frozen=True)
class Earth:
    """An ellipsoid and the ring of satellites around it; the default is WGS84, NIMA TR8350.2."""

    equatorial_radius_m: float = 6_378_137.0
    flattening: float = 1 / 298.257223563
    geostationary_radius_m: float = GEOSTATIONARY_RADIUS_M

    def __post_init__(self) -> None:
        if not 0 < self.equatorial_radius_m < self.geostationary_radius_m < np.inf:
            raise GeometryError(
                f"earth: the radius of the satellites ({self.geostationary_radius_m:g} m) must be "
                f"greater than the earth's ({self.equatorial_radius_m:g} m), both above 0"
            )
        if not 0 <= self.flattening < 1:
            raise GeometryError(
                f"earth: flattening must be at least 0 and below 1, not {self.flattening:g}; "
                f"WGS84 has 1/298.257223563, a sphere 0"
            )

    @classmethod
    def sphere(
        cls, radius_m: float, *, geostationary_radius_m: float = GEOSTATIONARY_RADIUS_M
    ) -> Self:
        """Return a spherical earth, as textbooks use it."""
        return cls(radius_m, 0.0, geostationary_radius_m)

    def meridian_m(self, latitude_deg: Numbers, height_m: Numbers) -> "Meridian":
        """Place a site in the plane of its meridian."""
        latitude_rad = np.radians(latitude_deg)
        sin, cos = np.sin(latitude_rad), np.cos(latitude_rad)
        # Normal of the ellipsoid down to the axis: the equatorial radius on the equator.
        squeeze = self.flattening * (2 - self.flattening)
        normal_m = self.equatorial_radius_m / np.sqrt(1 - squeeze * sin * sin)
        return Meridian(
            sin, cos, (normal_m + height_m) * cos, (normal_m * (1 - squeeze) + height_m) * sin
        )


@dataclass(frozen=True)
class Meridian:
    """A site in the plane of its meridian: the latitude's sine and cosine, and two distances."""

    sin: Numbers
    cos: Numbers
    from_axis_m: Numbers
    from_equator_m: Numbers  # negative in the south

    def north_up_m(self, outward_m: Numbers, along_m: Numbers) -> tuple[Numbers, Numbers]:
        """Turn a vector away from the axis and along it (north positive) into north and up."""
        return (
            self.cos * along_m - self.sin * outward_m,
            self.cos * outward_m + self.sin * along_m,
        )


WGS84: Final = Earth()


@dataclass(frozen=True)
class Site:
    """A place on the ground: geodetic latitude, longitude east positive, height over the ellipsoid.

    Fields may be arrays. Raises `GeometryError` for what is no place to put a dish.
    """

    latitude_deg: Numbers
    longitude_deg: Numbers
    height_m: Numbers = 0.0

    def __post_init__(self) -> None:
        _require(
            np.abs(self.latitude_deg) < 90,
            self.latitude_deg,
            "latitude_deg must lie between -90 and 90 (south negative), poles excluded",
        )
        _require(
            np.abs(self.longitude_deg) <= 180,
            self.longitude_deg,
            "longitude_deg must lie from -180 to 180 (west negative)",
        )
        _require(
            (np.greater_equal(self.height_m, -500)) & (np.less_equal(self.height_m, 9000)),
            self.height_m,
            "height_m must lie from -500 to 9000, in metres",
        )


def _require(claim: npt.ArrayLike, value: Numbers, rule: str) -> None:
    if not np.all(claim):
        wrong = np.asarray(value)[~np.asarray(claim)].flat[0]
        raise GeometryError(f"site: {rule}, not {wrong:g}")
