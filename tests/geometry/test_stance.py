"""How the mount stands, from readings and presses that turned vectors made."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from controller.errors import GeometryError
from controller.geometry.bolts import which_bolt
from controller.geometry.earth import wrap_deg
from controller.geometry.mount import Mount
from controller.geometry.stance import (
    OFFSET_SIGMA_DEG,
    Change,
    Inclination,
    Nudge,
    Press,
    Stance,
    beam_elevation_deg,
    by_pulses,
    sharpened,
    stance,
)
from tests.benchmarks.pointing import Sky, calibrated, draw, spread

OFFSET_DEG = 1.7
Array = npt.NDArray[np.float64]


def plumb_sky(chance: np.random.Generator) -> Sky:
    sky = draw(chance)
    yard = replace(sky.yard, lean_east_deg=0.0, lean_north_deg=0.0, collimation_deg=0.0)
    return replace(sky, yard=yard, slot_deg=yard.reachable())


def readings_at(
    sky: Sky, at: npt.NDArray[np.int_], chance: np.random.Generator, *, sigma_deg: float = 0.05
) -> list[Inclination]:
    elevations_deg = sky.yard.beam_elevation_deg(sky.slot_deg[at]) + OFFSET_DEG
    noise_deg = chance.normal(0, sigma_deg, len(at))
    return [
        Inclination(wrap_deg(float(slot)), float(value), sigma_deg)
        for slot, value in zip(sky.slot_deg[at], elevations_deg + noise_deg, strict=True)
    ]


def pressed(sky: Sky, at: int, press: Press, chance: np.random.Generator) -> Nudge:
    slot_deg, beam = sky.slot_deg[at], 1.75
    miss_deg = float(sky.yard.miss_deg(sky.slot_deg[[at]])[0])
    lost_db = 12 * ((miss_deg + press.value * 0.3) ** 2 - miss_deg**2) / beam**2
    seen_db = lost_db + chance.normal(0, 0.1)
    change = Change.WORSE if seen_db > 0.2 else Change.BETTER if seen_db < -0.2 else Change.SAME
    return Nudge(wrap_deg(float(slot_deg)), press, change)


def truth_of(sky: Sky) -> Array:
    yard = sky.yard
    return np.array([yard.azimuth_error_deg, yard.axis_elevation_deg, yard.declination_deg])


@pytest.mark.parametrize("seed", range(6))
def test_beam_is_as_high_as_turned_vectors_say(seed: int) -> None:
    yard = plumb_sky(np.random.default_rng(seed)).yard
    sky = plumb_sky(np.random.default_rng(seed))
    mount = Mount(
        site=sky.priors.site,
        axis_elevation_deg=yard.axis_elevation_deg,
        axis_azimuth_error_deg=yard.azimuth_error_deg,
        declination_offset_deg=yard.declination_deg,
    )
    np.testing.assert_allclose(
        beam_elevation_deg(mount, sky.slot_deg), yard.beam_elevation_deg(sky.slot_deg), atol=1e-6
    )


def errors_in_sigmas(known: Stance, sky: Sky) -> Array:
    sigma = np.sqrt(np.diag(known.covariance))[:3]
    return np.asarray((known.values[:3] - truth_of(sky)) / sigma)


def test_readings_with_an_unknown_offset_find_the_mount_within_its_sigmas() -> None:
    chance = np.random.default_rng(3)
    off, azimuth_sigmas_deg = [], []
    for _ in range(25):
        sky = plumb_sky(chance)
        at = spread(len(sky.slot_deg), 6, chance)
        model, _ = calibrated(sky, at, chance)
        known = stance(model, readings=readings_at(sky, at, chance))
        off.append(errors_in_sigmas(known, sky))
        azimuth_sigmas_deg.append(known.errors["axis_azimuth_error_deg"].sigma)
        assert known.offset_deg == pytest.approx(OFFSET_DEG, abs=4 * known.covariance[3, 3] ** 0.5)
    rms = np.sqrt(np.mean(np.square(off), axis=0))
    assert ((rms > 0.5) & (rms < 1.5)).all()  # 25 yards: one sigma is a seventh
    assert np.median(azimuth_sigmas_deg) < 0.12  # of a prior of 1 deg


def test_presses_narrow_what_the_readings_left_and_stay_honest() -> None:
    chance = np.random.default_rng(4)
    off, narrower = [], []
    for _ in range(15):
        sky = plumb_sky(chance)
        at = spread(len(sky.slot_deg), 5, chance)
        model, _ = calibrated(sky, at, chance)
        readings = readings_at(sky, at, chance)
        presses = [pressed(sky, int(i), press, chance) for i in at[::2] for press in Press]
        read = stance(model, readings=readings)
        both = stance(model, readings=readings, nudges=presses)
        off.append(errors_in_sigmas(both, sky))
        narrower.append(np.trace(both.covariance[:3, :3]) / np.trace(read.covariance[:3, :3]))
    assert np.median(narrower) < 0.8
    assert np.sqrt(np.mean(np.square(off))) < 1.6


def test_presses_alone_find_the_side_on_which_the_satellite_stands() -> None:
    sky = plumb_sky(np.random.default_rng(5))
    at = spread(len(sky.slot_deg), 4, np.random.default_rng(5))
    model, _ = calibrated(sky, at, np.random.default_rng(5))
    slot_deg = wrap_deg(float(sky.slot_deg[at[1]]))
    before = stance(model).mount.miss_deg(slot_deg)
    up = stance(model, nudges=[Nudge(slot_deg, Press.UP, Change.BETTER)]).mount.miss_deg(slot_deg)
    down = stance(model, nudges=[Nudge(slot_deg, Press.DOWN, Change.BETTER)]).mount.miss_deg(
        slot_deg
    )
    # Better higher up: the satellite stands on the pole's side of the beam.
    assert up < before < down


def test_no_change_up_or_down_says_that_the_beam_is_on_the_satellite() -> None:
    sky = plumb_sky(np.random.default_rng(6))
    at = spread(len(sky.slot_deg), 4, np.random.default_rng(6))
    model, _ = calibrated(sky, at, np.random.default_rng(6))
    slot_deg = wrap_deg(float(sky.slot_deg[at[2]]))
    same = [Nudge(slot_deg, press, Change.WORSE) for press in Press]
    known = stance(model, nudges=same)
    assert abs(known.mount.miss_deg(slot_deg)) < 0.05
    assert known.miss_sigma_deg(np.array([slot_deg])) < 0.2


def some_model() -> tuple[Sky, Stance]:
    chance = np.random.default_rng(7)
    sky = plumb_sky(chance)
    model, _ = calibrated(sky, spread(len(sky.slot_deg), 5, chance), chance)
    return sky, by_pulses(model)


def test_pulses_alone_leave_the_azimuth_about_as_open_as_the_prior() -> None:
    sky, known = some_model()
    prior = sky.priors.axis_azimuth_error_deg.sigma
    assert known.errors["axis_azimuth_error_deg"].sigma > 0.7 * prior
    assert known.covariance[3, 3] == OFFSET_SIGMA_DEG**2
    assert known.offset_deg == 0.0


def test_announced_gain_of_readings_is_what_they_bring() -> None:
    chance = np.random.default_rng(8)
    sky = plumb_sky(chance)
    at = spread(len(sky.slot_deg), 5, chance)
    model, _ = calibrated(sky, at, chance)
    readings = readings_at(sky, at, chance, sigma_deg=0.1)
    slots = [r.slot_deg for r in readings]
    promised = sharpened(by_pulses(model), slots, sigma_deg=0.1)
    real = stance(model, readings=readings)
    probe = sky.slot_deg[::20]
    np.testing.assert_allclose(promised.miss_sigma_deg(probe), real.miss_sigma_deg(probe), rtol=0.1)


def test_same_presses_give_the_same_answer() -> None:
    chance = np.random.default_rng(9)
    sky = plumb_sky(chance)
    model, _ = calibrated(sky, spread(len(sky.slot_deg), 4, chance), chance)
    nudges = [Nudge(wrap_deg(float(sky.slot_deg[30])), Press.UP, Change.WORSE)]
    one, other = (stance(model, nudges=nudges) for _ in range(2))
    np.testing.assert_array_equal(one.values, other.values)


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (Inclination(np.nan, 30.0), "must be numbers"),
        (Inclination(150.0, np.inf), "must be numbers"),
        (Inclination(150.0, 90.1), "from -90 to 90 deg"),
        (Inclination(150.0, 30.0, 0.0), "sigma above 0, not 30 with 0"),
    ],
)
def test_impossible_reading_is_refused(reading: Inclination, said: str) -> None:
    chance = np.random.default_rng(10)
    sky = plumb_sky(chance)
    model, _ = calibrated(sky, spread(len(sky.slot_deg), 2, chance), chance)
    with pytest.raises(GeometryError, match=said):
        which_bolt(model, [], readings=[reading])


@pytest.mark.parametrize("push_deg", [0.0, -0.1, 1.76, np.nan])
def test_impossible_push_is_refused(push_deg: float) -> None:
    chance = np.random.default_rng(10)
    sky = plumb_sky(chance)
    model, _ = calibrated(sky, spread(len(sky.slot_deg), 2, chance), chance)
    with pytest.raises(GeometryError, match=r"push must be above 0 and at most .* 1\.75 deg"):
        stance(model, nudges=[Nudge(150.0, Press.UP, Change.SAME, push_deg)])
