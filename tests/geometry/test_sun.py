"""The sun: against worked examples of its handbooks, against astropy, and through an outage."""

from collections.abc import Iterator
from datetime import UTC, datetime

import numpy as np
import pytest
from astropy import units
from astropy.coordinates import ITRS, TETE, AltAz, CartesianRepresentation, EarthLocation, get_sun
from astropy.time import Time
from astropy.utils import iers
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from controller.geometry.earth import GEOSTATIONARY_RADIUS_M, Site, angles_of, satellite_enu_m
from controller.geometry.ellipsoid import WGS84, Earth
from controller.geometry.polar import polar_angles
from controller.geometry.sun import (
    TT_MINUS_UTC_S,
    mean_sidereal_deg,
    sun_look_angles,
    sun_position,
    sun_to_slot_deg,
)

quick = settings(deadline=None, max_examples=50)
years = st.floats(min_value=0, max_value=4e9)  # 1970 to 2096

promised_deg = 0.01


def utc_s(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def utc_of_julian_s(days: float) -> float:
    return (days - 2_440_587.5) * 86_400


def test_the_example_of_the_almanac_maker_comes_out_as_printed() -> None:
    # J. Meeus, Astronomical Algorithms, 2nd ed., Example 25.a: 1992 October 13.0 TD. Declination
    # and right ascension found in text (the manual of the R package oce), distance in pymeeus.
    sun = sun_position(utc_of_julian_s(2_448_908.5) - TT_MINUS_UTC_S)
    assert sun.right_ascension_deg == pytest.approx(198.38083, abs=1e-5)
    assert sun.declination_deg == pytest.approx(-7.78507, abs=1e-5)
    assert sun.distance_au == pytest.approx(0.99766, abs=1e-5)


def test_the_same_example_in_high_accuracy_is_within_the_promise() -> None:
    # Meeus, Example 25.b: 13h13m30.749s, -7 deg 47 min 01.74 s (from memory; astropy agrees).
    sun = sun_position(utc_of_julian_s(2_448_908.5) - TT_MINUS_UTC_S)
    assert sun.right_ascension_deg == pytest.approx(198.378121, abs=promised_deg)
    assert sun.declination_deg == pytest.approx(-7.783817, abs=promised_deg)
    assert sun.distance_au == pytest.approx(0.99760853, abs=1e-4)


def test_the_solar_position_algorithm_agrees_within_the_promise() -> None:
    # Reda & Andreas, NREL/TP-560-34302, Table A5.1; the elevation is the one before refraction.
    when_s = utc_s("2003-10-17T19:30:30")
    sun = sun_position(when_s)
    assert sun.right_ascension_deg == pytest.approx(202.227408, abs=promised_deg)
    assert sun.declination_deg == pytest.approx(-9.31434, abs=promised_deg)
    assert sun.distance_au == pytest.approx(0.9965422974, abs=1e-4)
    angles = sun_look_angles(Site(39.742476, -105.1786, 1830.14), when_s)
    assert angles.azimuth_deg == pytest.approx(194.340241, abs=promised_deg)
    assert angles.elevation_deg == pytest.approx(39.872046, abs=promised_deg)


# The apparent sun of astropy, true equator and equinox: right ascension, declination and the
# equation of time in minutes. The last rows are the ones where short Fourier forms fail by 0.5 deg.
APPARENT = [
    ("2025-03-04T12:11", 345.4159, -6.2300, -11.650),
    ("2025-06-21T02:42", 89.9998, 23.4383, -1.801),
    ("2025-10-08T11:47", 194.2349, -6.0850, 12.493),
    ("2025-12-21T15:03", 269.9999, -23.4382, 1.721),
    ("2025-03-20T09:01", 359.9998, -0.0003, -7.424),
    ("2025-09-22T18:19", 179.9998, 0.0000, 7.425),
]


@pytest.mark.parametrize(("when", "right_ascension", "declination", "equation"), APPARENT)
def test_equinoxes_and_solstices_fall_where_they_should(
    when: str, right_ascension: float, declination: float, equation: float
) -> None:
    sun = sun_position(utc_s(when))
    turn = (sun.right_ascension_deg - right_ascension + 180) % 360 - 180
    assert turn == pytest.approx(0, abs=promised_deg)
    assert sun.declination_deg == pytest.approx(declination, abs=promised_deg)
    clock_deg = utc_s(when) / 240 - 180  # where a mean sun would stand over Greenwich
    hour_angle_deg = mean_sidereal_deg(utc_s(when)) - sun.right_ascension_deg
    found = ((hour_angle_deg - clock_deg + 180) % 360 - 180) * 4
    assert found == pytest.approx(equation, abs=0.05)  # 0.01 deg are 0.04 min


@pytest.mark.parametrize(
    ("julian_days", "expected_deg", "tolerance_deg"),
    [
        # Vallado, Fundamentals of Astrodynamics, Example 3-5: 1992-08-20 12:14.
        (2_448_854.5 + (12 + 14 / 60) / 24, 152.578788, 1e-6),
        (2_451_545.0, 280.46061837, 1e-8),  # the same, at J2000
        # Meeus, Example 12.a: 1987-04-10 0h, 13h10m46.3668s (as a day's part in pymeeus).
        (2_446_895.5, 0.549147764 * 360, 1e-6),
        # IAU SOFA test program, gmst82 at MJD 53736 (from memory; pyerfa agrees).
        (2_453_736.5, np.degrees(1.754174981860675), 1e-8),
    ],
)
def test_sidereal_time_is_the_published_one(
    julian_days: float, expected_deg: float, tolerance_deg: float
) -> None:
    found_deg = mean_sidereal_deg(utc_of_julian_s(julian_days))
    assert found_deg == pytest.approx(expected_deg, abs=tolerance_deg)


def test_horizontal_coordinates_are_those_of_the_example() -> None:
    # Meeus, Example 13.b (Venus) at 38 deg 55 min 17 s: hour angle 64.352133, declination
    # -6.719892; azimuth 68.034 from the south, height 15.125 (pymeeus).
    turn, bend = np.radians([64.352133, -6.719892])
    place = WGS84.meridian_m(38 + 55 / 60 + 17 / 3600, 0.0)
    north, up = place.north_up_m(np.cos(bend) * np.cos(turn), np.sin(bend))
    azimuth = np.degrees(np.arctan2(-np.cos(bend) * np.sin(turn), north)) % 360
    assert azimuth == pytest.approx(180 + 68.034, abs=5e-4)
    assert np.degrees(np.arcsin(up)) == pytest.approx(15.125, abs=5e-4)


@pytest.fixture
def tables_on_board() -> Iterator[None]:
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
    ):
        yield


