from dataclasses import replace

import pytest

from controller.bench.drawn import yard_from
from controller.core import commands as ask
from controller.core.events import (
    LeaseExpired,
    LimitSwitchChanged,
    ReedEdge,
    StoreFailed,
    StoreRecovered,
    Tick,
)
from controller.core.motion import Direction, MotionState
from controller.core.orders import (
    Outcome,
    RunMotor,
    SaveFault,
)
from tests.core.evening import SEED, WEST_LIMIT, faults, goto, known_rig, outcome, text
from tests.rig import SETTINGS, Rig, known_at


def test_a_jam_is_a_fault_with_advice_and_the_relays_open() -> None:
    rigged = known_rig()
    moving = goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 2.0)
    rigged.yard.apply("jam")
    rigged.go_on(rigged.yard.now_s + 4.0)
    assert rigged.yard.truth().voltage_ratio == 0
    assert "without a pulse" in faults(rigged)[0]
    assert outcome(rigged, moving) is Outcome.STOPPED
    status = rigged.pilot.status()
    assert status.state is MotionState.FAULTED
    assert "blocked" in status.advice
    assert any(isinstance(order, SaveFault) and order.text for order in rigged.orders)


def test_a_fault_is_left_by_a_person_only_and_the_first_one_stays() -> None:
    rigged = known_rig()
    goto(rigged, 300)
    rigged.yard.apply("jam")
    rigged.go_on(rigged.yard.now_s + 4.0)
    rigged.yard.clear()
    first = rigged.pilot.status().fault
    refused = goto(rigged, 50)
    assert text(rigged, refused).startswith(f"a fault is latched: {first}")
    rigged.go_on(rigged.yard.now_s + 600.0)
    assert rigged.pilot.status().fault == first
    rigged.ask(ask.ClearFault())
    assert rigged.pilot.status().fault == ""
    assert rigged.run(ask.NudgePulses(step_pulses=4)).outcome is Outcome.ARRIVED


def test_a_dead_sensor_stops_the_motor_within_the_stall_time() -> None:
    rigged = known_rig()
    goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 2.0)
    rigged.yard.apply("dead-sensor")
    rigged.go_on(rigged.yard.now_s + SETTINGS.watch.stall_s + 0.3)
    assert rigged.yard.truth().voltage_ratio == 0
    assert faults(rigged)


def test_a_welded_relay_is_found_by_the_pulses_after_the_cut() -> None:
    rigged = known_rig()
    goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 2.0)
    relay = next(name for name, closed in rigged.yard.truth().relays.items() if closed)
    rigged.yard.apply("welded-relay", relay=relay, position="closed")
    rigged.ask(ask.Halt())
    rigged.go_on(rigged.yard.now_s + 6.0)
    assert "after the motor was switched off" in faults(rigged)[0]
    assert "Cut the motor supply by hand" in rigged.pilot.status().advice
    assert rigged.pilot.status().count_pulses == rigged.yard.count_pulses


@pytest.mark.parametrize(
    ("fault", "parameters"),
    [
        ("missing-pulses", {"probability": 0.03}),
        ("extra-pulses", {"rate_per_s": 1.0}),
        ("long-bounce", {"bounce_s": 0.006}),
    ],
)
def test_a_sick_sensor_leaves_the_true_count_within_the_doubt(
    fault: str, parameters: dict[str, float]
) -> None:
    rigged = known_rig()
    rigged.yard.apply(fault, **parameters)
    for away in (120, -110):
        goto(rigged, away)
        rigged.go_on(rigged.yard.now_s + 30.0)
    status = rigged.pilot.status()
    assert status.count_pulses is not None
    assert status.doubt_pulses is not None
    assert abs(status.count_pulses - rigged.yard.count_pulses) <= status.doubt_pulses


