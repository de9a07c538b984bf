"""Where the satellites stand over a site: the WGS84 ellipsoid and plain vectors.

There is no refraction in this sky.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import cos, radians, sin, sqrt

from controller.bench.turning import Vector, unit

EQUATOR_M = 6378137.0  # WGS84, NIMA TR8350.2
FLATTENING = 1 / 298.257223563  # WGS84, the same
ORBIT_M = 42164170.0  # geostationary radius, rounded to 10 m


@dataclass(frozen=True, kw_only=True)
class Site:
    """Where the post stands (geodetic)."""

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0

    @property
    def is_northern(self) -> bool:
        """True where the dish looks toward the south."""
        return self.latitude_deg >= 0

    def geocentric_m(self) -> Vector:
        """Return the site's place, earth-centred and earth-fixed."""
        lat, lon = radians(self.latitude_deg), radians(self.longitude_deg)
        square = FLATTENING * (2 - FLATTENING)
        normal_m = EQUATOR_M / sqrt(1 - square * sin(lat) ** 2)
        ring_m = (normal_m + self.height_m) * cos(lat)
        up_m = (normal_m * (1 - square) + self.height_m) * sin(lat)
        return (ring_m * cos(lon), ring_m * sin(lon), up_m)


@dataclass(frozen=True, kw_only=True)
class Satellite:
    """One that shines on the site, and how strong it is at the peak of the beam."""

    name: str
    slot_deg: float
    peak_db: float = 12.0  # above the receiver's own noise


@lru_cache(maxsize=256)
def toward(site: Site, slot_deg: float) -> Vector:
    """Return the unit vector from the site to a slot: east, north, up."""
    lat, lon = radians(site.latitude_deg), radians(site.longitude_deg)
    slot = radians(slot_deg)
    here = site.geocentric_m()
    x = ORBIT_M * cos(slot) - here[0]
    y = ORBIT_M * sin(slot) - here[1]
    z = -here[2]
    east = -sin(lon) * x + cos(lon) * y
    outward = cos(lon) * x + sin(lon) * y
    north = -sin(lat) * outward + cos(lat) * z
    up = cos(lat) * outward + sin(lat) * z
    return unit((east, north, up))
