"""Look angles: against books on the books' spheres, against two libraries on WGS84."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pymap3d
import pytest
from astropy import units
from astropy.coordinates import ITRS, AltAz, CartesianRepresentation, EarthLocation
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from controller.geometry import earth as earth_module
from controller.geometry.earth import (
    GEOSTATIONARY_RADIUS_M,
    WGS84,
    Earth,
    EastNorthUp,
    Site,
    angles_of,
    look_angles,
    satellite_enu_m,
)

quick = settings(deadline=None, max_examples=100)
latitudes = st.floats(min_value=-75, max_value=75)
longitudes = st.floats(min_value=-180, max_value=180)
offsets = st.floats(min_value=-70, max_value=70)

RODDY = Earth.sphere(6371e3, geostationary_radius_m=42164e3)
AGARWAL = Earth.sphere(6378e3, geostationary_radius_m=42164e3)
PRATT = Earth.sphere(GEOSTATIONARY_RADIUS_M / 6.6107345)
BEASLEY = Earth.sphere(0.1512 * GEOSTATIONARY_RADIUS_M)


@dataclass(frozen=True)
class Printed:
    """A worked example: what the book prints, and half of its last digit."""

    name: str
    site: Site
    slot_deg: float
    earth: Earth
    azimuth: tuple[float, float] | None = None
    elevation: tuple[float, float] | None = None
    range_km: tuple[float, float] | None = None


# Found in the books' text or in the published companion code of their examples. "Companion" are
# the Textbook Companions of FOSSEE (IIT Bombay), which work the printed examples again.
BOOKS = [
    # D. Roddy, Satellite Communications, 4th ed., Examples 3.1 and 3.2, pp. 81-83.
    Printed("roddy-3.1", Site(35, -100), -90, RODDY, (162.9, 0.05), (48, 0.5), (37215, 1)),
    # Roddy, 3rd ed., Example 16.1, p. 474 (companion).
    Printed("roddy-16.1", Site(45, -90), -101, RODDY, (195.4, 0.05), (37, 0.5), (38020, 1)),
    # Pratt, Bostian & Allnutt, Satellite Communications, 2nd ed., Example 2.2.1; inputs found in
    # lecture notes, azimuth and elevation from memory.
    Printed("pratt-2.2.1", Site(52, 0), 66, PRATT, (109.333, 0.0005), (5.847, 0.0005)),
    # D. C. Agarwal, Satellite Communications, solved problem 78 (companion).
    Printed("agarwal-78", Site(60, 0), 20, AGARWAL, (157.2, 0.05), (19.84, 0.05)),
    # Maini & Agrawal 2010, Example 3.12, p. 100 (companion); it rounds between its steps.
    Printed("maini-3.12", Site(30, -60), -105, AGARWAL, None, (30.3, 0.05), (38584.76, 8)),
    # Beasley & Miller, Modern Electronic Communication, 9th ed., Example 13-2, p. 641 (companion).
    Printed("beasley-13.2", Site(35, -90), -83, BEASLEY, (168, 0.5), (48.7, 0.05)),
    # Stanley & Jeffords, Electronic Communications, Example 17.7, p. 556 (companion), by
    # d = 35786 sqrt(1 + 0.42 (1 - cos cos)), which is the sphere with a rounded constant.
    Printed("stanley-17.7", Site(40.5, -70.2), -127, AGARWAL, None, None, (39932, 0.5)),
    # tutorialsweb.com, look angles of a southern site; its elevation is a misprint, and its
    # cosines are rounded to four digits, a kilometre in 39571.
    Printed(
        "tutorial-south",
        Site(-20, -30),
        30,
        Earth.sphere(6378.14e3, geostationary_radius_m=42164.14e3),
        (78.83, 0.005),
        None,
        (39571, 1.1),
    ),
]


@pytest.mark.parametrize("book", BOOKS, ids=lambda book: book.name)
def test_a_worked_example_comes_out_as_printed(book: Printed) -> None:
    angles = look_angles(book.site, book.slot_deg, earth=book.earth)
    found = (angles.azimuth_deg, angles.elevation_deg, angles.range_m / 1e3)
    for value, printed in zip(found, (book.azimuth, book.elevation, book.range_km), strict=True):
        if printed is not None:
            assert value == pytest.approx(printed[0], abs=printed[1])


# The same places on WGS84 at sea level, by an independent calculation that agrees with pymap3d
# and astropy to the digits here: site, slot, azimuth, elevation, range in km.
ON_WGS84 = [
    (35.0, -100.0, -90.0, 162.8981, 47.9910, 37202.64),
    (45.0, -90.0, -101.0, 195.3814, 37.0514, 38005.27),
    (52.0, 0.0, 66.0, 109.3057, 5.8664, 41028.80),
    (60.0, 0.0, 20.0, 157.1931, 19.8744, None),
    (30.0, -60.0, -105.0, 243.4634, 30.2661, 38584.78),
    (35.0, -90.0, -83.0, 167.9073, 48.6902, None),
    (40.5, -70.2, -127.0, 247.0042, 16.2712, 39926.41),
    (-20.0, -30.0, 30.0, 78.8505, 19.8488, 39568.38),
    (0.0, 0.0, 10.0, 90.0, 78.23209, 35900.020),
    (32.74333, -106.27694, -99.0, 166.70542, 51.12325, 37003.096),
]


@pytest.mark.parametrize("row", ON_WGS84)
def test_places_on_the_ellipsoid_agree_with_other_calculations(
    row: tuple[float, float, float, float, float, float | None],
) -> None:
    latitude, longitude, slot, azimuth, elevation, range_km = row
    angles = look_angles(Site(latitude, longitude), slot)
    assert angles.azimuth_deg == pytest.approx(azimuth, abs=1e-4)
    assert angles.elevation_deg == pytest.approx(elevation, abs=1e-4)
    if range_km is not None:
        assert angles.range_m / 1e3 == pytest.approx(range_km, abs=0.01)


# Roddy, 4th ed., Table 3.1: the quadrant from the triangle's angle A.
@pytest.mark.parametrize(
    ("latitude", "ahead", "azimuth_of"),
    [
        (40.0, 25.0, lambda a: 180 - a),
        (40.0, -25.0, lambda a: 180 + a),
        (-40.0, 25.0, lambda a: a),
        (-40.0, -25.0, lambda a: 360 - a),
    ],
)
def test_azimuth_falls_into_the_quadrant_of_the_book(
    latitude: float, ahead: float, azimuth_of: Callable[[float], float]
) -> None:
    beta_rad = np.arccos(np.cos(np.radians(latitude)) * np.cos(np.radians(ahead)))
    triangle_deg = np.degrees(np.arcsin(np.sin(np.radians(abs(ahead))) / np.sin(beta_rad)))
    angles = look_angles(Site(latitude, 7.0), 7.0 + ahead, earth=RODDY)
    assert angles.azimuth_deg == pytest.approx(azimuth_of(triangle_deg), abs=1e-9)


@quick
@given(latitudes, longitudes, offsets)
def test_a_sphere_obeys_its_own_trigonometry(
    latitude: float, longitude: float, ahead: float
) -> None:
    # Roddy, 4th ed., eqs 3.10 and 3.11: range and elevation from the angle at the earth's centre.
    near, far = RODDY.equatorial_radius_m, RODDY.geostationary_radius_m
    cosine = np.cos(np.radians(latitude)) * np.cos(np.radians(ahead))
    range_m = np.sqrt(near**2 + far**2 - 2 * near * far * cosine)
    angles = look_angles(Site(latitude, longitude), longitude + ahead, earth=RODDY)
    assert angles.range_m == pytest.approx(range_m, rel=1e-12)
    assert np.sin(np.radians(angles.elevation_deg)) == pytest.approx(
        (far * cosine - near) / range_m, abs=1e-12
    )


def grid() -> tuple[Site, NDArray[np.float64]]:
    latitudes = np.array([-80.0, -66.0, -45.1, -12.0, -0.5, 0.5, 23.0, 38.0, 52.6, 74.0])
    longitudes = np.array([-179.9, -120.0, -0.3, 0.3, 77.0, 169.4, 179.9])
    heights = np.array([0.0, 280.0, 3000.0])
    slots = np.array([-179.5, -140.0, -90.0, -30.5, 0.0, 19.2, 75.0, 124.0, 160.0, 180.0])
    latitude, longitude, height, slot = np.meshgrid(latitudes, longitudes, heights, slots)
    return Site(latitude.ravel(), longitude.ravel(), height.ravel()), slot.ravel()


def across_deg(
    first: NDArray[np.float64], second: NDArray[np.float64], elevation: NDArray[np.float64]
) -> NDArray[np.float64]:
    turn = np.abs((first - second + 180) % 360 - 180)
    return np.asarray(turn * np.cos(np.radians(elevation)))


def test_both_hemispheres_and_the_date_line_agree_with_pymap3d() -> None:
    site, slots = grid()
    altitude_m = WGS84.geostationary_radius_m - WGS84.equatorial_radius_m
    place = pymap3d.geodetic2ecef(np.zeros_like(slots), slots, altitude_m)
    azimuth, elevation, range_m = pymap3d.ecef2aer(
        *place, site.latitude_deg, site.longitude_deg, site.height_m
    )
    angles = look_angles(site, slots)
    assert across_deg(angles.azimuth_deg, azimuth, elevation).max() < 1e-4
    assert np.abs(angles.elevation_deg - elevation).max() < 1e-4
    assert np.abs(angles.range_m - range_m).max() < 0.01


def test_both_hemispheres_and_the_date_line_agree_with_astropy() -> None:
    site, slots = grid()
    place = EarthLocation.from_geodetic(
        site.longitude_deg * units.deg, site.latitude_deg * units.deg, site.height_m * units.m
    )
    slots_rad = np.radians(slots)
    satellite = CartesianRepresentation(
        *(
            WGS84.geostationary_radius_m
            * np.array([np.cos(slots_rad), np.sin(slots_rad), 0 * slots])
        ),
        unit=units.m,
    )
    when = Time("2025-03-04T12:00:00")
    seen = ITRS(satellite - place.get_itrs(when).cartesian, obstime=when, location=place)
    sky = seen.transform_to(AltAz(obstime=when, location=place))
    angles = look_angles(site, slots)
    elevation = sky.alt.to_value(units.deg)
    assert across_deg(angles.azimuth_deg, sky.az.to_value(units.deg), elevation).max() < 1e-4
    assert np.abs(angles.elevation_deg - elevation).max() < 1e-4
    assert np.abs(angles.range_m - sky.distance.to_value(units.m)).max() < 0.01


@quick
@given(latitudes, longitudes, offsets)
def test_south_is_north_in_a_mirror(latitude: float, longitude: float, ahead: float) -> None:
    slot = longitude + ahead
    north, south = (look_angles(Site(sign * latitude, longitude), slot) for sign in (1, -1))
    assert south.elevation_deg == pytest.approx(north.elevation_deg, abs=1e-9)
    assert south.range_m == pytest.approx(north.range_m, abs=1e-3)
    mirrored = np.cos(np.radians([180 - north.azimuth_deg, south.azimuth_deg]))
    if abs(latitude) > 1e-6:  # on the equator both look along it, and the mirror turns rounding
        assert mirrored[0] == pytest.approx(mirrored[1], abs=1e-6)


@quick
@given(latitudes, longitudes, offsets)
def test_west_is_east_in_a_mirror(latitude: float, longitude: float, ahead: float) -> None:
    site = Site(latitude, longitude)
    east, west = satellite_enu_m(site, [longitude + ahead, longitude - ahead]).east_m
    assert east == pytest.approx(-west, abs=1e-3)
    one, other = look_angles(site, [longitude + ahead, longitude - ahead]).elevation_deg
    assert one == pytest.approx(other, abs=1e-9)


@quick
@given(latitudes, longitudes, offsets)
def test_a_slot_one_turn_on_is_the_same_slot(
    latitude: float, longitude: float, ahead: float
) -> None:
    site = Site(latitude, longitude)
    once = satellite_enu_m(site, longitude + ahead)
    again = satellite_enu_m(site, longitude + ahead + 360)
    assert again.east_m == pytest.approx(once.east_m, abs=1e-4)
    assert again.up_m == pytest.approx(once.up_m, abs=1e-4)


@quick
@given(latitudes, longitudes)
def test_satellites_stand_lower_the_farther_they_are_from_the_meridian(
    latitude: float, longitude: float
) -> None:
    elevation = look_angles(Site(latitude, longitude), longitude + np.linspace(0, 180, 400))
    assert np.all(np.diff(elevation.elevation_deg) < 0)


@quick
@given(latitudes, longitudes, offsets)
def test_angles_and_vector_are_the_same_direction(
    latitude: float, longitude: float, ahead: float
) -> None:
    site = Site(latitude, longitude)
    view = satellite_enu_m(site, longitude + ahead)
    angles = look_angles(site, longitude + ahead)
    azimuth, elevation = np.radians(angles.azimuth_deg), np.radians(angles.elevation_deg)
    assert angles.range_m * np.cos(elevation) * np.sin(azimuth) == pytest.approx(
        view.east_m, abs=1e-2
    )
    assert angles.range_m * np.cos(elevation) * np.cos(azimuth) == pytest.approx(
        view.north_m, abs=1e-2
    )
    assert angles.range_m * np.sin(elevation) == pytest.approx(view.up_m, abs=1e-2)


@quick
@given(latitudes, longitudes, st.floats(min_value=-400, max_value=400))
def test_azimuth_stays_within_one_turn(latitude: float, longitude: float, slot: float) -> None:
    azimuth = look_angles(Site(latitude, longitude), slot).azimuth_deg
    assert 0 <= azimuth < 360


@pytest.mark.parametrize(("latitude", "azimuth"), [(-45.1, 0.0), (52.6, 180.0)])
def test_the_meridian_is_exactly_north_or_south(latitude: float, azimuth: float) -> None:
    assert look_angles(Site(latitude, 169.4), 169.4).azimuth_deg == azimuth


def test_a_hair_west_of_north_is_no_full_turn() -> None:
    view = EastNorthUp(np.array(-1e-12), np.array(4e7), np.array(1e7))
    assert angles_of(view).azimuth_deg == 0.0


def test_overhead_is_overhead() -> None:
    angles = look_angles(Site(0, 30), 30)
    assert angles.elevation_deg == pytest.approx(90, abs=1e-9)
    assert angles.range_m == pytest.approx(35_786_033, abs=1)  # 35 786.03 km over the equator


def test_height_brings_the_satellite_nearer() -> None:
    low, high = (look_angles(Site(0, 30, height), 30).range_m for height in (0, 1000))
    assert low - high == pytest.approx(1000, abs=1e-6)


def test_an_unknown_slot_has_unknown_angles() -> None:
    elevation = look_angles(Site(-45.1, 169.4), [160.0, np.nan]).elevation_deg
    assert np.isfinite(elevation[0])
    assert np.isnan(elevation[1])


SHAPES = [((), ()), ((), (3,)), ((3,), ()), ((4, 1), (3,)), ((1, 3), (4, 1)), ((2, 1, 1), (4, 3))]


@pytest.mark.parametrize(("site_shape", "slot_shape"), SHAPES)
@pytest.mark.parametrize("block", [1, 5, 10_000])
def test_many_at_once_are_the_same_as_one_by_one(
    site_shape: tuple[int, ...],
    slot_shape: tuple[int, ...],
    block: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(earth_module, "_BLOCK", block)
    chance = np.random.default_rng(3)
    latitude = chance.uniform(-70, 70, site_shape)
    slots = chance.uniform(-180, 180, slot_shape)
    site = Site(latitude, 169.4, 280.0)
    shape = np.broadcast_shapes(site_shape, slot_shape)
    angles, view = look_angles(site, slots), satellite_enu_m(site, slots)
    for array in (angles.azimuth_deg, angles.elevation_deg, angles.range_m):
        assert array.shape == shape
    assert view.east_m.shape == view.north_m.shape == view.up_m.shape == shape
    for place, one, slot in zip(
        np.ndindex(shape),
        np.broadcast_to(latitude, shape).flat,
        np.broadcast_to(slots, shape).flat,
        strict=True,
    ):
        alone = look_angles(Site(float(one), 169.4, 280.0), float(slot))
        assert angles.azimuth_deg[place] == pytest.approx(alone.azimuth_deg, abs=1e-9)
        assert angles.elevation_deg[place] == pytest.approx(alone.elevation_deg, abs=1e-9)
        assert angles.range_m[place] == pytest.approx(alone.range_m, abs=1e-3)


def test_a_field_that_is_an_array_alone_gives_the_shape() -> None:
    assert look_angles(Site(45, 7, np.array([0.0, 100.0])), 10).range_m.shape == (2,)
    assert satellite_enu_m(Site(45, 7, np.array([0.0, 100.0])), 10).east_m.shape == (2,)


def test_no_slots_have_no_angles() -> None:
    assert look_angles(Site(45, 7), []).azimuth_deg.shape == (0,)
