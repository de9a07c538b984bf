from math import asin, atan2, degrees

import pytest

from controller.bench.mount import Crookedness, Mount
from controller.bench.peaking import best_hour_angle_deg
from controller.bench.sky import Site, toward
from controller.bench.turning import Vector

# Recomputed on WGS84 by pymap3d's ecef2aer and by astropy's topocentric ITRS; the first two
# are Pratt, Bostian & Allnutt, "Satellite Communications", 2nd ed., Example 2.2.1, and
# Roddy, "Satellite Communications", 4th ed., Examples 3.1 and 3.2.
LOOK_ANGLES = [
    (52.0, 0.0, 66.0, 109.30567, 5.86644),
    (35.0, -100.0, -90.0, 162.89812, 47.99099),
    (0.0, 0.0, 10.0, 90.00000, 78.23209),
    (32.74333, -106.27694, -99.0, 166.70542, 51.12325),
]

# The modified mount over the arc above 5 degrees of elevation: latitude, half arc, mount hour
# angle at its edge, tilt, offset, residual. No published table is at hand; these come from
# minimising the greatest miss on WGS84 by closed formulas, which nothing here uses.
MODIFIED = [
    (10, 76.12, 84.65, 0.2463, 1.5083, 0.0017),
    (30, 74.18, 81.63, 0.6142, 4.3283, 0.0034),
    (45, 70.50, 76.48, 0.6962, 6.0987, 0.0025),
    (60, 61.85, 65.82, 0.5899, 7.4438, 0.0009),
    (70, 46.41, 48.64, 0.4313, 8.0637, 0.0002),
]

HEMISPHERES = [1, -1]


def azimuth_deg(v: Vector) -> float:
    return degrees(atan2(v[0], v[1])) % 360


def elevation_deg(v: Vector) -> float:
    return degrees(asin(v[2]))


@pytest.mark.parametrize(("lat", "lon", "slot", "azimuth", "elevation"), LOOK_ANGLES)
def test_satellites_stand_where_libraries_put_them(
    lat: float, lon: float, slot: float, azimuth: float, elevation: float
) -> None:
    v = toward(Site(latitude_deg=lat, longitude_deg=lon), slot)
    assert azimuth_deg(v) == pytest.approx(azimuth, abs=1e-4)
    assert elevation_deg(v) == pytest.approx(elevation, abs=1e-4)


def test_site_stands_where_a_geodesy_library_puts_it() -> None:
    # pymap3d, tests/test_geodetic.py: geodetic 42, -82, 200 m.
    expected = (660675.2518247, -4700948.68316, 4245737.66222)
    site = Site(latitude_deg=42.0, longitude_deg=-82.0, height_m=200.0)
    assert site.geocentric_m() == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("hemisphere", HEMISPHERES)
@pytest.mark.parametrize("row", MODIFIED, ids=lambda row: f"lat {row[0]}")
def test_a_well_set_mount_misses_no_slot_by_more_than_the_residual(
    hemisphere: int, row: tuple[float, ...]
) -> None:
    lat, half, _, tilt, offset, residual = row
    site = Site(latitude_deg=hemisphere * lat, longitude_deg=170.0)
    mount = Mount(site, axis_elevation_deg=lat + tilt, declination_offset_deg=offset)
    slots = [site.longitude_deg + half * i / 6 for i in range(-6, 7)]
    misses = [mount.off_deg(best_hour_angle_deg(mount, slot), slot) for slot in slots]
    rounding_deg = 1.5e-4  # tilt and offset to four digits, residual too
    assert max(misses) == pytest.approx(residual, abs=rounding_deg)


@pytest.mark.parametrize("hemisphere", HEMISPHERES)
@pytest.mark.parametrize(("lat", "half", "hour"), [row[:3] for row in MODIFIED])
def test_hour_angle_grows_toward_west_and_faster_than_the_slot(
    hemisphere: int, lat: float, half: float, hour: float
) -> None:
    site = Site(latitude_deg=hemisphere * lat, longitude_deg=-175.0)
    mount = Mount(site, axis_elevation_deg=lat, declination_offset_deg=6.0)
    rounding_deg = 0.015  # half arc and hour angle are printed to 0.01
    west = best_hour_angle_deg(mount, site.longitude_deg - half)
    east = best_hour_angle_deg(mount, site.longitude_deg + half)
    assert west == pytest.approx(hour, abs=rounding_deg)
    assert east == pytest.approx(-hour, abs=rounding_deg)


@pytest.mark.parametrize(("lat", "faces"), [(52.6, 180.0), (-45.1, 0.0)])
def test_the_dish_at_its_highest_point_faces_the_equator(lat: float, faces: float) -> None:
    site = Site(latitude_deg=lat, longitude_deg=0.0)
    mount = Mount(site, axis_elevation_deg=abs(lat), declination_offset_deg=0.0)
    assert azimuth_deg(mount.beam(0.0)) == pytest.approx(faces, abs=1e-9)
    assert elevation_deg(mount.beam(0.0)) == pytest.approx(90 - abs(lat), abs=1e-9)


def beam_of(lat: float, crooked: Crookedness) -> Vector:
    site = Site(latitude_deg=lat, longitude_deg=0.0)
    mount = Mount(site, axis_elevation_deg=abs(lat), declination_offset_deg=0.0, crooked=crooked)
    return mount.beam(0.0)


@pytest.mark.parametrize(("lat", "faces"), [(52.6, 180.0), (-45.1, 0.0)])
def test_a_turned_axis_turns_the_beam_clockwise(lat: float, faces: float) -> None:
    beam = beam_of(lat, Crookedness(axis_azimuth_deg=1.5))
    assert azimuth_deg(beam) == pytest.approx(faces + 1.5, abs=1e-9)


@pytest.mark.parametrize("lat", [52.6, -45.1])
@pytest.mark.parametrize(
    ("crooked", "raises"),
    [
        (Crookedness(axis_elevation_deg=1.0), -1.0),
        (Crookedness(declination_deg=1.0), -1.0),
    ],
)
def test_steep_axis_and_bent_dish_lower_the_beam(
    lat: float, crooked: Crookedness, raises: float
) -> None:
    level_deg = 90 - abs(lat)
    assert elevation_deg(beam_of(lat, crooked)) == pytest.approx(level_deg + raises, abs=1e-9)


@pytest.mark.parametrize(("lat", "raises"), [(52.6, 2.0), (-45.1, -2.0)])
def test_a_post_that_leans_north_lifts_what_looks_south(lat: float, raises: float) -> None:
    beam = beam_of(lat, Crookedness(post_leans_north_deg=2.0))
    assert elevation_deg(beam) == pytest.approx(90 - abs(lat) + raises, abs=1e-9)


@pytest.mark.parametrize("lat", [52.6, -45.1])
def test_collimation_and_leaning_east_move_the_beam_aside(lat: float) -> None:
    assert beam_of(lat, Crookedness(collimation_deg=1.0))[0] < -0.01  # west
    assert beam_of(lat, Crookedness(post_leans_east_deg=1.0))[0] > 0.005
