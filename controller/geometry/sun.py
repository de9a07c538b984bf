"""Where the sun stands, within 0.01 deg of arc, for outages and for checking a shadow.

1. `utc_s` is seconds since 1970-01-01 00:00 UTC, as `datetime.timestamp()` returns them.
2. UTC stands for UT1: they differ by 0.9 s at most, 0.004 deg of the sun's hour angle.
3. Directions are geometric, without refraction, which matters below 10 deg of elevation.
4. The sun's parallax (0.0024 deg) and the satellite's nearness are in the angle between the two.

Source: J. Meeus, Astronomical Algorithms, 2nd ed., chapter 25, the lower of its two accuracies.
The short Fourier form that goes around for solar panels is 0.5 deg off near the equinoxes, when it
matters here: more than a day of the sun's motion.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.geometry.earth import EastNorthUp, LookAngles, angles_of, satellite_enu_m
from controller.geometry.ellipsoid import WGS84, Earth, Site
from controller.geometry.slots import Array, Numbers

# Leap seconds since 2017-01-01 (37 s) and 32.184 s; ten seconds more would be 0.0001 deg of sun.
TT_MINUS_UTC_S: Final = 69.184
ASTRONOMICAL_UNIT_M: Final = 149_597_870_700.0
_DAY_S: Final = 86_400.0
_J2000_DAYS: Final = 10_957.5  # from 1970-01-01 00:00 to 2000-01-01 12:00
_CENTURY_DAYS: Final = 36_525.0


@dataclass(frozen=True)
class SunPosition:
    """The sun from the earth's centre, by the true equator and equinox of the date."""

    right_ascension_deg: Array
    declination_deg: Array
    distance_au: Array


def sun_position(utc_s: npt.ArrayLike) -> SunPosition:
    """Return the sun's apparent place, within 0.01 deg of arc.

    Right ascension alone may be 0.0103 deg off (against astropy, 1975 to 2025).
    """
    century = _centuries(np.add(utc_s, TT_MINUS_UTC_S))
    longitude_deg, distance_au = _true_longitude_deg(century)
    node_rad = np.radians(_node_deg(century))
    # Nutation, and 20.5 seconds of arc by which the light is late.
    apparent_rad = np.radians(longitude_deg - 0.00569 - 0.00478 * np.sin(node_rad))
    obliquity_rad = np.radians(_mean_obliquity_deg(century) + 0.00256 * np.cos(node_rad))
    right_ascension_rad = np.arctan2(
        np.cos(obliquity_rad) * np.sin(apparent_rad), np.cos(apparent_rad)
    )
    declination_rad = np.arcsin(np.sin(obliquity_rad) * np.sin(apparent_rad))
    return SunPosition(
        np.asarray(np.degrees(right_ascension_rad) % 360.0),
        np.asarray(np.degrees(declination_rad)),
        np.asarray(distance_au),
    )


def mean_sidereal_deg(utc_s: npt.ArrayLike) -> Array:
    """Return Greenwich mean sidereal time (IAU 1982), 0 to 360; `utc_s` is taken for UT1."""
    # Days first: the product with the century would lose digits.
    days = np.asarray(utc_s, dtype=np.float64) / _DAY_S - _J2000_DAYS
    century = days / _CENTURY_DAYS
    turned_deg = 280.46061837 + 0.98564736629 * days + 360.0 * (days % 1.0)
    slow_deg = century**2 * (0.000387933 - century / 38_710_000.0)
    return np.asarray((turned_deg + slow_deg) % 360.0)


def sun_look_angles(site: Site, utc_s: npt.ArrayLike, *, earth: Earth = WGS84) -> LookAngles:
    """Return the sun's azimuth, elevation and range at the site, without refraction."""
    return angles_of(_sun_enu_m(site, utc_s, earth))


