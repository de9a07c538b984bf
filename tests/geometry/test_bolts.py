"""Which bolt, which way: what it says is done to a yard of turned vectors."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import GeometryError
from controller.geometry.bolts import Bolt, BoltAdvice, Joint, Wedge, which_bolt
from controller.geometry.earth import format_slot, wrap_deg
from controller.geometry.model import Model
from controller.geometry.polar import minimax_setting
from controller.geometry.priors import Taped
from controller.geometry.stance import Inclination, Press
from tests.benchmarks.pointing import Sky, calibrated, draw, spread
from tests.geometry.test_stance import pressed, readings_at
from tests.random_yards import Yard, turned


def candidates(sky: Sky) -> list[float]:
    return [wrap_deg(float(slot)) for slot in sky.slot_deg[::6]]


def some_yard(seed: int) -> tuple[Sky, Model, list[Inclination]]:
    chance = np.random.default_rng(seed)
    sky = draw(chance)
    at = spread(len(sky.slot_deg), 6, chance)
    model, _ = calibrated(sky, at, chance)
    return sky, model, readings_at(sky, at, chance)


def obeyed(yard: Yard, advice: BoltAdvice) -> Yard:
    by = {c.joint: c.angle_deg if c.is_sure else 0.0 for c in advice.corrections}
    return replace(
        yard,
        azimuth_error_deg=yard.azimuth_error_deg + by[Joint.AZIMUTH],
        axis_elevation_deg=yard.axis_elevation_deg + by[Joint.AXIS],
        declination_deg=yard.declination_deg + by[Joint.DECLINATION],
    )


def test_turning_what_it_says_brings_the_beam_to_the_arc() -> None:
    chance = np.random.default_rng(1)
    before_deg, after_deg = [], []
    for seed in range(15):
        sky, model, readings = some_yard(seed)
        nudges = [
            pressed(sky, at, press, chance)
            for at in (0, len(sky.slot_deg) // 2, len(sky.slot_deg) - 1)
            for press in Press
        ]
        advice = which_bolt(model, candidates(sky), readings=readings, nudges=nudges)
        before_deg.append(sky.yard.off_deg(sky.slot_deg).max())
        after_deg.append(obeyed(sky.yard, advice).off_deg(sky.slot_deg).max())
    assert np.median(after_deg) < 0.2
    assert np.median(after_deg) < np.median(before_deg) / 3


@pytest.mark.parametrize("seed", range(4))
def test_arc_before_is_that_of_the_yard_within_its_sigma(seed: int) -> None:
    sky, model, readings = some_yard(seed)
    advice = which_bolt(model, candidates(sky), readings=readings)
    off = (advice.miss_before_deg - sky.yard.miss_deg(advice.slot_deg)) / advice.miss_sigma_deg
    assert np.abs(off).max() < 3
    assert (np.abs(advice.miss_after_deg) < np.abs(advice.miss_before_deg).max() + 0.01).all()


def test_pulses_alone_are_refused_and_the_best_readings_asked_for() -> None:
    sky, model, _ = some_yard(0)
    advice = which_bolt(model, candidates(sky))
    assert not advice.can_tell
    assert advice.corrections == ()
    assert "Pulses alone cannot tell" in advice.text
    assert len(advice.read_at_deg) == 3
    for slot_deg in advice.read_at_deg:
        assert format_slot(slot_deg) in advice.text
    np.testing.assert_array_equal(advice.miss_before_deg, advice.miss_after_deg)
    # Both ends and something between: only a wide swing tells the three angles apart.
    ends = {candidates(sky)[0], candidates(sky)[-1]}
    assert ends <= set(advice.read_at_deg)


def test_well_read_mount_is_not_read_again_but_pressed() -> None:
    sky, model, readings = some_yard(1)
    many = [replace(r, sigma_deg=0.02) for r in readings] * 3
    advice = which_bolt(model, candidates(sky), readings=many)
    assert advice.read_at_deg == ()
    assert advice.press_at_deg in candidates(sky)
    assert "press the rim up and down" in advice.text


def test_mount_that_stands_well_is_left_alone() -> None:
    chance = np.random.default_rng(2)
    sky = draw(chance)
    best = minimax_setting(sky.priors.site)
    yard = replace(
        sky.yard,
        azimuth_error_deg=0.0,
        axis_elevation_deg=float(best.axis_elevation_deg),
        declination_deg=float(best.declination_offset_deg),
        lean_east_deg=0.0,
        lean_north_deg=0.0,
        collimation_deg=0.0,
    )
    sky = replace(sky, yard=yard, slot_deg=yard.reachable())
    at = spread(len(sky.slot_deg), 6, chance)
    model, _ = calibrated(sky, at, chance)
    readings = readings_at(sky, at, chance, sigma_deg=1e-3)
    advice = which_bolt(model, candidates(sky), readings=readings)
    assert not any(c.is_sure for c in advice.corrections)
    assert "Nothing is far enough off to be sure of" in advice.text
    assert all(c.words.startswith("leave the") for c in advice.corrections)


# Way of the joint, the truth beside the best setting, and the words for the way back.
@pytest.mark.parametrize(
    ("joint", "field", "off_deg", "words"),
    [
        (Joint.AZIMUTH, "azimuth_error_deg", 1.5, "turn the mount anticlockwise, seen from above,"),
        (Joint.AZIMUTH, "azimuth_error_deg", -1.5, "turn the mount clockwise, seen from above,"),
        (Joint.AXIS, "axis_elevation_deg", 1.5, "lower the axis"),
        (Joint.AXIS, "axis_elevation_deg", -1.5, "raise the axis"),
        (Joint.DECLINATION, "declination_deg", 1.5, "close the declination bolt"),
        (Joint.DECLINATION, "declination_deg", -1.5, "open the declination bolt"),
    ],
)
@pytest.mark.parametrize("seed", [0, 3])
def test_words_name_the_bolt_and_the_way_back(
    joint: Joint, field: str, off_deg: float, words: str, seed: int
) -> None:
    chance = np.random.default_rng(seed)
    sky = draw(chance)
    best = minimax_setting(sky.priors.site)
    right = {
        "azimuth_error_deg": 0.0,
        "axis_elevation_deg": float(best.axis_elevation_deg),
        "declination_deg": float(best.declination_offset_deg),
    }
    plumb = replace(sky.yard, lean_east_deg=0.0, lean_north_deg=0.0, collimation_deg=0.0)
    yard = replace(plumb, **(right | {field: right[field] + off_deg}))  # type: ignore[arg-type]
    open_minded = {
        name: Taped(getattr(sky.priors, name).value, 2.0)
        for name in ("axis_azimuth_error_deg", "axis_elevation_deg", "declination_offset_deg")
    }
    priors = replace(sky.priors, **open_minded)  # type: ignore[arg-type]
    sky = replace(sky, yard=yard, priors=priors, slot_deg=yard.reachable())
    at = spread(len(sky.slot_deg), 7, chance)
    model, _ = calibrated(sky, at, chance)
    # With so fine an instrument the offset stands apart from the declination.
    readings = readings_at(sky, at, chance, sigma_deg=0.002)
    bolts = {joint: Bolt(1.75, 100.0)}
    advice = which_bolt(model, candidates(sky), readings=readings, bolts=bolts)
    found = next(c for c in advice.corrections if c.joint is joint)
    assert found.is_sure
    assert found.angle_deg == pytest.approx(-off_deg, abs=4 * found.sigma_deg)
    assert found.words.startswith(words)
    assert f"by {abs(found.angle_deg):.2f} deg" in found.words
    assert found.turns is not None
    assert found.turns == pytest.approx(found.angle_deg, rel=0.01)  # M12 at 100 mm: a turn a degree
    assert f"{abs(found.turns):.1f} turns of its bolt" in found.words
    assert found.words in advice.text


def test_without_a_configured_bolt_there_are_no_turns() -> None:
    sky, model, readings = some_yard(0)
    advice = which_bolt(model, candidates(sky), readings=readings)
    assert {c.turns for c in advice.corrections} == {None}
    assert "turns of" not in advice.text


def test_without_a_slot_in_reach_nothing_is_asked_for() -> None:
    _, model, _ = some_yard(0)
    advice = which_bolt(model, [])
    assert (advice.read_at_deg, advice.press_at_deg, len(advice.slot_deg)) == ((), None, 0)


# ISO metric coarse thread: M12 has a pitch of 1.75 mm, M10 1.5 mm (ISO 261, from memory).
@pytest.mark.parametrize(
    ("pitch_mm", "lever_mm", "angle_deg", "turns"),
    [(1.75, 100.0, 1.0, 0.9975), (1.5, 250.0, -0.5, -1.4545), (1.5, 250.0, 0.0, 0.0)],
)
def test_bolt_is_a_screw_on_a_lever(
    pitch_mm: float, lever_mm: float, angle_deg: float, turns: float
) -> None:
    assert Bolt(pitch_mm, lever_mm).turns(angle_deg) == pytest.approx(turns, abs=1e-4)


@pytest.mark.parametrize(("pitch_mm", "lever_mm"), [(0, 100), (1.75, 0), (np.nan, 100)])
def test_bolt_without_a_thread_or_lever_is_refused(pitch_mm: float, lever_mm: float) -> None:
    with pytest.raises(GeometryError, match="must both be above 0"):
        Bolt(pitch_mm, lever_mm)


@given(st.floats(min_value=1, max_value=20), st.floats(min_value=-1, max_value=1))
def test_wedge_turns_there_and_back(angle_deg: float, share: float) -> None:
    wedge, wanted_deg = Wedge(angle_deg), share * angle_deg
    turn_deg = wedge.turn_deg(wanted_deg)
    assert 0 <= turn_deg <= 180
    assert wedge.declination_offset_deg(turn_deg) == pytest.approx(wanted_deg, abs=1e-6)


@given(st.floats(min_value=1, max_value=20), st.floats(min_value=-180, max_value=180))
def test_wedge_is_a_tilted_plate_turned_about_its_normal(angle_deg: float, turn_deg: float) -> None:
    # x is the beam without the wedge, y is west, z the axis toward the pole.
    out, axis = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
    tilted = turned(out, np.array([0.0, 1.0, 0.0]), angle_deg)  # toward -z: the equator
    looks = turned(tilted, out, turn_deg)
    wedge = Wedge(angle_deg)
    assert wedge.declination_offset_deg(turn_deg) == pytest.approx(
        np.degrees(np.arcsin(-looks @ axis)), abs=1e-9
    )
    assert wedge.hour_angle_shift_deg(turn_deg) == pytest.approx(
        np.degrees(np.arctan2(looks[1], looks[0])), abs=1e-9
    )


def test_wedge_does_not_give_more_than_it_has() -> None:
    assert Wedge(8.0).turn_deg(8.0) == pytest.approx(0.0, abs=1e-6)
    assert Wedge(8.0).turn_deg(-8.0) == pytest.approx(180.0, abs=1e-6)
    with pytest.raises(GeometryError, match=r"8\.01 deg is more than the wedge has, 8 deg"):
        Wedge(8.0).turn_deg(8.01)


@pytest.mark.parametrize("angle_deg", [0.0, 45.0, np.nan])
def test_plate_that_is_no_wedge_is_refused(angle_deg: float) -> None:
    with pytest.raises(GeometryError, match="angle_deg must lie between 0 and 45"):
        Wedge(angle_deg)
