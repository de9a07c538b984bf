"""Anything asked in any order, on a yard that may be broken meanwhile: what must always hold."""

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from controller.bench.drawn import yard_from
from controller.core import commands as ask
from controller.core.events import HoldInputChanged, StopInputChanged, StoreFailed, StoreRecovered
from controller.core.motion import RUNNING, MotionState
from controller.core.orders import Answer, Outcome
from tests.rig import SETTINGS, Rig, known_at

WEST_LIMIT = 700
COAST_MOST_PULSES = 8


class AnyEvening(RuleBasedStateMachine):
    """One dish, several people, some bad luck."""

    @initialize(seed=st.sampled_from([0, 1, 2, 5]))
    def begin(self, seed: int) -> None:
        yard = yard_from(seed)
        self.rig = Rig(yard, SETTINGS, known_at(yard, max(WEST_LIMIT, yard.count_pulses + 60)))
        self.faults_seen: set[str] = set()

    def status(self) -> MotionState:
        return self.rig.pilot.status().state

    @rule(count=st.integers(-50, 900))
    def goto(self, count: int) -> None:
        self.rig.ask(ask.GotoCount(count_pulses=count))

    @rule(step=st.integers(-70, 70))
    def nudge(self, step: int) -> None:
        self.rig.ask(ask.NudgePulses(step_pulses=step))

    @rule(seconds=st.floats(0.01, 12.0))
    def wait(self, seconds: float) -> None:
        self.rig.go_on(self.rig.yard.now_s + seconds)

    @rule()
    def halt(self) -> None:
        self.rig.ask(ask.Halt())
        assert self.status() not in RUNNING
        self.rig.go_on(self.rig.yard.now_s + 0.02)
        assert self.rig.yard.truth().voltage_ratio == 0

    @rule(active=st.booleans())
    def stop_input(self, active: bool) -> None:
        self.rig.give(StopInputChanged(at_s=self.rig.yard.now_s, active=active))
        assert not active or self.status() not in RUNNING

    @rule(active=st.booleans())
    def hold_input(self, active: bool) -> None:
        self.rig.give(HoldInputChanged(at_s=self.rig.yard.now_s, active=active))
        assert not active or self.status() not in RUNNING

    @rule()
    def hold(self) -> None:
        self.rig.ask(ask.Hold())
        assert self.status() not in RUNNING

    @rule()
    def release(self) -> None:
        self.rig.ask(ask.Release())

    @rule()
    def jam(self) -> None:
        self.rig.yard.apply("jam")

    @rule()
    def mend(self) -> None:
        self.rig.yard.clear()

    @rule(works=st.booleans())
    def store(self, works: bool) -> None:
        at_s = self.rig.yard.now_s
        self.rig.give(
            StoreRecovered(at_s=at_s) if works else StoreFailed(at_s=at_s, reason="disk full")
        )

    @rule()
    def clear(self) -> None:
        before = self.rig.pilot.status().fault
        command_id = self.rig.ask(ask.ClearFault())
        answer = self.rig.last_answer(command_id)
        assert answer is not None
        if answer.outcome is Outcome.ARRIVED:
            assert before
            self.faults_seen.discard(before)

    @invariant()
    def the_motor_is_never_reversed_under_power_or_shorted(self) -> None:
        assert self.rig.yard.truth().crimes == ()

    @invariant()
    def the_true_count_is_within_the_doubt(self) -> None:
        status = self.rig.pilot.status()
        if status.state is MotionState.RESTING:
            assert status.count_pulses is not None
            assert status.doubt_pulses is not None
            off = abs(status.count_pulses - self.rig.yard.count_pulses)
            assert off <= status.doubt_pulses

    @invariant()
    def a_fault_never_clears_itself(self) -> None:
        fault = self.rig.pilot.status().fault
        assert not self.faults_seen or fault in self.faults_seen
        if fault:
            self.faults_seen = {fault}

    @invariant()
    def it_stays_within_the_soft_limits_but_for_the_coast(self) -> None:
        status = self.rig.pilot.status()
        if status.east_soft_pulses is None or status.west_soft_pulses is None:
            return
        inside = range(
            status.east_soft_pulses - COAST_MOST_PULSES,
            status.west_soft_pulses + COAST_MOST_PULSES + 1,
        )
        assert self.rig.yard.count_pulses in inside or not self.started_inside(inside)

    def started_inside(self, inside: range) -> bool:
        return self.rig.yard.plan.start_mm is not None and self.rig.began_pulses in inside

    @invariant()
    def every_command_was_answered(self) -> None:
        answers = {order.command_id for order in self.rig.orders if isinstance(order, Answer)}
        assert answers == self.rig.asked_ids


TestAnyEvening = AnyEvening.TestCase
TestAnyEvening.settings = settings(
    max_examples=60,
    stateful_step_count=18,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