def times_s(first: str, last: str, count: int) -> NDArray[np.float64]:
    return np.random.default_rng(5).uniform(utc_s(first), utc_s(last), count)


@pytest.mark.usefixtures("tables_on_board")
def test_the_sun_agrees_with_astropy_for_decades() -> None:
    when_s = times_s("1975-01-01", "2025-01-01", 1000)
    when = Time(when_s, format="unix")
    sun = get_sun(when).transform_to(TETE(obstime=when))
    found = sun_position(when_s)
    turn = (found.right_ascension_deg - sun.ra.to_value(units.deg) + 180) % 360 - 180
    rise = found.declination_deg - sun.dec.to_value(units.deg)
    assert np.hypot(turn * np.cos(np.radians(found.declination_deg)), rise).max() < promised_deg
    assert np.abs(found.distance_au - sun.distance.to_value(units.au)).max() < 1e-4


@pytest.mark.usefixtures("tables_on_board")
@pytest.mark.parametrize("site", [Site(-45.1, 169.4, 280.0), Site(52.6, 0.3), Site(1.0, -179.9)])
def test_the_sun_at_a_site_and_beside_a_satellite_agrees_with_astropy(site: Site) -> None:
    when_s = times_s("2020-01-01", "2025-01-01", 200)
    when = Time(when_s, format="unix")
    place = EarthLocation.from_geodetic(
        site.longitude_deg * units.deg, site.latitude_deg * units.deg, site.height_m * units.m
    )
    horizon = AltAz(obstime=when, location=place)
    sun = get_sun(when).transform_to(horizon)
    found = sun_look_angles(site, when_s)
    elevation = sun.alt.to_value(units.deg)
    turn = (found.azimuth_deg - sun.az.to_value(units.deg) + 180) % 360 - 180
    assert np.abs(turn * np.cos(np.radians(elevation))).max() < promised_deg
    assert np.abs(found.elevation_deg - elevation).max() < promised_deg

    slot = float(site.longitude_deg) + 25.0
    spot = CartesianRepresentation(
        GEOSTATIONARY_RADIUS_M * np.cos(np.radians(slot)) * np.ones(200),
        GEOSTATIONARY_RADIUS_M * np.sin(np.radians(slot)) * np.ones(200),
        np.zeros(200),
        unit=units.m,
    )
    seen = ITRS(spot - place.get_itrs(when).cartesian, obstime=when, location=place)
    apart = seen.transform_to(horizon).separation(sun).to_value(units.deg)
    assert np.abs(sun_to_slot_deg(site, slot, when_s) - apart).max() < promised_deg


# A simulation with astropy's sun: a northern site at longitude 0, a satellite at 0, 2025, half-cone
# 1.125 deg, steps of 10 s. Latitude; satellite's declination; closest, days, longest in minutes.
OUTAGES = [
    (0, 0.000, ("2025-03-20T12:07", 5, 9.0), ("2025-09-22T11:52", 6, 9.0)),
    (10, -1.756, ("2025-03-15T12:08", 6, 8.8), ("2025-09-27T11:51", 6, 9.0)),
    (30, -4.946, ("2025-03-07T12:11", 6, 9.0), ("2025-10-05T11:48", 5, 9.0)),
    (40, -6.244, ("2025-03-04T12:11", 5, 9.0), ("2025-10-08T11:47", 6, 8.8)),
    (60, -8.035, ("2025-02-27T12:12", 6, 9.0), ("2025-10-13T11:46", 6, 9.2)),
]