def test_pulses_out_of_nowhere_raise_the_doubt_and_a_notice_and_then_a_fault() -> None:
    rigged = known_rig()
    rigged.go_on(rigged.yard.now_s + 10.0)
    relay = next(iter(rigged.yard.truth().relays))
    rigged.yard.apply("welded-relay", relay=relay, position="closed")
    rigged.go_on(rigged.yard.now_s + 2.0)
    assert any("while the motor was off" in notice.text for notice in rigged.notices())
    assert "while the motor is switched off" in faults(rigged)[0]
    assert (rigged.pilot.status().doubt_pulses or 0) >= 3


def test_running_onto_the_wrong_limit_switch_is_a_wiring_fault() -> None:
    rigged = known_rig(switches=frozenset(Direction))
    goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 1.0)
    rigged.give(LimitSwitchChanged(at_s=rigged.yard.now_s, side=Direction.EAST, active=True))
    assert "the east limit switch was reached while running west" in faults(rigged)[0]
    assert (
        rigged.yard.truth().voltage_ratio == 0 or rigged.pilot.status().state is MotionState.FAULTED
    )


def test_a_known_end_met_early_is_an_arrival_that_settles_the_count() -> None:
    yard = yard_from(SEED)
    finder = Rig(yard)
    finder.find_limits()
    limit = finder.pilot.status().west_limit_pulses
    assert limit is not None
    memory = known_at(yard, limit)
    assert memory.count is not None
    off = replace(memory, count=replace(memory.count, count_pulses=memory.count.count_pulses - 15))
    rigged = Rig(yard, SETTINGS, off)
    moving = rigged.ask(ask.GotoCount(count_pulses=limit - 12))
    rigged.go_on(yard.now_s + 12.0)
    assert not faults(rigged)
    assert outcome(rigged, moving) is Outcome.STOPPED
    assert "came to the west end" in text(rigged, moving)
    status = rigged.pilot.status()
    assert status.count_pulses is not None
    assert abs(status.count_pulses - yard.count_pulses) <= 1


def test_ends_that_contradict_the_tape_are_not_believed() -> None:
    rigged = Rig(
        yard_from(SEED), replace(SETTINGS, travel_pulses=600.0, travel_tolerance_pulses=60.0)
    )
    answer = rigged.find_limits()
    assert answer.outcome is Outcome.STOPPED
    assert "by the tape it should be 600 within 60" in answer.text
    assert rigged.pilot.status().count_pulses is None
    assert rigged.pilot.status().west_limit_pulses is None


def test_an_expired_lease_ends_the_move_without_a_fault() -> None:
    rigged = known_rig()
    moving = goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 1.0)
    rigged.give(LeaseExpired(at_s=rigged.yard.now_s))
    assert "the loop was late" in text(rigged, moving)
    assert not faults(rigged)


def test_a_store_that_cannot_write_forbids_moves_until_it_can() -> None:
    rigged = known_rig()
    moving = goto(rigged, 300)
    rigged.give(StoreFailed(at_s=rigged.yard.now_s, reason="disk full"))
    assert outcome(rigged, moving) is Outcome.STOPPED
    rigged.go_on(rigged.yard.now_s + 3.0)
    assert text(rigged, goto(rigged, 30)) == "the count cannot be saved: disk full"
    rigged.give(StoreRecovered(at_s=rigged.yard.now_s))
    assert rigged.run(ask.NudgePulses(step_pulses=3)).outcome is Outcome.ARRIVED


def test_a_remembered_fault_and_hold_survive_a_restart() -> None:
    yard = yard_from(SEED)
    memory = replace(known_at(yard, WEST_LIMIT), fault_text="it burned", held=True)
    rigged = Rig(yard, SETTINGS, memory)
    status = rigged.pilot.status()
    assert (status.state, status.fault, status.held) == (MotionState.FAULTED, "it burned", True)
    assert "it burned" in text(rigged, goto(rigged, 10))


def test_a_doubt_too_large_is_told_at_start_and_forbids_moves_to_a_place() -> None:
    yard = yard_from(SEED)
    memory = known_at(yard, WEST_LIMIT)
    assert memory.count is not None
    rigged = Rig(yard, SETTINGS, replace(memory, count=replace(memory.count, doubt_pulses=11)))
    assert any("wrong by 11 pulses" in notice.text for notice in rigged.notices())
    assert "wrong by 11 pulses, more than 10" in text(rigged, goto(rigged, 50))


