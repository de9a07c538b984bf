"""One hand on the motor: starts, renews, cuts and counts a run, and says what happened.

Rule 1: every change of state goes through the table in `motion`.
Rule 2: every run order goes through the gate in `safety`.
Rule 3: before the first run order of a run stands the order to write the intention.
"""

from collections import deque
from typing import Final

from controller.core.counting import Counter, Doubtful, Pulse
from controller.core.debounce import Debounce, SettledEdge
from controller.core.events import ReedEdge
from controller.core.happenings import Failed, Happening, Refused, Stalled, Stood, Uneasy
from controller.core.landing import Landing, Stretch
from controller.core.motion import (
    RUNNING,
    Direction,
    MotionState,
    Trigger,
    next_state,
    run_trigger,
)
from controller.core.orders import (
    Order,
    RunMotor,
    SaveCheckpoint,
    SaveIntention,
    SaveRest,
    StopMotor,
)
from controller.core.safety import SafetySettings, Situation, permit
from controller.core.tasks import Leg
from controller.core.watch import (
    WELDED_ADVICE,
    MotorBudget,
    Suspicion,
    Watch,
    WatchSettings,
    stall_suspicion,
)

RENEW_S: Final = 0.15  # chosen: a lease of 0.5 s survives two late turns of the loop
SAVE_S: Final = 1.0  # measured: a save a second costs 10 KiB, a save a pulse eleven times that
LATE_COAST_S: Final = 3.0  # a pulse this soon after a cut is still the coast of that run
STRAYS_MAX_N: Final = 3  # so many pulses at rest within STRAYS_S mean power where none should be
STRAYS_S: Final = 3.0
IDLE_RUNS_N: Final = 3  # so many short runs in a row without a pulse are a stall


