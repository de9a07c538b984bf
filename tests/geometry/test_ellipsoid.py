import numpy as np
import pytest

from controller.errors import GeometryError
from controller.geometry.ellipsoid import WGS84, Earth, Site

# NIMA TR8350.2 (NGA.STND.0036), the printed figures.
A_M, B_M, E_SQUARED = 6_378_137.0, 6_356_752.3142, 6.694_379_990_14e-3
GM_M3_PER_S2, TURN_RAD_PER_S = 3.986004418e14, 7.292115e-5
printed_m = 5e-5  # four decimals


def test_equator_and_pole_have_the_published_radii() -> None:
    assert WGS84.meridian_m(0.0, 0.0).from_axis_m == A_M
    assert WGS84.meridian_m(90.0, 0.0).from_equator_m == pytest.approx(B_M, abs=printed_m)


def test_flattening_gives_the_published_eccentricity() -> None:
    squared = WGS84.flattening * (2 - WGS84.flattening)
    assert squared == pytest.approx(E_SQUARED, abs=5e-15)


def test_satellites_go_around_once_a_turn_of_the_earth() -> None:
    radius_m = (GM_M3_PER_S2 / TURN_RAD_PER_S**2) ** (1 / 3)
    # 42 164.1729 km from these constants; 42 164.17 is the rounded figure in use.
    assert WGS84.geostationary_radius_m == round(radius_m, -1) == 42_164_170


# pymap3d 3.2.0, tests/test_geodetic.py and tests/test_aer.py, as published there.
PLACE = (42.0, -82.0, 200.0)
PLACE_ECEF_M = (660675.2518247, -4700948.68316, 4245737.66222)
SEEN_ECEF_M = (660930.19276, -4701424.22296, 4246579.60463)
SEEN_ENU_M = (186.2775, 286.8422, 939.6926)


def test_a_published_place_has_its_published_coordinates() -> None:
    latitude_deg, longitude_deg, height_m = PLACE
    place = WGS84.meridian_m(latitude_deg, height_m)
    x_m = place.from_axis_m * np.cos(np.radians(longitude_deg))
    y_m = place.from_axis_m * np.sin(np.radians(longitude_deg))
    # Printed with five decimals and with seven.
    assert (x_m, y_m, place.from_equator_m) == pytest.approx(PLACE_ECEF_M, abs=1e-5)


def test_a_published_vector_turns_into_its_published_horizon() -> None:
    latitude_deg, longitude_deg, height_m = PLACE
    place = WGS84.meridian_m(latitude_deg, height_m)
    turn_rad = np.radians(longitude_deg)
    outward_m = SEEN_ECEF_M[0] * np.cos(turn_rad) + SEEN_ECEF_M[1] * np.sin(turn_rad)
    north_m, up_m = place.north_up_m(
        outward_m - place.from_axis_m, SEEN_ECEF_M[2] - place.from_equator_m
    )
    assert (north_m, up_m) == pytest.approx(SEEN_ENU_M[1:], abs=1e-4)


def test_a_sphere_is_round() -> None:
    place = Earth.sphere(6371e3).meridian_m(30.0, 0.0)
    assert place.from_axis_m == pytest.approx(6371e3 * np.sqrt(3) / 2, rel=1e-15)
    assert place.from_equator_m == pytest.approx(6371e3 / 2, rel=1e-15)


def test_height_is_counted_along_the_vertical() -> None:
    low, high = WGS84.meridian_m(-45.0, 0.0), WGS84.meridian_m(-45.0, 1000.0)
    rise_m = (high.from_axis_m - low.from_axis_m, high.from_equator_m - low.from_equator_m)
    assert rise_m == pytest.approx((1000 / np.sqrt(2), -1000 / np.sqrt(2)), abs=1e-8)


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "height_m"),
    [
        (89.999, 0.0, 0.0),
        (-89.999, 0.0, 0.0),
        (0.0, 180.0, 0.0),
        (0.0, -180.0, 0.0),
        (0.0, 0.0, -500.0),
        (0.0, 0.0, 9000.0),
        (45, 170, 280),
    ],
)
def test_a_place_on_the_ground_is_accepted(
    latitude_deg: float, longitude_deg: float, height_m: float
) -> None:
    site = Site(latitude_deg, longitude_deg, height_m)
    assert (site.latitude_deg, site.longitude_deg) == (latitude_deg, longitude_deg)


def test_a_place_without_a_height_lies_on_the_ellipsoid() -> None:
    assert Site(45.0, 170.0).height_m == 0


@pytest.mark.parametrize(
    ("place", "message"),
    [
        (
            (90.0, 0.0, 0.0),
            r"latitude_deg must lie between -90 and 90 \(south negative\), poles excluded, not 90$",
        ),
        ((-90.0, 0.0, 0.0), r"not -90$"),
        ((169.4, -45.1, 280.0), r"latitude_deg .* not 169.4$"),
        ((float("nan"), 0.0, 0.0), r"latitude_deg .* not nan$"),
        (
            (0.0, 180.001, 0.0),
            r"longitude_deg must lie from -180 to 180 \(west negative\), not 180.001$",
        ),
        ((0.0, -180.001, 0.0), r"longitude_deg .* not -180.001$"),
        ((0.0, float("nan"), 0.0), r"longitude_deg .* not nan$"),
        ((0.0, 0.0, -500.1), r"height_m must lie from -500 to 9000, in metres, not -500.1$"),
        ((0.0, 0.0, 9000.1), r"height_m .* not 9000.1$"),
        ((0.0, 0.0, float("inf")), r"height_m .* not inf$"),
        ((0.0, 0.0, float("nan")), r"height_m .* not nan$"),
    ],
)
def test_no_place_to_put_a_dish_is_refused(place: tuple[float, float, float], message: str) -> None:
    with pytest.raises(GeometryError, match=message):
        Site(*place)


def test_one_bad_place_among_many_is_named() -> None:
    with pytest.raises(GeometryError, match=r"not 95$"):
        Site(np.array([10.0, 95.0, 20.0]), 0.0)


@pytest.mark.parametrize(
    ("radius_m", "flattening", "orbit_m", "message"),
    [
        (0.0, 0.0, 42e6, "greater than the earth's"),
        (42e6, 0.0, 42e6, "greater than the earth's"),
        (6e6, 0.0, float("inf"), "greater than the earth's"),
        (6e6, -0.1, 42e6, "flattening must be at least 0 and below 1, not -0.1"),
        (6e6, 1.0, 42e6, "flattening must be at least 0 and below 1, not 1"),
        (6e6, float("nan"), 42e6, "not nan"),
    ],
)
def test_an_impossible_earth_is_refused(
    radius_m: float, flattening: float, orbit_m: float, message: str
) -> None:
    with pytest.raises(GeometryError, match=message):
        Earth(radius_m, flattening, orbit_m)


def test_the_thinnest_possible_earth_is_accepted() -> None:
    assert Earth(1.0, 0.0, 1.1).flattening == 0.0