@pytest.mark.parametrize(("pause_s", "is_fault"), [(0.0625, False), (0.125, True)])
def test_a_limit_switch_that_bounces_while_it_is_left_is_no_crossed_wire(
    pause_s: float, is_fault: bool
) -> None:
    rigged = known_rig(switches=frozenset(Direction))
    rigged.give(LimitSwitchChanged(at_s=rigged.yard.now_s, side=Direction.EAST, active=True))
    goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 0.5)
    rigged.give(LimitSwitchChanged(at_s=rigged.yard.now_s, side=Direction.EAST, active=False))
    rigged.give(
        LimitSwitchChanged(at_s=rigged.yard.now_s + pause_s, side=Direction.EAST, active=True)
    )
    assert bool(faults(rigged)) is is_fault


def test_a_dead_motor_near_an_end_is_a_fault_and_leaves_the_count_alone() -> None:
    rigged = known_rig()
    rigged.run(ask.GotoCount(count_pulses=22))
    rigged.yard.apply("power-cut")
    goto(rigged, -9)
    rigged.go_on(rigged.yard.now_s + 6.0)
    assert faults(rigged)
    assert rigged.pilot.status().count_pulses == 22


def test_an_obstacle_taken_for_the_east_end_makes_no_known_count() -> None:
    yard = yard_from(SEED)
    memory = known_at(yard, WEST_LIMIT)
    assert memory.count is not None
    lost = replace(memory, count=replace(memory.count, doubt_pulses=None))
    rigged = Rig(yard, SETTINGS, lost)
    rigged.ask(ask.FindLimits())
    rigged.go_on(yard.now_s + 2.0)
    yard.apply("jam")
    rigged.go_on(yard.now_s + 2.4)
    rigged.ask(ask.Halt())
    rigged.go_on(yard.now_s + 2.0)
    assert rigged.pilot.status().count_pulses is None
    assert "the count is not known" in text(rigged, goto_count(rigged, 500))


def test_ends_that_lie_elsewhere_than_the_last_time_are_a_fault() -> None:
    yard = yard_from(SEED)
    rigged = Rig(yard, SETTINGS, known_at(yard, 1100))  # it is 1274
    assert "the last time it was 1100" in rigged.find_limits().text
    assert rigged.pilot.status().count_pulses is None


def test_both_limit_switches_at_once_are_a_fault() -> None:
    rigged = known_rig(switches=frozenset(Direction))
    for side in Direction:
        rigged.give(LimitSwitchChanged(at_s=rigged.yard.now_s, side=side, active=True))
    assert faults(rigged) == ["both limit switches are active at once"]


def test_a_search_may_begin_on_the_east_switch() -> None:
    rigged = known_rig(switches=frozenset(Direction))
    rigged.give(LimitSwitchChanged(at_s=rigged.yard.now_s, side=Direction.EAST, active=True))
    rigged.ask(ask.FindLimits())
    rigged.go_on(rigged.yard.now_s + 1.0)
    assert rigged.pilot.status().state is MotionState.WESTING


def test_a_fault_found_in_a_tick_is_not_followed_by_a_renewal() -> None:
    """A quadrature sensor shows the rod going east while the motor was told west."""
    rigged = known_rig()
    goto(rigged, 300)
    at_s = rigged.yard.now_s + 0.05
    for closed in (True, False, True, False):
        at_s += 0.02
        rigged.give(ReedEdge(at_s=at_s, closed=closed, second_closed=closed))
    rigged.give(Tick(at_s=at_s + 0.3))
    assert "the rod goes east" in faults(rigged)[0]
    kinds = [type(order) for order in rigged.orders]
    assert RunMotor not in kinds[kinds.index(SaveFault) :]


def goto_count(rigged: Rig, count_pulses: int) -> str:
    return rigged.ask(ask.GotoCount(count_pulses=count_pulses))
