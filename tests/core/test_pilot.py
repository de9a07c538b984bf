from dataclasses import replace

import pytest

from controller.bench.contact import Source
from controller.bench.drawn import yard_from
from controller.core import commands as ask
from controller.core.events import (
    CommandReceived,
    CommandUnreadable,
    Event,
    HoldInputChanged,
    LeaseExpired,
    LimitSwitchChanged,
    StopInputChanged,
    StoreFailed,
    StoreRecovered,
)
from controller.core.motion import Direction, MotionState
from controller.core.orders import (
    Answer,
    Notice,
    Order,
    Outcome,
    RunMotor,
    SaveCheckpoint,
    SaveFault,
    SaveHold,
    SaveIntention,
    SaveMove,
    SaveRest,
    Severity,
)
from controller.core.watch import WatchSettings
from tests.rig import SETTINGS, Rig, known_at

WEST_LIMIT = 900  # inside the travel of every yard that is used here with a known count
SEED = 2  # 23 pulses a second, 1274 pulses between the ends


def rig(seed: int = SEED, **changes: object) -> Rig:
    """Return a rig whose count is known from the start."""
    yard = yard_from(seed)
    return Rig(yard, replace(SETTINGS, **changes), known_at(yard, WEST_LIMIT))  # type: ignore[arg-type]


def goto(rigged: Rig, away_pulses: int) -> str:
    count = rigged.pilot.status().count_pulses
    assert count is not None
    return rigged.ask(ask.GotoCount(count_pulses=count + away_pulses))


def outcome(rigged: Rig, command_id: str) -> Outcome:
    answer = rigged.last_answer(command_id)
    assert answer is not None
    return answer.outcome


def text(rigged: Rig, command_id: str) -> str:
    answer = rigged.last_answer(command_id)
    assert answer is not None
    return answer.text


def faults(rigged: Rig) -> list[str]:
    return [notice.text for notice in rigged.notices() if notice.severity is Severity.FAULT]


def stands(rigged: Rig) -> bool:
    truth = rigged.yard.truth()
    return not truth.moving and truth.voltage_ratio == 0


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_both_ends_are_found_and_the_count_is_the_yards_own(seed: int) -> None:
    rigged = Rig(yard_from(seed))
    answer = rigged.find_limits()
    assert answer.outcome is Outcome.ARRIVED
    status = rigged.pilot.status()
    assert status.count_pulses == rigged.yard.count_pulses
    assert status.doubt_pulses == 0
    assert status.west_soft_pulses is not None
    assert status.count_pulses <= status.west_soft_pulses
    assert rigged.yard.truth().crimes == ()


@pytest.mark.parametrize("away", [-300, -40, -9, -1, 1, 2, 7, 40, 250])
def test_every_move_ends_on_its_count_and_the_yard_agrees(away: int) -> None:
    rigged = rig()
    target = rigged.yard.count_pulses + away
    answer = rigged.run(ask.GotoCount(count_pulses=target))
    assert answer.outcome is Outcome.ARRIVED
    assert answer.count_pulses == target == rigged.yard.count_pulses
    assert rigged.yard.truth().crimes == ()


def test_a_move_arrives_from_the_configured_side() -> None:
    rigged = rig()
    rigged.run(ask.GotoCount(count_pulses=rigged.yard.count_pulses - 200))
    runs = [order.direction for order in rigged.orders if isinstance(order, RunMotor)]
    assert runs[0] is Direction.EAST
    assert runs[-1] is Direction.WEST


def test_the_intention_is_written_before_the_relay_closes_and_the_rest_after() -> None:
    rigged = rig()
    begun = len(rigged.orders)
    rigged.run(ask.GotoCount(count_pulses=rigged.yard.count_pulses + 200))
    kinds = [type(order) for order in rigged.orders[begun:]]
    first_run = kinds.index(RunMotor)
    assert kinds[first_run - 1] is SaveIntention
    assert kinds.index(SaveRest) > first_run
    assert kinds.count(SaveIntention) <= 2
    checkpoints = kinds.count(SaveCheckpoint)
    assert 5 <= checkpoints <= 12  # a save a second on a way of about 9 s


