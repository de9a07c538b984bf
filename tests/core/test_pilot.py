import pytest

from controller.bench.contact import Source
from controller.bench.drawn import yard_from
from controller.core import commands as ask
from controller.core.events import (
    CommandReceived,
    CommandUnreadable,
    Event,
    HoldInputChanged,
    ReedEdge,
    StopInputChanged,
    Tick,
)
from controller.core.motion import Direction, MotionState
from controller.core.orders import (
    Answer,
    Notice,
    Order,
    Outcome,
    RunMotor,
    SaveCheckpoint,
    SaveHold,
    SaveIntention,
    SaveMove,
    SaveRest,
)
from controller.core.watch import WatchSettings
from tests.core.evening import SEED, WEST_LIMIT, goto, known_rig, outcome, stands, text
from tests.rig import SETTINGS, Rig, known_at


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
    rigged = known_rig()
    target = rigged.yard.count_pulses + away
    answer = rigged.run(ask.GotoCount(count_pulses=target))
    assert answer.outcome is Outcome.ARRIVED
    assert answer.count_pulses == target == rigged.yard.count_pulses
    assert rigged.yard.truth().crimes == ()


def test_a_move_arrives_from_the_configured_side() -> None:
    rigged = known_rig()
    rigged.run(ask.GotoCount(count_pulses=rigged.yard.count_pulses - 200))
    runs = [order.direction for order in rigged.orders if isinstance(order, RunMotor)]
    assert runs[0] is Direction.EAST
    assert runs[-1] is Direction.WEST


def test_the_intention_is_written_before_the_relay_closes_and_the_rest_after() -> None:
    rigged = known_rig()
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
    rigged = known_rig()
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
    rigged = known_rig()
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
    rigged = known_rig()
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
    rigged = known_rig()
    rigged.give(event(rigged, command_id="young", age_s=age_s))
    assert rigged.last_answer("young") is None
    assert rigged.pilot.status().state is MotionState.WESTING


def test_an_unreadable_command_is_answered() -> None:
    rigged = known_rig()
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
    rigged = known_rig(satellites={"Heron": 147.6, "Petrel": 155.1})
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


def test_a_hot_motor_rests_and_then_goes_on_by_itself() -> None:
    watch = WatchSettings(on_time_max_s=5.0, duty_ratio=0.5)
    rigged = known_rig(watch=watch)
    target = rigged.yard.count_pulses + 250
    moving = rigged.ask(ask.GotoCount(count_pulses=target))
    rigged.go_on(rigged.yard.now_s + 7.0)
    assert "the motor cools" in rigged.pilot.status().waiting
    assert stands(rigged)
    rigged.go_on(rigged.yard.now_s + 60.0)
    assert outcome(rigged, moving) is Outcome.ARRIVED
    assert rigged.yard.count_pulses == target


def test_hold_stops_a_move_refuses_others_and_is_remembered() -> None:
    rigged = known_rig()
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
    rigged = known_rig()
    moving = goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 1.0)
    rigged.give(kind(at_s=rigged.yard.now_s, active=True))
    assert outcome(rigged, moving) is Outcome.STOPPED
    assert words in text(rigged, goto(rigged, 30))
    rigged.give(kind(at_s=rigged.yard.now_s, active=False))
    rigged.go_on(rigged.yard.now_s + 30.0)
    assert stands(rigged)


def test_a_new_goto_replaces_the_one_under_way_and_only_reverses_after_standstill() -> None:
    rigged = known_rig()
    first = goto(rigged, 300)
    rigged.go_on(rigged.yard.now_s + 2.0)
    target = rigged.yard.count_pulses - 100
    answer = rigged.run(ask.GotoCount(count_pulses=target))
    assert text(rigged, first) == f"replaced by count {target}"
    assert answer.outcome is Outcome.ARRIVED
    assert rigged.yard.count_pulses == target
    assert rigged.yard.truth().crimes == ()


def test_nothing_but_halt_interrupts_a_limit_search() -> None:
    rigged = known_rig()
    search = rigged.ask(ask.FindLimits())
    rigged.go_on(rigged.yard.now_s + 1.0)
    refused = goto(rigged, 10)
    assert "the limits are being searched" in text(rigged, refused)
    rigged.ask(ask.Halt())
    assert outcome(rigged, search) is Outcome.STOPPED


def test_every_accepted_move_leaves_one_line_of_history() -> None:
    rigged = known_rig()
    rigged.run(ask.NudgePulses(step_pulses=12))
    moves = [order for order in rigged.orders if isinstance(order, SaveMove)]
    assert len(moves) == 1
    assert moves[0].outcome is Outcome.ARRIVED
    assert moves[0].final_pulses == moves[0].target_pulses
    assert 0 < moves[0].run_s < moves[0].duration_s


def test_a_late_pulse_after_standstill_still_belongs_to_the_coast() -> None:
    yard = yard_from(1)  # coasts half a second by dry friction
    rigged = Rig(yard, SETTINGS, known_at(yard, 700))
    for away in (40, -60, 25, -10, 60):
        rigged.run(ask.GotoCount(count_pulses=yard.count_pulses + away))
        rigged.go_on(yard.now_s + 3.0)
        assert rigged.pilot.status().count_pulses == yard.count_pulses


def test_every_run_order_is_bounded_by_the_lease() -> None:
    rigged = known_rig()
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
    rigged = known_rig()
    reed = rigged.yard.sensing.contacts[Source.REED]
    assert rigged.pilot.status().count_pulses == rigged.yard.count_pulses
    assert rigged.pilot.status().doubt_pulses == 0
    assert isinstance(reed.closed, bool)
    assert not any(isinstance(order, Notice) for order in rigged.orders)


def test_edges_that_are_read_half_a_second_late_count_once_each() -> None:
    """The clock runs ahead of the edges of a bouncing reed, as on a starved board."""
    rigged = known_rig()
    begun = rigged.yard.count_pulses
    goto(rigged, 300)
    for _ in range(8):
        edges = rigged.yard.step_to(rigged.yard.now_s + 0.4)
        now_s = rigged.yard.now_s
        for edge in edges:
            rigged.give(ReedEdge(at_s=edge.at_s, closed=edge.closed))
            rigged.give(Tick(at_s=now_s))
    status = rigged.pilot.status()
    assert rigged.yard.count_pulses > begun + 20
    assert status.count_pulses == rigged.yard.count_pulses
    assert status.doubt_pulses == 0
