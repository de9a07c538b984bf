"""The motor of these checks is integrated step by step, not by the formulas under trial."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.landing import Habit, Landing, LandingSettings, Stretch, cut_after_s
from controller.core.motion import Direction

HABIT = Habit(coast_s=0.2, coast_slow_s=0.2, rate_pulses_per_s=10.0, spin_up_s=0.125)
STEP_S = 1e-4


def integrated(habit: Habit, on_s: float) -> float:
    """Return the way until standstill of dv/dt = (V - v)/tau, then braking with v = -x/T."""
    v = x = t = 0.0
    while t < on_s:
        v += (habit.rate_pulses_per_s - v) / habit.spin_up_s * STEP_S
        x += v * STEP_S
        t += STEP_S
    return x + v * habit.coast_s


@pytest.mark.parametrize("on_s", [0.05, 0.2, 1.0, 3.0])
def test_the_reach_agrees_with_a_step_by_step_motor(on_s: float) -> None:
    assert HABIT.reach_pulses(on_s) == pytest.approx(integrated(HABIT, on_s), abs=0.02)


def test_far_from_the_start_the_lag_is_the_spin_up_time() -> None:
    assert HABIT.way_pulses(5.0) == pytest.approx(10.0 * (5.0 - 0.125))


def test_a_coast_goes_from_slow_to_full_in_a_straight_line() -> None:
    friction = replace(HABIT, coast_slow_s=0.0)
    assert friction.coast_pulses(10.0) == pytest.approx(2.0)
    assert friction.coast_pulses(5.0) == pytest.approx(0.5)  # a quarter at half speed
    assert HABIT.coast_pulses(5.0) == pytest.approx(1.0)
    assert friction.coast_pulses(12.0) == pytest.approx(2.4)


@given(st.floats(0.05, 500.0), st.floats(0.0, 3.0))
def test_the_cut_is_where_the_reach_meets_the_way_left(left: float, gone_s: float) -> None:
    cut_s = cut_after_s(HABIT, gone_s=gone_s, left_pulses=left)
    reached = HABIT.reach_pulses(cut_s) - HABIT.way_pulses(gone_s)
    if cut_s > gone_s:
        assert reached == pytest.approx(left, abs=1e-3)
    else:
        assert reached >= left


@pytest.mark.parametrize("left", [0.0, -3.0])
def test_with_no_way_left_it_cuts_at_once(left: float) -> None:
    assert cut_after_s(HABIT, gone_s=1.5, left_pulses=left) == 1.5


@pytest.mark.parametrize(
    ("closed", "low", "high"), [(True, 7.0, 7.25), (False, 7.25, 8.0), (None, 7.0, 8.0)]
)
def test_contact_and_count_bound_the_place(closed: bool | None, low: float, high: float) -> None:
    assert Stretch.of(7, closed, 0.25) == Stretch(low_pulses=low, high_pulses=high)


@pytest.mark.parametrize(
    ("place", "nearest"), [(6.0, 7.1), (7.0, 7.0), (7.5, 7.5), (8.0, 8.0), (9.0, 7.9)]
)
def test_an_estimate_moves_no_further_than_just_inside(place: float, nearest: float) -> None:
    stretch = Stretch(low_pulses=7.0, high_pulses=8.0)
    assert stretch.nearest_pulses(place) == pytest.approx(nearest)


def landed(landing: Landing, truth: Habit, target: int, at_s: float) -> tuple[int, float]:
    """Run one approach from 60 pulses east with a real motor; return the count it stops at."""
    start = float(target - 60) + 0.5
    rest = Stretch(low_pulses=start - 0.5, high_pulses=start + 0.5)
    cut_s = landing.begin(at_s=at_s, direction=Direction.WEST, target_pulses=target, rest=rest)
    place, t = start, 0.0
    count = int(place)
    assert cut_s is not None
    while at_s + t < cut_s:
        t += 0.002
        place = start + truth.way_pulses(t)
        if int(place) > count:
            count = int(place)
            cut_s = landing.pulse(at_s=at_s + t, place_pulses=float(count)) or cut_s
    landing.cut(at_s=at_s + t)
    final = start + truth.reach_pulses(t)
    landing.rest(Stretch.of(int(final), None, 0.5))
    return int(final), at_s + t + 5.0


@pytest.mark.parametrize("coast_s", [0.0, 0.1, 0.25, 0.5])
@pytest.mark.parametrize("rate", [5.0, 12.0, 25.0])
def test_it_learns_any_coast_within_a_few_landings(coast_s: float, rate: float) -> None:
    truth = Habit(coast_s=coast_s, coast_slow_s=coast_s, rate_pulses_per_s=rate, spin_up_s=0.1)
    landing = Landing(LandingSettings(), {})
    at_s, finals = 100.0, []
    for _ in range(8):
        final, at_s = landed(landing, truth, 500, at_s)
        finals.append(final)
    assert finals[3:] == [500] * 5


def test_a_run_to_an_end_is_never_cut_and_teaches_rate_and_spin_up() -> None:
    truth = Habit(coast_s=0.2, coast_slow_s=0.2, rate_pulses_per_s=20.0, spin_up_s=0.3)
    landing = Landing(LandingSettings(), {})
    rest = Stretch(low_pulses=0.0, high_pulses=1.0)
    assert landing.begin(at_s=0.0, direction=Direction.WEST, target_pulses=None, rest=rest) is None
    place, t = 0.5, 0.0
    while t < 10.0:
        t += 0.001
        if int(0.5 + truth.way_pulses(t)) > int(place):
            assert landing.pulse(at_s=t, place_pulses=float(int(place) + 1)) is None
        place = 0.5 + truth.way_pulses(t)
    landing.cut(at_s=t)
    landing.rest(rest)
    habit = landing.habits[Direction.WEST]
    assert habit.rate_pulses_per_s == pytest.approx(20.0, rel=0.03)
    assert abs(habit.spin_up_s - 0.3) < abs(0.12 - 0.3) / 2
    assert habit.coast_s == LandingSettings().coast_s


def test_a_burst_that_yields_too_little_is_made_longer_next_time() -> None:
    landing = Landing(LandingSettings(), {Direction.WEST: HABIT})
    rest = Stretch(low_pulses=10.0, high_pulses=10.0)
    first = landing.begin(at_s=0.0, direction=Direction.WEST, target_pulses=11, rest=rest)
    assert first is not None
    landing.cut(at_s=first)
    landing.rest(rest)  # nothing moved
    second = landing.begin(at_s=0.0, direction=Direction.WEST, target_pulses=11, rest=rest)
    assert second is not None
    assert second > first