def test_a_halt_opens_the_relays_and_ends_the_move() -> None:
    rigged = rig()
    moving = goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 3.0)
    assert rigged.yard.truth().voltage_ratio != 0
    rigged.ask(ask.Halt())
    rigged.go_on(rigged.yard.now_s + 0.02)
    assert rigged.yard.truth().voltage_ratio == 0
    assert text(rigged, moving) == "halted"
    rigged.go_on(rigged.yard.now_s + 3.0)
    assert stands(rigged)
    assert rigged.pilot.status().count_pulses == rigged.yard.count_pulses


def test_halt_is_obeyed_even_retained_stale_and_twice() -> None:
    rigged = rig()
    moving = goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 2.0)
    for _ in range(2):
        rigged.give(
            CommandReceived(
                at_s=rigged.yard.now_s,
                command=ask.Halt(),
                command_id="same",
                source="rig",
                retained=True,
                age_s=1e6,
            )
        )
    assert outcome(rigged, moving) is Outcome.STOPPED
    assert outcome(rigged, "same") is Outcome.ARRIVED


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        ({"retained": True}, "the broker kept this command"),
        ({"age_s": 10.5}, "is 10 s old, at most 10 s are obeyed"),
        ({"age_s": -10.5}, "is -10 s old"),
        ({"command_id": "used"}, "a command with id used was obeyed already"),
    ],
)
def test_what_must_not_be_obeyed_is_answered_and_moves_nothing(
    facts: dict[str, object], why: str
) -> None:
    rigged = rig()
    rigged.give(event(rigged, command_id="used", command=ask.Release()))
    begun = len(rigged.orders)
    told = event(rigged, **{"command_id": "new", **facts})
    rigged.give(told)
    rigged.go_on(rigged.yard.now_s + 2.0)
    later = rigged.orders[begun:]
    answers = [order for order in later if isinstance(order, Answer)]
    assert [answer.outcome for answer in answers] == [Outcome.REFUSED]
    assert why in answers[0].text
    assert not any(isinstance(order, RunMotor) for order in later)


def event(rigged: Rig, **facts: object) -> CommandReceived:
    fields: dict[str, object] = {
        "at_s": rigged.yard.now_s,
        "command": ask.GotoCount(count_pulses=rigged.yard.count_pulses + 50),
        "source": "rig",
    }
    return CommandReceived(**{**fields, **facts})  # type: ignore[arg-type]


@pytest.mark.parametrize("age_s", [10.0, -10.0, 0.0, None])
def test_a_command_within_the_bound_of_age_is_obeyed(age_s: float | None) -> None:
    rigged = rig()
    rigged.give(event(rigged, command_id="young", age_s=age_s))
    assert rigged.last_answer("young") is None
    assert rigged.pilot.status().state is MotionState.WESTING


def test_an_unreadable_command_is_answered() -> None:
    rigged = rig()
    rigged.give(CommandUnreadable(at_s=0.0, command_id="x", source="mqtt", reason="not JSON"))
    assert outcome(rigged, "x") is Outcome.REFUSED


@pytest.mark.parametrize(
    ("command", "why"),
    [
        (ask.GotoSatellite(name="Herron"), "did you mean Heron?"),
        (ask.GotoSatellite(name="x" * 500), "no satellite is called 'xxxxx"),
        (ask.GotoSatellite(name="Heron"), "there is no model of the mount yet"),
        (ask.GotoCount(count_pulses=11), "beyond the east soft limit"),
        (ask.GotoCount(count_pulses=WEST_LIMIT - 11), "beyond the west soft limit"),
        (ask.GotoCount(count_pulses=10**9), "beyond the west soft limit"),
        (ask.NudgePulses(step_pulses=61), "at most 60 pulses, not 61"),
        (ask.NudgePulses(step_pulses=0), "moves nothing"),
        (ask.NudgeDegrees(step_deg=5.5), "at most 5 deg, not 5.5"),
        (ask.NudgeDegrees(step_deg=1.0), "degrees need a known count"),
        (ask.Park(), "no parking place is configured"),
        (ask.SettleCount(name="Heron"), "the model needs both limits"),
        (ask.DropReference(name="Heron"), "no satellite is called 'Heron'"),
        (ask.TakeReference(name="Heron", sigma_pulses=0.0), "sigma must be above 0"),
        (ask.TakeReference(name="Heron", sigma_pulses=101.0), "at most 100 pulses, not 101"),
        (ask.ClearFault(), "no fault is latched"),
    ],
)
def test_what_cannot_be_done_is_refused_with_the_reason(command: ask.Command, why: str) -> None:
    rigged = rig(satellites={"Heron": 147.6, "Petrel": 155.1})
    command_id = rigged.ask(command)
    assert outcome(rigged, command_id) is Outcome.REFUSED
    assert why in text(rigged, command_id)
    rigged.go_on(rigged.yard.now_s + 1.0)
    assert stands(rigged)


