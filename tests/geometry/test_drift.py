"""Whether the mount has moved: yards of turned vectors that are moved between two days."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from controller.errors import GeometryError
from controller.geometry.drift import DatedPeak, Drift, Move, drift
from controller.geometry.fit import fit
from controller.geometry.priors import Reference
from tests.benchmarks.pointing import Sky, draw, spread
from tests.geometry.calibration import BIRDS, DOWNS, peaked
from tests.random_yards import Yard

LATER_DAY = 120.0


def peaks(sky: Sky, count: int, chance: np.random.Generator, day: float) -> list[DatedPeak]:
    at = spread(len(sky.slot_deg), count, chance)
    return [DatedPeak(sky.reference(int(i), chance), day) for i in at]


def shifted(after: list[DatedPeak], pulses: float) -> list[DatedPeak]:
    return [
        replace(p, reference=replace(p.reference, count_pulses=p.reference.count_pulses + pulses))
        for p in after
    ]


def story(
    seed: int,
    *,
    move: Callable[[Yard], Yard] = lambda yard: yard,
    pulses: float = 0.0,
    later: int = 4,
) -> tuple[Sky, Drift]:
    """Calibrate with six peaks, move the yard or the count, and peak some again."""
    chance = np.random.default_rng(seed)
    sky = draw(chance)
    before = peaks(sky, 6, chance, 0.0)
    moved = replace(sky, yard=move(sky.yard))
    after = shifted(peaks(moved, later, chance, LATER_DAY), pulses)
    limit = sky.yard.west_limit_pulses
    return moved, drift(sky.priors, [*after, *before], west_limit_pulses=limit)


def turned(yard: Yard) -> Yard:
    return replace(yard, azimuth_error_deg=yard.azimuth_error_deg + 1.5)


@pytest.mark.parametrize("seed", range(8))
def test_where_nothing_moved_nothing_is_found(seed: int) -> None:
    _, found = story(seed)
    assert not found.moved
    assert (found.finding, found.wrong) == (None, None)
    assert found.chance < 0.5
    assert found.text.startswith("nothing has moved that the peaks would show")


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("pulses", [-15.0, 15.0])
def test_slipped_sensor_is_found_with_its_pulses_and_its_day(seed: int, pulses: float) -> None:
    _, found = story(seed, pulses=pulses)
    assert found.moved
    assert found.finding is not None
    assert found.finding.move is Move.SLIPPED
    assert found.finding.amount == pytest.approx(pulses, abs=4 * found.finding.sigma)
    assert found.finding.sigma < 2
    assert found.finding.significance_sigmas > 5
    assert (found.finding.last_good_day, found.finding.first_bad_day) == (0.0, LATER_DAY)
    assert f"slipped by {found.finding.amount:+.2f} pulses" in found.text
    assert "after day 0 and up to day 120" in found.text


def test_two_moves_that_look_alike_are_not_told_apart_with_confidence() -> None:
    # In this yard a turn of the post shifts all counts by nearly the same.
    _, found = story(4, pulses=-15.0)
    assert found.moved
    assert found.finding is not None
    assert found.finding.share < 0.95
    assert "another move" in found.text


@pytest.mark.parametrize("seed", range(5))
def test_turned_post_is_told_from_a_slipped_sensor(seed: int) -> None:
    _, found = story(seed, move=turned)
    assert found.moved
    assert found.finding is not None
    assert found.finding.move is Move.TURNED
    assert found.finding.amount == pytest.approx(1.5, abs=4 * found.finding.sigma)
    assert "the post turned by +1." in found.text


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("what", ["slipped", "turned"])
def test_corrected_references_find_the_arc_of_today(seed: int, what: str) -> None:
    move = turned if what == "turned" else (lambda yard: yard)
    today, found = story(seed, move=move, pulses=20.0 if what == "slipped" else 0.0)
    model = fit(today.priors, found.corrected, west_limit_pulses=today.yard.west_limit_pulses)
    said = model.predict_many(today.slot_deg)
    right = today.yard.count_pulses(today.slot_deg) + (20.0 if what == "slipped" else 0.0)
    off_deg = np.abs(said.count_pulses - right) / today.yard.pulses_per_deg(today.slot_deg)
    assert model.suspects == ()
    assert np.percentile(off_deg, 95) < 0.3


def test_peaks_of_today_are_not_corrected() -> None:
    _, found = story(2, pulses=20.0)
    _, still = story(2, pulses=0.0)
    assert found.corrected[6:] != found.corrected[:4]
    for corrected, as_peaked in zip(found.corrected[:6], still.corrected[:6], strict=True):
        assert corrected.count_pulses == pytest.approx(as_peaked.count_pulses + 20, abs=5)
        assert corrected.sigma_pulses > as_peaked.sigma_pulses
    for corrected, as_peaked in zip(found.corrected[6:], still.corrected[6:], strict=True):
        assert corrected.count_pulses == pytest.approx(as_peaked.count_pulses + 20, abs=1e-9)
        assert corrected.sigma_pulses == as_peaked.sigma_pulses


@pytest.mark.parametrize("seed", range(4))
def test_one_peak_that_does_not_fit_may_be_wrong_or_a_move(seed: int) -> None:
    _, found = story(seed, pulses=25.0, later=1)
    assert not found.moved
    assert found.wrong is not None
    assert found.finding is not None
    assert f"either the peak of {found.wrong} is wrong or something moved" in found.text
    # The correction that one reference offers is there all the same.
    assert found.corrected[0].sigma_pulses > 1


def test_one_wrong_peak_among_later_good_ones_is_no_move() -> None:
    references = peaked(DOWNS, BIRDS)
    days = [DatedPeak(r, 0.0) for r in references]
    again = [DatedPeak(r, 50.0 + i) for i, r in enumerate(references)]
    again[2:3] = shifted(again[2:3], 30.0)
    found = drift(DOWNS, [*days, *again], west_limit_pulses=None)
    assert not found.moved
    assert (found.wrong, found.finding) == ("Curlew", None)
    assert found.text == "nothing has moved, but the peak of Curlew is wrong: peak it again"
    assert len(found.corrected) == 14


def test_day_of_the_move_is_found_between_the_peaks() -> None:
    references = peaked(DOWNS, BIRDS)
    first = [DatedPeak(r, 10.0 + i) for i, r in enumerate(references)]
    again = [DatedPeak(r, 20.0 + i) for i, r in enumerate(references)]
    found = drift(DOWNS, [*first, *again[:3], *shifted(again[3:], -12.0)], west_limit_pulses=None)
    assert found.finding is not None
    assert (found.finding.last_good_day, found.finding.first_bad_day) == (22.0, 23.0)


def test_order_in_which_peaks_are_given_does_not_matter() -> None:
    chance = np.random.default_rng(1)
    references = peaked(DOWNS, BIRDS)
    given = [DatedPeak(r, float(i)) for i, r in enumerate(references)]
    given += shifted([DatedPeak(r, 10.0 + i) for i, r in enumerate(references)], 9.0)
    mixed = [given[i] for i in chance.permutation(len(given))]
    one, other = (drift(DOWNS, p, west_limit_pulses=None) for p in (given, mixed))
    assert one == other


@pytest.mark.parametrize("days", [[], [3.0], [3.0, 3.0], [0.0, np.nan]])
def test_peaks_that_are_not_of_two_days_are_refused(days: list[float]) -> None:
    given = [DatedPeak(r, day) for r, day in zip(peaked(DOWNS, BIRDS), days, strict=False)]
    with pytest.raises(GeometryError, match="at least two different days"):
        drift(DOWNS, given, west_limit_pulses=None)


def test_impossible_reference_is_refused_here_too() -> None:
    bad = DatedPeak(Reference("Heron", 900.0, 120.0, 1.0), 0.0)
    good = DatedPeak(peaked(DOWNS, BIRDS)[2], 1.0)
    with pytest.raises(GeometryError, match="are slot and count swapped"):
        drift(DOWNS, [bad, good], west_limit_pulses=None)


def test_units_of_moves_are_those_of_their_words() -> None:
    assert {move: move.unit for move in Move} == {
        Move.SLIPPED: "pulses",
        Move.TURNED: "deg",
        Move.LEANING: "deg",
    }
