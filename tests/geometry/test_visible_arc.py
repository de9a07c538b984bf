"""Which part of the arc a site sees, and how the satellites' polarisation leans there."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import GeometryError
from controller.geometry.earth import (
    WGS84,
    Earth,
    Site,
    half_span_deg,
    look_angles,
    polarisation_tilt_deg,
    visible,
    visible_span,
)

quick = settings(deadline=None, max_examples=100)
northern = st.floats(min_value=0.5, max_value=75)
latitudes = st.floats(min_value=-75, max_value=75)
longitudes = st.floats(min_value=-180, max_value=180)
offsets = st.floats(min_value=-70, max_value=70)
lowest = st.floats(min_value=0, max_value=5)

RODDY = Earth.sphere(6371e3, geostationary_radius_m=42164e3)
SPHERE = Earth.sphere(6378.137e3)


def test_the_arc_ends_where_the_book_says() -> None:
    # Roddy, Satellite Communications, Example 3.4 (3rd ed. p. 78, companion): -20 and -158 deg;
    # its intermediate values (S 8.657, b 76.343, B 69.159) lead to -20.101 and -158.419.
    span = visible_span(Site(48.42, -89.26), minimum_elevation_deg=5, earth=RODDY)
    assert (span.west_deg, span.east_deg) == pytest.approx((-158, -20), abs=0.5)
    assert (span.west_deg, span.east_deg) == pytest.approx((-158.419, -20.101), abs=1e-3)


def test_the_greatest_difference_of_longitudes_is_the_published_one() -> None:
    # Roddy, 4th ed., p. 87: +-81.3 deg on the equator, arccos(6378 / 42164).
    earth = Earth.sphere(6378e3, geostationary_radius_m=42164e3)
    half = half_span_deg(Site(0, 0), minimum_elevation_deg=0, earth=earth)
    assert half == pytest.approx(81.3, abs=0.05)
    assert half == pytest.approx(np.degrees(np.arccos(6378 / 42164)), abs=1e-9)


# Roddy's eqs 3.17-3.19 on the sphere 6378.137 / 42164.17: latitude, elevation 0, elevation 5.
@pytest.mark.parametrize(
    ("latitude", "at_0", "at_5"),
    [
        (0, 81.300, 76.333),
        (20, 80.736, 75.437),
        (40, 78.611, 72.035),
        (50, 76.389, 68.433),
        (60, 72.390, 61.799),
        (70, 63.750, 46.304),
    ],
)
@pytest.mark.parametrize("side", [1, -1])
def test_half_of_the_arc_follows_the_book(
    latitude: float, at_0: float, at_5: float, side: int
) -> None:
    site = Site(side * latitude, 0)
    for elevation, expected in ((0.0, at_0), (5.0, at_5)):
        half = half_span_deg(site, minimum_elevation_deg=elevation, earth=SPHERE)
        assert half == pytest.approx(expected, abs=6e-4)


@quick
@given(latitudes, longitudes, lowest, st.floats(min_value=0, max_value=3000))
def test_satellites_at_the_ends_of_the_arc_stand_at_the_minimum_elevation(
    latitude: float, longitude: float, minimum: float, height: float
) -> None:
    site = Site(latitude, longitude, height)
    span = visible_span(site, minimum_elevation_deg=minimum)
    elevation = look_angles(site, [span.west_deg, span.east_deg]).elevation_deg
    assert elevation == pytest.approx([minimum, minimum], abs=1e-9)


@quick
@given(latitudes, longitudes, lowest)
def test_a_satellite_is_visible_inside_the_ends_and_not_outside(
    latitude: float, longitude: float, minimum: float
) -> None:
    site = Site(latitude, longitude)
    span = visible_span(site, minimum_elevation_deg=minimum)
    inside, outside = np.array([1e-6, -1e-6]), np.array([-1e-6, 1e-6])
    ends = np.array([span.west_deg, span.east_deg])
    slots = np.concatenate([ends + outside, ends + inside, [longitude]])
    seen = visible(site, slots, minimum_elevation_deg=minimum)
    assert seen.tolist() == [False, False, True, True, True]


def test_the_arc_runs_across_the_date_line() -> None:
    span = visible_span(Site(-45.1, 169.4), minimum_elevation_deg=5)
    assert -180 < span.east_deg < 0 < span.west_deg <= 180
    assert visible(Site(-45.1, 169.4), [180, -179.9, 179.9, -10]).tolist() == [True] * 3 + [False]


def test_a_satellite_at_exactly_the_minimum_elevation_is_visible() -> None:
    site = Site(52.6, 0.3)
    elevation = float(look_angles(site, 28.2).elevation_deg)
    assert visible(site, 28.2, minimum_elevation_deg=elevation)
    assert not visible(site, 28.2, minimum_elevation_deg=float(np.nextafter(elevation, 90)))


def test_the_horizon_is_the_limit_unless_said_otherwise() -> None:
    site = Site(52.6, 0.3)
    assert visible_span(site).west_deg == visible_span(site, minimum_elevation_deg=0).west_deg
    limit = 0.3 + float(half_span_deg(site, minimum_elevation_deg=0))
    assert visible(site, [limit - 1e-6, limit + 1e-6]).tolist() == [True, False]


def test_an_unknown_slot_is_not_visible() -> None:
    assert not visible(Site(52.6, 0.3), np.nan)


@pytest.mark.parametrize("latitude", [85.0, -85.0])
def test_a_site_that_sees_nothing_is_told_so(latitude: float) -> None:
    with pytest.raises(
        GeometryError,
        match=rf"no satellite stands 0 deg high at latitude {latitude:.2f}: "
        r"the highest one stands at -3\.\d\d deg .*near latitude 81.*lower the minimum elevation",
    ):
        visible_span(Site(latitude, 10))


def test_the_highest_satellite_decides_whether_anything_is_visible() -> None:
    best = float(look_angles(Site(75, 10), 10).elevation_deg)
    assert half_span_deg(Site(75, 10), minimum_elevation_deg=best - 1e-9) < 0.1
    with pytest.raises(GeometryError, match="no satellite"):
        half_span_deg(Site(75, 10), minimum_elevation_deg=best + 1e-9)


def test_the_site_that_sees_nothing_is_named_among_many() -> None:
    latitudes = np.array([10.0, 84.0, 85.0])
    with pytest.raises(GeometryError, match=r"at latitude 84\.00"):
        visible_span(Site(latitudes, 10))
    halves = half_span_deg(Site(latitudes[:1], 10), minimum_elevation_deg=0)
    assert halves.shape == (1,)


@pytest.mark.parametrize("minimum", [-0.1, 90.0, float("nan")])
def test_an_impossible_minimum_elevation_is_refused(minimum: float) -> None:
    with pytest.raises(GeometryError, match="minimum elevation must be at least 0 and below 90"):
        half_span_deg(Site(40, 0), minimum_elevation_deg=minimum)


# Tilt without its sign: latitude, site minus satellite; the simple rule atan(sin / tan)
# (Maral & Bousquet, from memory), the vector method on the sphere 6378.137 and on WGS84 by an
# independent calculation. 18, 32 is Roddy, 4th ed., Example 5.1: 58.617 (the companion's 58.67
# rounds its vectors to three digits).
TILTS = [
    (10, 10, 44.561, 44.588, 44.616),
    (18, 32, 58.485, 58.617, 58.636),
    (30, 20, 30.642, 30.768, 30.788),
    (40, 30, 30.790, 30.988, 31.003),
    (50, 40, 28.341, 28.581, 28.591),
    (60, 20, 11.170, 11.282, 11.286),
]


@pytest.mark.parametrize("row", TILTS)
@pytest.mark.parametrize("side", [1, -1])
def test_tilt_has_the_published_size(
    row: tuple[float, float, float, float, float], side: int
) -> None:
    latitude, westward, simple, on_sphere, on_wgs84 = row
    site = Site(side * latitude, 0)
    for slot in (-westward, westward):
        spherical = abs(polarisation_tilt_deg(site, slot, earth=SPHERE))
        assert spherical == pytest.approx(on_sphere, abs=1e-3)
        assert spherical == pytest.approx(simple, abs=0.35)
        assert abs(polarisation_tilt_deg(site, slot)) == pytest.approx(on_wgs84, abs=1e-3)


# Facing the satellite from behind the dish: in the north west is on the right hand, and the arc
# falls to the right there, so what stands upright on it leans clockwise. Common practice.
@pytest.mark.parametrize(
    ("latitude", "ahead", "sign"), [(45, -30, 1), (45, 30, -1), (-45, -30, -1), (-45, 30, 1)]
)
def test_tilt_is_positive_clockwise_from_behind_the_dish(
    latitude: float, ahead: float, sign: int
) -> None:
    assert np.sign(polarisation_tilt_deg(Site(latitude, 100), 100 + ahead)) == sign


@quick
@given(northern, longitudes, offsets)
def test_tilt_is_that_of_the_vector_method(latitude: float, longitude: float, ahead: float) -> None:
    # Roddy, 4th ed., eqs 5.10-5.16, in earth-fixed coordinates: k from satellite to site, e the
    # axis, r the vertical, f = k x r, h = (k x e) x k.
    slot = longitude + ahead
    east = np.radians(longitude)
    place = WGS84.meridian_m(latitude, 0.0)
    site = np.array(
        [place.from_axis_m * np.cos(east), place.from_axis_m * np.sin(east), place.from_equator_m]
    )
    vertical = np.array([place.cos * np.cos(east), place.cos * np.sin(east), place.sin])
    satellite = WGS84.geostationary_radius_m * np.array(
        [np.cos(np.radians(slot)), np.sin(np.radians(slot)), 0.0]
    )
    k, e = site - satellite, np.array([0.0, 0.0, 1.0])
    f = np.cross(k, vertical)
    h = np.cross(np.cross(k, e), k)
    size = np.degrees(np.arcsin(np.clip(h @ f / np.linalg.norm(h) / np.linalg.norm(f), -1, 1)))
    found = polarisation_tilt_deg(Site(latitude, longitude), slot)
    # An arcsine near 90 deg keeps half of the digits.
    assert abs(found) == pytest.approx(abs(size), abs=1e-5)


@quick
@given(northern, longitudes, offsets)
def test_tilt_changes_its_sign_in_either_mirror(
    latitude: float, longitude: float, ahead: float
) -> None:
    slots = np.array([longitude + ahead, longitude - ahead])
    north = polarisation_tilt_deg(Site(latitude, longitude), slots)
    south = polarisation_tilt_deg(Site(-latitude, longitude), slots)
    assert south == pytest.approx(-north, abs=1e-6)
    assert north[0] == pytest.approx(-north[1], abs=1e-6)
    assert np.all(np.abs(north) < 90)


@pytest.mark.parametrize("latitude", [-45.0, 45.0])
def test_a_satellite_on_the_meridian_stands_upright(latitude: float) -> None:
    assert str(polarisation_tilt_deg(Site(latitude, 10), 10)) == "0.0"  # and not -0.0


def test_on_the_equator_the_satellites_lie_on_their_side() -> None:
    tilt = polarisation_tilt_deg(Site(0, 10), [-20, 10, 40])
    assert tilt.tolist() == [90, 0, -90]