def test_with_an_unknown_count_only_nudges_and_the_search_move() -> None:
    rigged = Rig(yard_from(SEED))
    refused = rigged.ask(ask.GotoCount(count_pulses=50))
    assert text(rigged, refused) == "the count is not known: find the limits first"
    before = rigged.yard.count_pulses
    assert rigged.run(ask.NudgePulses(step_pulses=5)).outcome is Outcome.ARRIVED
    assert rigged.yard.count_pulses == before + 5
    assert rigged.pilot.status().count_pulses is None


def test_a_jam_is_a_fault_with_advice_and_the_relays_open() -> None:
    rigged = rig()
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
    rigged = rig()
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
    rigged = rig()
    goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 2.0)
    rigged.yard.apply("dead-sensor")
    rigged.go_on(rigged.yard.now_s + SETTINGS.watch.stall_s + 0.3)
    assert rigged.yard.truth().voltage_ratio == 0
    assert faults(rigged)


def test_a_welded_relay_is_found_by_the_pulses_after_the_cut() -> None:
    rigged = rig()
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
    rigged = rig()
    rigged.yard.apply(fault, **parameters)
    for away in (120, -110):
        goto(rigged, away)
        rigged.go_on(rigged.yard.now_s + 30.0)
    status = rigged.pilot.status()
    assert status.count_pulses is not None
    assert status.doubt_pulses is not None
    assert abs(status.count_pulses - rigged.yard.count_pulses) <= status.doubt_pulses


def test_pulses_out_of_nowhere_raise_the_doubt_and_a_notice_and_then_a_fault() -> None:
    rigged = rig()
    rigged.go_on(rigged.yard.now_s + 10.0)
    relay = next(iter(rigged.yard.truth().relays))
    rigged.yard.apply("welded-relay", relay=relay, position="closed")
    rigged.go_on(rigged.yard.now_s + 2.0)
    assert any("while the motor was off" in notice.text for notice in rigged.notices())
    assert "while the motor is switched off" in faults(rigged)[0]
    assert (rigged.pilot.status().doubt_pulses or 0) >= 3


def test_running_onto_the_wrong_limit_switch_is_a_wiring_fault() -> None:
    rigged = rig(switches=frozenset(Direction))
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


def test_a_hot_motor_rests_and_then_goes_on_by_itself() -> None:
    watch = WatchSettings(on_time_max_s=5.0, duty_ratio=0.5)
    rigged = rig(watch=watch)
    target = rigged.yard.count_pulses + 250
    moving = rigged.ask(ask.GotoCount(count_pulses=target))
    rigged.go_on(rigged.yard.now_s + 7.0)
    assert "the motor cools" in rigged.pilot.status().waiting
    assert stands(rigged)
    rigged.go_on(rigged.yard.now_s + 60.0)
    assert outcome(rigged, moving) is Outcome.ARRIVED
    assert rigged.yard.count_pulses == target


def test_hold_stops_a_move_refuses_others_and_is_remembered() -> None:
    rigged = rig()
    moving = goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 1.0)
    rigged.ask(ask.Hold(reason="greasing"))
    assert outcome(rigged, moving) is Outcome.STOPPED
    assert SaveHold(held=True, reason="greasing") in rigged.orders
    assert text(rigged, goto(rigged, 30)) == "moves are held: greasing"
    rigged.ask(ask.Release())
    rigged.go_on(rigged.yard.now_s + 3.0)
    assert rigged.run(ask.NudgePulses(step_pulses=3)).outcome is Outcome.ARRIVED


