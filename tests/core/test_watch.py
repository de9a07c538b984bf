from dataclasses import replace

import pytest

from controller.core.motion import Direction
from controller.core.watch import MotorBudget, Watch, WatchSettings

SETTINGS = WatchSettings(
    stall_s=2.0, standstill_s=0.5, coast_max_pulses=3, current_max_a=5.0, current_trip_s=0.5
)


def running(at_s: float = 8.0) -> Watch:
    watch = Watch(SETTINGS)
    watch.start(at_s)
    return watch


@pytest.mark.parametrize(("at_s", "stalled"), [(10.0, False), (10.001, True)])
def test_a_motor_without_pulses_stalls_after_the_stall_time(at_s: float, stalled: bool) -> None:
    assert running().stalled(at_s) is stalled


def test_a_pulse_puts_the_stall_off_and_a_cut_ends_it() -> None:
    watch = running()
    watch.pulse(9.5)
    assert not watch.stalled(11.5)
    assert watch.stalled(11.75)
    watch.cut(11.75)
    assert not watch.stalled(99.0)


def test_more_pulses_after_a_cut_than_any_coast_mean_a_welded_relay() -> None:
    watch = running()
    watch.cut(9.0)
    assert [watch.pulse(9.0 + n / 8) is None for n in range(4)] == [True, True, True, False]


@pytest.mark.parametrize(("at_s", "stands"), [(9.499, False), (9.5, True)])
def test_standstill_needs_the_whole_wait_without_a_pulse(at_s: float, stands: bool) -> None:
    watch = running()
    watch.cut(8.5)
    watch.pulse(9.0)
    assert watch.stands(at_s, wait_s=1.0) is stands


def test_an_edge_that_is_no_pulse_puts_the_standstill_off() -> None:
    watch = running()
    watch.cut(8.5)
    watch.edge(9.0)
    assert not watch.stands(9.25, wait_s=1.0)
    assert watch.stands(9.5, wait_s=1.0)


def test_a_long_coast_makes_the_wait_longer() -> None:
    watch = running()
    watch.cut(8.5)
    assert not watch.stands(9.25, wait_s=2.0)
    assert watch.stands(9.5, wait_s=2.0)


def test_a_short_coast_shortens_the_wait_but_not_below_a_fifth_of_a_second() -> None:
    watch = running()
    watch.cut(8.5)
    assert watch.stands(8.75, wait_s=0.0)
    assert not watch.stands(8.6875, wait_s=0.0)
    assert not running().stands(99.0, wait_s=0.0)


def test_only_a_lasting_overcurrent_is_a_jam() -> None:
    watch = running()
    assert watch.current(9.0, 5.5) is None
    assert watch.current(9.25, 5.0) is None  # at the bound: starts anew
    assert watch.current(9.5, 5.5) is None
    assert watch.current(9.75, 5.5) is None
    assert watch.current(10.0, 5.5) is not None
    assert Watch(replace(SETTINGS, current_max_a=None)).current(10.0, 99.0) is None


def test_three_quadrature_edges_the_wrong_way_are_a_fault() -> None:
    watch = running()
    found = [watch.against(Direction.EAST) for _ in range(3)]
    assert found[:2] == [None, None]
    assert found[2] is not None
    assert "Swap" in found[2].advice


def test_the_budget_empties_while_running_and_fills_at_rest() -> None:
    budget = MotorBudget(on_time_max_s=60.0, duty_ratio=0.25, at_s=0.0)
    budget.run(0.0, runs=True)
    assert budget.left_s(40.0) == 20.0
    budget.run(40.0, runs=False)
    assert budget.left_s(80.0) == 30.0
    assert budget.rest_s(80.0) == 0.0


def test_an_empty_budget_makes_it_rest_until_a_quarter_is_back() -> None:
    budget = MotorBudget(on_time_max_s=60.0, duty_ratio=0.25, at_s=0.0)
    budget.run(0.0, runs=True)
    assert budget.left_s(60.0) == 0.0
    budget.run(60.0, runs=False)
    assert budget.must_rest
    assert budget.rest_s(60.0) == 60.0
    assert budget.left_s(119.0) == 0.0
    assert budget.left_s(120.0) == 15.0
    assert not budget.must_rest


def test_a_full_budget_does_not_overflow_and_time_never_runs_back() -> None:
    budget = MotorBudget(on_time_max_s=60.0, duty_ratio=0.25, at_s=100.0)
    assert budget.left_s(1000.0) == 60.0
    assert budget.left_s(0.0) == 60.0