class Helm:
    """The motor, the sensor and what is known about the rod."""

    def __init__(
        self,
        *,
        watch: WatchSettings,
        safety: SafetySettings,
        counter: Counter,
        landing: Landing,
        debounce: Debounce,
        at_s: float,
    ) -> None:
        self.state = MotionState.RESTING
        self.counter, self.landing, self.debounce = counter, landing, debounce
        self.budget = MotorBudget(
            on_time_max_s=watch.on_time_max_s, duty_ratio=watch.duty_ratio, at_s=at_s
        )
        self.watch = Watch(watch)
        self.watch_settings, self._safety = watch, safety
        self.direction: Direction | None = None  # of this run or the last one
        self.leg: Leg | None = None
        self.rate_pulses_per_s: float | None = None
        self.on_s = 0.0  # motor time of the present task
        self.still_since_s: float | None = at_s - watch.pause_s
        self._moved = False  # since the last rest was saved
        self._idle_runs_n = self._started_pulses = 0
        self._cut_at_s: float | None = None
        self._renew_at_s = self._save_at_s = 0.0
        self._last_edge: SettledEdge | None = None
        self._pulse_s: float | None = None
        self._strays_s: deque[float] = deque(maxlen=STRAYS_MAX_N)
        self._second_closed: bool | None = None

    @property
    def runs(self) -> bool:
        """Tell whether the motor is on."""
        return self.state in RUNNING

    @property
    def was_idle(self) -> bool:
        """Tell whether this run has made no pulse so far."""
        return self.counter.count_pulses == self._started_pulses

    def may_start(self, at_s: float) -> bool:
        """Tell whether the rod has stood long enough for another run."""
        return self.state is MotionState.RESTING and not self._moved and self._paused(at_s)

    @property
    def stretch(self) -> Stretch:
        """Return the places that count and contact allow."""
        return Stretch.of(self.counter.count_pulses, self.debounce.closed, self.landing.closed_part)

    def wake_s(self, at_s: float) -> float:
        """Return when the next tick is needed at the latest."""
        due = [at_s + (0.05 if self.state not in (MotionState.RESTING,) else 1.0)]
        due += [t for t in (self.debounce.due_s, self._cut_at_s if self.runs else None) if t]
        return min(due)

    def start(self, leg: Leg, situation: Situation) -> list[Order | Happening]:
        """Switch the motor on for a leg, if the gate permits it."""
        now_s = situation.now_s
        wanted = RunMotor(direction=leg.direction, until_s=now_s + self._safety.lease_s)
        order = permit(wanted, situation, self._safety)
        if isinstance(order, StopMotor):
            return [order, Refused(reason=order.reason)]
        self.state = next_state(self.state, run_trigger(leg.direction))
        self.leg, self.direction = leg, leg.direction
        self._begin(leg, now_s)
        intention = SaveIntention(
            count_pulses=self.counter.count_pulses,
            doubt_pulses=self.counter.doubt_pulses,
            direction=leg.direction,
            bound_pulses=self._bound(leg),
        )
        return [intention, order]

    def motor_on(self, at_s: float) -> None:
        """Take the instant at which the drive really closed, after the intention was written."""
        run = self.landing.approach
        if not self.runs or run is None or run.pulses_n or self.leg is None:
            return
        self.watch.start(at_s)
        self._cut_at_s = self.landing.begin(
            at_s=at_s,
            direction=self.leg.direction,
            target_pulses=self.leg.target_pulses,
            rest=self.stretch,
        )

    def cut(self, at_s: float, reason: str) -> list[Order | Happening]:
        """Switch the motor off; always done, whatever the state."""
        if self.runs:
            self.state = next_state(self.state, Trigger.CUT)
            self._after_cut(at_s)
        return [StopMotor(reason=reason)]

    def fail(self, at_s: float, reason: str) -> list[Order | Happening]:
        """Switch off and stay off until a person has looked."""
        if self.runs:
            self._after_cut(at_s)
        if self.state is not MotionState.FAULTED:
            self.state = next_state(self.state, Trigger.FAIL)
        return [StopMotor(reason=reason)]

    def clear(self) -> None:
        """Leave the fault."""
        self.state = next_state(self.state, Trigger.CLEAR)

    def edge(self, event: ReedEdge) -> list[Order | Happening]:
        """Take a raw edge of the sensor."""
        out: list[Order | Happening] = []
        if event.lost_edges:
            out.append(Uneasy(text=self.counter.lose(event.lost_edges).text))
        settled = self.debounce.feed(at_s=event.at_s, closed=event.closed)
        if settled:
            out += self._settled(settled)
        self._second_closed = event.second_closed
        return out

    def tick(self, situation: Situation, *, edges_until_s: float) -> list[Order | Happening]:
        """Do what the time asks for; edges are known up to `edges_until_s`.

        Edges that were read late must not be judged by a clock that has run ahead of them.
        """
        out: list[Order | Happening] = []
        settled = self.debounce.flush(at_s=edges_until_s)
        if settled:
            out += self._settled(settled)
        if any(isinstance(item, Failed) for item in out):
            return out  # the motor must not be renewed in the same breath
        if self.runs:
            out += self._tick_running(situation)
        else:
            out += self._tick_off(situation.now_s)
        return out

    def _begin(self, leg: Leg, at_s: float) -> None:
        self.counter.begin_run()
        self._started_pulses = self.counter.count_pulses
        self.watch.start(at_s)
        self.budget.run(at_s, runs=True)
        self._last_edge = self._pulse_s = None
        self._moved = True
        self.still_since_s = None
        self._renew_at_s, self._save_at_s = at_s + RENEW_S, at_s + SAVE_S
        self._cut_at_s = self.landing.begin(
            at_s=at_s, direction=leg.direction, target_pulses=leg.target_pulses, rest=self.stretch
        )

    def _after_cut(self, at_s: float) -> None:
        self.landing.cut(at_s=at_s)
        self.watch.cut(at_s)
        self.budget.run(at_s, runs=False)
        if self.watch.started_s is not None:
            self.on_s += max(0.0, at_s - self.watch.started_s)
        self._cut_at_s = None

    def _bound(self, leg: Leg) -> int:
        if leg.target_pulses is not None:
            return leg.target_pulses + leg.direction.sign * self.watch_settings.coast_max_pulses
        travel = int(self.watch_settings.rate_max_pulses_per_s * self._safety.max_run_s)
        return self.counter.count_pulses + leg.direction.sign * travel

    def _tick_running(self, situation: Situation) -> list[Order | Happening]:
        now_s, direction = situation.now_s, self.direction
        assert direction is not None
        if self._cut_at_s is not None and now_s >= self._cut_at_s:
            return self.cut(now_s, "landing")
        if self.watch.stalled(now_s):
            return [*self.cut(now_s, "no pulse"), Stalled(direction=direction)]
        if now_s < self._renew_at_s:
            return self._save(now_s)
        wanted = RunMotor(direction=direction, until_s=now_s + self._safety.lease_s)
        order = permit(wanted, situation, self._safety)
        if isinstance(order, StopMotor):
            return [*self.cut(now_s, order.reason), Refused(reason=order.reason)]
        self._renew_at_s = now_s + RENEW_S
        return [order, *self._save(now_s)]

    def _tick_off(self, at_s: float) -> list[Order | Happening]:
        if self.state is MotionState.SETTLING and self._paused(at_s):
            self.state = next_state(self.state, Trigger.SETTLED)
        if not self._moved or self.direction is None:
            return []
        if not self.watch.stands(at_s, self.landing.coast_wait_s(self.direction)):
            return self._save(at_s)
        return self._stand(at_s, self.direction)

    def _stand(self, at_s: float, direction: Direction) -> list[Order | Happening]:
        self._moved = False
        self.still_since_s = at_s
        self.rate_pulses_per_s = None
        self._count_idle_run()
        self.landing.rest(self.stretch)
        if self.state is MotionState.COASTING:
            self.state = next_state(self.state, Trigger.STANDSTILL)
        stalled = [Stalled(direction=direction)] if self._idle_runs_n >= IDLE_RUNS_N else []
        if stalled:
            self._idle_runs_n = 0
        return [self.rest_order(), *stalled, Stood(direction=direction)]

    def _count_idle_run(self) -> None:
        """Count the runs in a row that ought to have made a pulse and made none."""
        run = self.landing.approach
        if run is None or run.expected_pulses is None:
            return
        expected_pulses = abs(run.expected_pulses - run.start_place_pulses)
        if not self.was_idle:
            self._idle_runs_n = 0
        elif expected_pulses >= 1:
            self._idle_runs_n += 1

    def rest_order(self) -> SaveRest:
        """Return the order to write the count as it stands."""
        return SaveRest(
            count_pulses=self.counter.count_pulses,
            doubt_pulses=self.counter.doubt_pulses,
            reed_closed=self.debounce.closed,
        )

    def _paused(self, at_s: float) -> bool:
        since_s = self.still_since_s
        return since_s is not None and at_s - since_s >= self.watch_settings.pause_s

    def _save(self, at_s: float) -> list[Order | Happening]:
        if at_s < self._save_at_s:
            return []
        self._save_at_s = at_s + SAVE_S
        counter = self.counter
        return [
            SaveCheckpoint(count_pulses=counter.count_pulses, doubt_pulses=counter.doubt_pulses)
        ]

    def _settled(self, edge: SettledEdge) -> list[Order | Happening]:
        direction = self._way_of(edge)
        if direction is None:
            return self._stray(edge)
        out: list[Order | Happening] = []
        if self._second_closed is not None and self.runs and direction is not self.direction:
            suspicion = self.watch.against(direction)
            if suspicion:
                out.append(Failed(suspicion=suspicion))
        self.watch.edge(edge.at_s)
        found = self.counter.turn(edge, direction)
        self._observe_duty(edge)
        if isinstance(found, Doubtful):
            out.append(Uneasy(text=found.text))
        if isinstance(found, Pulse):
            out += self._pulse(found)
        return out

    def _way_of(self, edge: SettledEdge) -> Direction | None:
        """Return the way the rod goes at an edge, None when it has no business to move."""
        if self._second_closed is not None:
            return Direction.WEST if edge.closed is not self._second_closed else Direction.EAST
        if self.direction is None:
            return None
        if self.runs or self._moved:
            return self.direction
        cut_s = self.watch.cut_s
        if cut_s is not None and edge.at_s - cut_s <= LATE_COAST_S:
            return self.direction
        return None

    def _pulse(self, pulse: Pulse) -> list[Order | Happening]:
        out: list[Order | Happening] = []
        if self._pulse_s is not None and pulse.at_s > self._pulse_s:
            self.rate_pulses_per_s = 1 / (pulse.at_s - self._pulse_s)
        self._pulse_s = pulse.at_s
        gap = self.counter.fill_gap(pulse.direction)
        if gap:
            out.append(Uneasy(text=gap.text))
        place = float(self.counter.count_pulses - pulse.count_pulses) + pulse.place_pulses
        planned_s = self.landing.pulse(at_s=pulse.at_s, place_pulses=place)
        if planned_s is not None and self._cut_at_s is not None:
            self._cut_at_s = planned_s
        suspicion = self.watch.pulse(pulse.at_s)
        if suspicion:
            out.append(Failed(suspicion=suspicion))
        if not self.runs and not self._moved:
            self._moved = True  # a late coast, or a hand on the screw: stand and save once more
            self.still_since_s = None
            self.direction = self.direction or pulse.direction
            self.watch.cut(pulse.at_s)
        return out

    def _stray(self, edge: SettledEdge) -> list[Order | Happening]:
        stray = self.counter.stray(edge)
        if stray is None:
            return []
        self._strays_s.append(edge.at_s)
        out: list[Order | Happening] = [self.rest_order(), Uneasy(text=stray.text)]
        many = len(self._strays_s) == STRAYS_MAX_N
        if many and edge.at_s - self._strays_s[0] <= STRAYS_S:
            text = f"{STRAYS_MAX_N} pulses in {STRAYS_S:g} s while the motor is switched off"
            out.append(Failed(suspicion=Suspicion(text=text, advice=WELDED_ADVICE)))
        return out

    def _observe_duty(self, edge: SettledEdge) -> None:
        """Learn which part of an interval has the contact closed."""
        before, self._last_edge = self._last_edge, edge
        run = self.landing.approach
        if before is None or run is None or run.pulses_n < 4 or edge.closed:
            return
        if self.runs and before.closed:
            self.landing.observe_closed_part((edge.at_s - before.at_s) * run.rate_pulses_per_s)


def stall_failure(helm: Helm, direction: Direction) -> Failed:
    """Return the fault for a stall that is no arrival."""
    return Failed(
        suspicion=stall_suspicion(direction, helm.watch_settings.stall_s, helm.counter.count_pulses)
    )