@pytest.mark.parametrize(
    ("kind", "words"),
    [(StopInputChanged, "the stop input is active"), (HoldInputChanged, "moves are held")],
)
def test_an_input_stops_the_move_and_letting_go_does_not_restart_it(
    kind: type[StopInputChanged | HoldInputChanged], words: str
) -> None:
    rigged = rig()
    moving = goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 1.0)
    rigged.give(kind(at_s=rigged.yard.now_s, active=True))
    assert outcome(rigged, moving) is Outcome.STOPPED
    assert words in text(rigged, goto(rigged, 30))
    rigged.give(kind(at_s=rigged.yard.now_s, active=False))
    rigged.go_on(rigged.yard.now_s + 30.0)
    assert stands(rigged)


def test_an_expired_lease_ends_the_move_without_a_fault() -> None:
    rigged = rig()
    moving = goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 1.0)
    rigged.give(LeaseExpired(at_s=rigged.yard.now_s))
    assert "the loop was late" in text(rigged, moving)
    assert not faults(rigged)


def test_a_store_that_cannot_write_forbids_moves_until_it_can() -> None:
    rigged = rig()
    moving = goto(rigged, 300)
    rigged.give(StoreFailed(at_s=rigged.yard.now_s, reason="disk full"))
    assert outcome(rigged, moving) is Outcome.STOPPED
    rigged.go_on(rigged.yard.now_s + 3.0)
    assert text(rigged, goto(rigged, 30)) == "the count cannot be saved: disk full"
    rigged.give(StoreRecovered(at_s=rigged.yard.now_s))
    assert rigged.run(ask.NudgePulses(step_pulses=3)).outcome is Outcome.ARRIVED


def test_a_new_goto_replaces_the_one_under_way_and_only_reverses_after_standstill() -> None:
    rigged = rig()
    first = goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 2.0)
    target = rigged.yard.count_pulses - 100
    answer = rigged.run(ask.GotoCount(count_pulses=target))
    assert text(rigged, first) == f"replaced by count {target}"
    assert answer.outcome is Outcome.ARRIVED
    assert rigged.yard.count_pulses == target
    assert rigged.yard.truth().crimes == ()


def test_nothing_but_halt_interrupts_a_limit_search() -> None:
    rigged = rig()
    search = rigged.ask(ask.FindLimits())
    rigged.go_on(rigged.yard.now_s + 1.0)
    refused = goto(rigged, 10)
    assert "the limits are being searched" in text(rigged, refused)
    rigged.ask(ask.Halt())
    assert outcome(rigged, search) is Outcome.STOPPED


def test_every_accepted_move_leaves_one_line_of_history() -> None:
    rigged = rig()
    rigged.run(ask.NudgePulses(step_pulses=12))
    moves = [order for order in rigged.orders if isinstance(order, SaveMove)]
    assert len(moves) == 1
    assert moves[0].outcome is Outcome.ARRIVED
    assert moves[0].final_pulses == moves[0].target_pulses
    assert 0 < moves[0].run_s < moves[0].duration_s


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


def test_a_late_pulse_after_standstill_still_belongs_to_the_coast() -> None:
    yard = yard_from(1)  # coasts half a second by dry friction
    rigged = Rig(yard, SETTINGS, known_at(yard, 700))
    for away in (40, -60, 25, -10, 60):
        rigged.run(ask.GotoCount(count_pulses=yard.count_pulses + away))
        rigged.go_on(yard.now_s + 3.0)
        assert rigged.pilot.status().count_pulses == yard.count_pulses


def test_every_run_order_is_bounded_by_the_lease() -> None:
    rigged = rig()
    given: list[tuple[float, float]] = []
    handle = rigged.pilot.handle

    def noted(event: Event) -> list[Order]:
        orders = handle(event)
        given.extend((event.at_s, o.until_s) for o in orders if isinstance(o, RunMotor))
        return orders

    rigged.pilot.handle = noted  # type: ignore[method-assign]
    rigged.run(ask.GotoCount(count_pulses=rigged.yard.count_pulses + 150))
    assert len(given) > 20
    assert {round(until_s - at_s, 9) for at_s, until_s in given} == {0.5}


def test_the_contact_that_is_seen_at_start_is_no_pulse() -> None:
    rigged = rig()
    reed = rigged.yard.sensing.contacts[Source.REED]
    assert rigged.pilot.status().count_pulses == rigged.yard.count_pulses
    assert rigged.pilot.status().doubt_pulses == 0
    assert isinstance(reed.closed, bool)
    assert not any(isinstance(order, Notice) for order in rigged.orders)
