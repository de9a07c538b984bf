"""A crooked mount: against turned vectors, against the settings of polar mounts, and back."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import GeometryError
from controller.geometry.earth import Site, half_span_deg, look_angles
from controller.geometry.mount import Mount
from controller.geometry.polar import minimax_setting, polar_angles
from tests.random_yards import Yard, random_yard

quick = settings(deadline=None, max_examples=60)
seeds = st.integers(min_value=0, max_value=2**31)


def mount_of(yard: Yard) -> Mount:
    return Mount(
        site=Site(yard.latitude_deg, yard.longitude_deg),
        axis_elevation_deg=yard.axis_elevation_deg,
        axis_azimuth_error_deg=yard.azimuth_error_deg,
        declination_offset_deg=yard.declination_deg,
    )


def plumb_yard(seed: int) -> Yard:
    yard = random_yard(np.random.default_rng(seed))
    return replace(yard, lean_east_deg=0.0, lean_north_deg=0.0, collimation_deg=0.0)


@quick
@given(seeds)
def test_hour_angle_is_where_turning_the_dish_finds_the_satellite(seed: int) -> None:
    yard = plumb_yard(seed)
    slots_deg = yard.reachable(step_deg=5)
    said_deg = mount_of(yard).hour_angle_deg(slots_deg)
    np.testing.assert_allclose(said_deg, yard.hour_angle_deg(slots_deg), atol=1e-7)


@quick
@given(seeds)
def test_miss_is_how_far_the_turned_beam_stays_away(seed: int) -> None:
    yard = plumb_yard(seed)
    slots_deg = yard.reachable(step_deg=5)
    np.testing.assert_allclose(
        np.abs(mount_of(yard).miss_deg(slots_deg)), yard.off_deg(slots_deg), atol=1e-6
    )


@pytest.mark.parametrize("latitude_deg", [-45.1, 52.6])
def test_miss_is_positive_where_the_satellite_stands_closer_to_the_equator(
    latitude_deg: float,
) -> None:
    # Too small a declination offset looks too high.
    site = Site(latitude_deg, 10.0)
    best = minimax_setting(site)
    low = Mount(
        site=site,
        axis_elevation_deg=best.axis_elevation_deg,
        declination_offset_deg=float(best.declination_offset_deg) - 0.5,
    )
    assert low.miss_deg(10.0) == pytest.approx(0.5, abs=0.01)


# Calculated apart from this program (WGS84, arc cut at 5 deg): latitude, half arc, hour angle
# there, lean of the axis, declination offset, residual.
@pytest.mark.parametrize(
    "row",
    [
        (20, 75.44, 83.56, 0.4601, 2.9667, 0.0030),
        (40, 72.05, 78.58, 0.6902, 5.5509, 0.0030),
        (60, 61.85, 65.82, 0.5899, 7.4438, 0.0009),
    ],
)
@pytest.mark.parametrize("pole", [1, -1])
def test_well_set_mount_follows_the_arc_as_tabled(row: tuple[float, ...], pole: int) -> None:
    latitude_deg, half_deg, edge_deg, lean_deg, offset_deg, residual_deg = row
    mount = Mount(
        site=Site(pole * latitude_deg, 0.0),
        axis_elevation_deg=latitude_deg + lean_deg,
        declination_offset_deg=offset_deg,
    )
    missed_deg = mount.miss_deg(np.linspace(-half_deg, half_deg, 201))
    assert np.abs(missed_deg).max() == pytest.approx(residual_deg, abs=0.0002)
    # The table's hour angle is about the earth's own axis; the lean hardly changes it at the edge.
    assert mount.hour_angle_deg(-half_deg) == pytest.approx(edge_deg, abs=0.1)


@pytest.mark.parametrize("latitude_deg", [-60.0, -0.1, 33.0])
def test_mount_without_errors_has_the_angles_of_a_true_polar_mount(latitude_deg: float) -> None:
    site = Site(latitude_deg, -20.0, 400.0)
    slots_deg = np.linspace(-80, 40, 13)
    true = polar_angles(site, slots_deg)
    swing = Mount(site=site, axis_elevation_deg=abs(latitude_deg)).swing(slots_deg)
    np.testing.assert_allclose(swing.hour_angle_deg, true.hour_angle_deg, atol=1e-9)
    np.testing.assert_allclose(swing.declination_deg, true.declination_offset_deg, atol=1e-9)


@pytest.mark.parametrize(
    ("latitude_deg", "west_azimuth"), [(-45.1, (180, 360)), (52.6, (180, 360))]
)
def test_hour_angle_grows_toward_west_in_both_hemispheres(
    latitude_deg: float, west_azimuth: tuple[float, float]
) -> None:
    site = Site(latitude_deg, 100.0)
    mount = Mount(site=site, axis_elevation_deg=abs(latitude_deg))
    assert mount.hour_angle_deg(60.0) > 0 > mount.hour_angle_deg(140.0)
    assert look_angles(site, 60.0).azimuth_deg > 180 > look_angles(site, 140.0).azimuth_deg


@quick
@given(seeds)
def test_hour_angle_leads_back_to_its_slot(seed: int) -> None:
    mount = mount_of(random_yard(np.random.default_rng(seed)))
    half_deg = float(half_span_deg(mount.site, minimum_elevation_deg=0.5))
    ahead_deg = np.linspace(-half_deg, half_deg, 15)
    back_deg = mount.slot_deg(mount.hour_angle_deg(mount.site.longitude_deg + ahead_deg))
    off_deg = (back_deg - mount.site.longitude_deg - ahead_deg + 180) % 360 - 180
    np.testing.assert_allclose(off_deg, 0, atol=1e-9)


@pytest.mark.parametrize("latitude_deg", [-45.1, 52.6])
def test_hour_angle_that_looks_into_the_ground_has_no_slot(latitude_deg: float) -> None:
    site = Site(latitude_deg, 0.0)
    mount = Mount(site=site, axis_elevation_deg=abs(latitude_deg) + 0.7)
    half_deg = float(half_span_deg(site, minimum_elevation_deg=0.0))
    above_deg, below_deg = mount.hour_angle_deg([-(half_deg - 0.01), -(half_deg + 0.01)])
    assert mount.slot_deg(above_deg) == pytest.approx(-(half_deg - 0.01), abs=1e-6)
    assert np.isnan(mount.slot_deg(below_deg))
    assert np.isnan(mount.slot_deg([150.0, 180.0, -150.0])).all()


@quick
@given(seeds)
def test_stated_slopes_are_the_actual_turns(seed: int) -> None:
    mount = mount_of(random_yard(np.random.default_rng(seed)))
    slots_deg = mount.site.longitude_deg + np.linspace(-60, 60, 9)
    swing, step_deg = mount.swing(slots_deg), 1e-4

    def moved(**by: float) -> np.ndarray:
        changed = {name: getattr(mount, name) + value for name, value in by.items()}
        return replace(mount, **changed).hour_angle_deg(slots_deg)

    for name, slope in (
        ("axis_azimuth_error_deg", swing.by_azimuth),
        ("axis_elevation_deg", swing.by_elevation),
    ):
        actual = (moved(**{name: step_deg}) - moved(**{name: -step_deg})) / (2 * step_deg)
        np.testing.assert_allclose(slope, actual, atol=1e-6)


def test_angles_of_the_mount_may_be_arrays() -> None:
    site = Site(-45.1, 169.4)
    azimuths_deg = np.array([[-1.0], [0.0], [2.0]])
    slots_deg = np.array([130.0, 160.0, -170.0])
    together = Mount(
        site=site, axis_elevation_deg=45.8, axis_azimuth_error_deg=azimuths_deg
    ).hour_angle_deg(slots_deg)
    assert together.shape == (3, 3)
    for row, azimuth_deg in zip(together, azimuths_deg.ravel(), strict=True):
        alone = Mount(site=site, axis_elevation_deg=45.8, axis_azimuth_error_deg=azimuth_deg)
        np.testing.assert_array_equal(row, alone.hour_angle_deg(slots_deg))


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"axis_elevation_deg": 120.0}, "axis_elevation_deg must lie between 0 and 90"),
        ({"axis_elevation_deg": np.nan}, "axis_elevation_deg must lie between 0 and 90"),
        ({"axis_azimuth_error_deg": 90.0}, "axis_azimuth_error_deg must lie between -90 and 90"),
        ({"axis_azimuth_error_deg": np.nan}, "axis_azimuth_error_deg must lie"),
        ({"declination_offset_deg": -90.0}, "declination_offset_deg must lie between -90 and 90"),
    ],
)
def test_what_no_mount_has_is_refused(changed: dict[str, float], said: str) -> None:
    with pytest.raises(GeometryError, match=said):
        Mount(site=Site(45.0, 0.0), **({"axis_elevation_deg": 45.0} | changed))