@pytest.mark.parametrize("row", OUTAGES, ids=lambda row: str(row[0]))
@pytest.mark.parametrize("season", [0, 1])
def test_the_sun_passes_behind_a_satellite_when_simulated(
    row: tuple[float, float, tuple[str, int, float], tuple[str, int, float]], season: int
) -> None:
    latitude, declination, *seasons = row
    closest, days, longest_min = seasons[season]
    noon_s = utc_s(closest[:10] + "T12:00")
    day_s = noon_s + 86_400.0 * np.arange(-12, 13)
    when_s = day_s[:, None] + np.arange(-1800.0, 1810.0, 10.0)
    apart_deg = sun_to_slot_deg(Site(latitude, 0), 0, when_s)
    nearest_deg = apart_deg.min(axis=1)
    day = int(nearest_deg.argmin())
    assert abs(day - 12) <= 1
    passing_s = when_s[day, apart_deg[day].argmin()] - day_s[day] + noon_s
    assert passing_s == pytest.approx(utc_s(closest), abs=60 + 30)  # the table is cut to minutes
    assert abs(np.count_nonzero(nearest_deg < 1.125) - days) <= 1
    minutes = (apart_deg < 1.125).sum(axis=1).max() / 6
    assert minutes == pytest.approx(longest_min, abs=0.3)
    # On that day the sun's declination is the satellite's, to half a day's motion.
    found = sun_position(passing_s + day_s[day] - noon_s).declination_deg
    assert found == pytest.approx(declination, abs=0.3)
    assert polar_angles(Site(latitude, 0), 0).declination_offset_deg == pytest.approx(
        -declination, abs=1e-3
    )


@quick
@given(years)
def test_the_sun_stays_between_the_tropics(when_s: float) -> None:
    sun = sun_position(when_s)
    assert abs(sun.declination_deg) < 23.45
    assert 0 <= sun.right_ascension_deg < 360
    assert 0.983 < sun.distance_au < 1.017


@quick
@given(years)
def test_the_sky_turns_once_more_than_the_sun_in_a_year(when_s: float) -> None:
    first, next_day = mean_sidereal_deg([when_s, when_s + 86_400])
    assert (next_day - first) % 360 == pytest.approx(0.98564736629, abs=1e-6)
    assert 0 <= first < 360


@quick
@given(years, st.floats(min_value=-60, max_value=60))
def test_the_angle_to_a_satellite_is_that_between_the_directions(
    when_s: float, ahead: float
) -> None:
    site = Site(-45.1, 169.4, 280.0)
    slot = 169.4 + ahead
    sun, satellite = sun_look_angles(site, when_s), angles_of(satellite_enu_m(site, slot))
    azimuth = np.radians(sun.azimuth_deg - satellite.azimuth_deg)
    low, high = np.radians(sun.elevation_deg), np.radians(satellite.elevation_deg)
    cosine = np.sin(low) * np.sin(high) + np.cos(low) * np.cos(high) * np.cos(azimuth)
    found = sun_to_slot_deg(site, slot, when_s)
    assert 0 <= found <= 180
    assert np.cos(np.radians(found)) == pytest.approx(cosine, abs=1e-9)


@quick
@given(years, st.floats(min_value=-75, max_value=75))
def test_the_sun_stands_lower_at_the_site_than_from_the_centre(
    when_s: float, latitude: float
) -> None:
    # Parallax: sin p = R / d cos(elevation), 8.794 seconds of arc at one astronomical unit
    # (Astronomical Almanac, from memory). An earth of one metre shows the centre's view.
    site = Site(latitude, 30.0)
    here = sun_look_angles(site, when_s, earth=Earth.sphere(6_378_137.0))
    centre = sun_look_angles(site, when_s, earth=Earth.sphere(1.0))
    parallax_deg = 8.794 / 3600 / sun_position(when_s).distance_au
    lower_deg = centre.elevation_deg - here.elevation_deg
    expected_deg = parallax_deg * np.cos(np.radians(here.elevation_deg))
    assert lower_deg == pytest.approx(expected_deg, abs=1e-6)
    turn = np.radians(centre.azimuth_deg - here.azimuth_deg)
    assert np.cos(turn) == pytest.approx(1, abs=1e-12)


def test_slots_and_times_broadcast() -> None:
    when_s = utc_s("2025-03-04T12:11") + np.arange(4.0)
    site = Site(40, 0)
    apart = sun_to_slot_deg(site, np.array([[0.0], [10.0], [20.0]]), when_s)
    assert apart.shape == (3, 4)
    assert apart[1, 2] == pytest.approx(sun_to_slot_deg(site, 10.0, when_s[2]), abs=1e-9)
    assert sun_look_angles(site, when_s).elevation_deg.shape == (4,)
    assert sun_look_angles(Site(np.array([40.0, 41.0]), 0), when_s[0]).range_m.shape == (2,)