def sun_to_slot_deg(
    site: Site, slot_deg: npt.ArrayLike, utc_s: npt.ArrayLike, *, earth: Earth = WGS84
) -> Array:
    """Return the angle between the sun and a satellite as seen from the site.

    Slots and times broadcast. Neither needs to be above the horizon.
    """
    sun = _sun_enu_m(site, utc_s, earth)
    satellite = satellite_enu_m(site, slot_deg, earth=earth)
    a = (sun.east_m, sun.north_m, sun.up_m)
    b = (satellite.east_m, satellite.north_m, satellite.up_m)
    # By sine and cosine: a cosine alone cannot tell small angles apart.
    across = np.sqrt(
        (a[1] * b[2] - a[2] * b[1]) ** 2
        + (a[2] * b[0] - a[0] * b[2]) ** 2
        + (a[0] * b[1] - a[1] * b[0]) ** 2
    )
    along = a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
    return np.asarray(np.degrees(np.arctan2(across, along)))


def _sun_enu_m(site: Site, utc_s: npt.ArrayLike, earth: Earth) -> EastNorthUp:
    sun = sun_position(utc_s)
    place = earth.meridian_m(site.latitude_deg, site.height_m)
    ahead_deg = sun.right_ascension_deg - _apparent_sidereal_deg(utc_s) - site.longitude_deg
    distance_m = sun.distance_au * ASTRONOMICAL_UNIT_M
    declination_rad = np.radians(sun.declination_deg)
    in_equator_m = distance_m * np.cos(declination_rad)
    north_m, up_m = place.north_up_m(
        in_equator_m * np.cos(np.radians(ahead_deg)) - place.from_axis_m,
        distance_m * np.sin(declination_rad) - place.from_equator_m,
    )
    east_m = in_equator_m * np.sin(np.radians(ahead_deg))
    east, north, up = np.broadcast_arrays(east_m, north_m, up_m)
    return EastNorthUp(east.copy(), north.copy(), up.copy())


def _apparent_sidereal_deg(utc_s: npt.ArrayLike) -> Array:
    """Return sidereal time by the true equinox, from which the apparent place is counted."""
    century = _centuries(utc_s)
    nutation_deg = -0.00478 * np.sin(np.radians(_node_deg(century)))
    equation_deg = nutation_deg * np.cos(np.radians(_mean_obliquity_deg(century)))
    return np.asarray(mean_sidereal_deg(utc_s) + equation_deg)


def _centuries(utc_s: npt.ArrayLike) -> Array:
    days = np.asarray(utc_s, dtype=np.float64) / _DAY_S - _J2000_DAYS
    return np.asarray(days / _CENTURY_DAYS)


def _true_longitude_deg(century: Array) -> tuple[Numbers, Numbers]:
    """Return the sun's true longitude and its distance in astronomical units."""
    mean_deg = 280.46646 + century * (36_000.76983 + century * 0.0003032)
    anomaly_rad = np.radians(357.52911 + century * (35_999.05029 - century * 0.0001537))
    eccentricity = 0.016708634 - century * (0.000042037 + century * 0.0000001267)
    centre_deg = (
        (1.914602 - century * (0.004817 + century * 0.000014)) * np.sin(anomaly_rad)
        + (0.019993 - century * 0.000101) * np.sin(2 * anomaly_rad)
        + 0.000289 * np.sin(3 * anomaly_rad)
    )
    true_anomaly_rad = anomaly_rad + np.radians(centre_deg)
    distance_au = (
        1.000001018 * (1 - eccentricity**2) / (1 + eccentricity * np.cos(true_anomaly_rad))
    )
    return mean_deg + centre_deg, distance_au


def _node_deg(century: Array) -> Array:
    """Return the longitude of the moon's ascending node, which the nutation follows."""
    return 125.04 - 1934.136 * century


def _mean_obliquity_deg(century: Array) -> Array:
    """Return the mean obliquity of the ecliptic (IAU 1980): 23 deg 26 min 21.448 s at J2000."""
    seconds = 21.448 - century * (46.8150 + century * (0.00059 - century * 0.001813))
    return np.asarray(23.0 + (26.0 + seconds / 60.0) / 60.0)
