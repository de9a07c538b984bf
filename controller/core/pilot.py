"""The pilot: every event comes in here, every order goes out here.

`handle` takes one event and returns what is to be done, in this order. It does nothing itself
and is told by further events how it went.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import ceil
from typing import TYPE_CHECKING

from controller.core import commands as ask
from controller.core.asking import (
    Admission,
    Knowledge,
    find_satellite,
    moves_the_dish,
    task_for,
)
from controller.core.counting import Counter, recall_count
from controller.core.debounce import Debounce
from controller.core.events import (
    CommandReceived,
    CommandUnreadable,
    CurrentRead,
    DoorFailed,
    Event,
    HoldInputChanged,
    LeaseExpired,
    LimitSwitchChanged,
    ModelFitted,
    MotorOn,
    ReedEdge,
    SignalRead,
    StopInputChanged,
    StoreFailed,
    StoreRecovered,
)
from controller.core.helm import (
    Failed,
    Happening,
    Helm,
    Refused,
    Stalled,
    Stood,
    Uneasy,
    stall_failure,
)
from controller.core.landing import Habit, Landing, LandingSettings
from controller.core.memory import Remembered
from controller.core.motion import Direction, MotionState
from controller.core.orders import (
    Answer,
    DropReferences,
    FitModel,
    Notice,
    Order,
    Outcome,
    SaveFault,
    SaveHold,
    SaveLanding,
    SaveLimits,
    SaveMove,
    SaveReference,
    Severity,
)
from controller.core.picture import Scene, picture
from controller.core.safety import Purpose, SafetySettings, Situation, soft_limits
from controller.core.status import Status
from controller.core.tasks import Finish, LimitSearch, Task
from controller.core.watch import Suspicion, WatchSettings, wrong_side_suspicion
from controller.errors import CommandRefused, GeometryError
from controller.geometry.priors import Reference

if TYPE_CHECKING:
    from controller.geometry.model import Model

COAST_GUESS_PULSES = 6  # a run whose end was not seen coasts about this far
CLEAR_ADVICE = "Look at the dish, remove the cause, then clear the fault."


@dataclass(frozen=True, kw_only=True)
class PilotSettings:
    """Everything the configuration says about decisions."""

    dish: str
    satellites: Mapping[str, float] = field(default_factory=dict)  # name to slot
    landing: LandingSettings = field(default_factory=LandingSettings)
    safety: SafetySettings = field(default_factory=SafetySettings)
    watch: WatchSettings = field(default_factory=WatchSettings)
    stable_s: float = 0.003
    switches: frozenset[Direction] = frozenset()  # ends with a limit switch on the board
    park_slot_deg: float | None = None
    park_count_pulses: int | None = None
    travel_pulses: float | None = None  # by the tape
    travel_tolerance_pulses: float = 0.0
    save_period_s: float = 1.0
    signal_max_age_s: float = 5.0


@dataclass(kw_only=True)
class Under:
    """The task under way, and how it began."""

    task: Task
    satellite: str | None
    from_pulses: int
    started_s: float


class Pilot:
    """Decide everything, do nothing."""

    def __init__(self, settings: PilotSettings, remembered: Remembered, *, at_s: float) -> None:
        self._settings = settings
        self._west_limit_pulses = remembered.west_limit_pulses
        self._references = {r.name: r for r in remembered.references}
        self._held, self._hold_reason = remembered.held, remembered.hold_reason
        self._hold_input = self._stop_pressed = False
        self._fault, self._advice = remembered.fault_text, remembered.fault_advice
        self._end: Direction | None = None  # the limit switch that is active
        self._found_end: Direction | None = None  # the end that this run came to
        self._store_trouble = ""
        self._model: Model | None = None
        self._counts: dict[str, float] = {}
        self._under: Under | None = None
        self._admission = Admission(stale_s=settings.safety.stale_s)
        self._signal: tuple[float, float] | None = None
        self._current_a: float | None = None
        self._waiting = ""
        self._saved_habits: dict[Direction, Habit] = {}
        self._helm = self._new_helm(remembered, at_s)
        if self._fault:
            self._helm.fail(at_s, self._fault)
        self._at_s = at_s

    def begin(self) -> list[Order]:
        """Return what is to be done before the first event."""
        out: list[Order] = [self._helm.rest_order(), self._fit()]
        if self._helm.counter.doubt_pulses is None:
            text = "the count is not known"
            out.append(_note(Severity.WARNING, text, "Find the limits: arckeeper limits."))
        elif self._helm.counter.doubt_pulses > self._settings.safety.doubt_max_pulses:
            text = f"the count may be wrong by {self._helm.counter.doubt_pulses} pulses"
            advice = "Find the limits, or peak on a satellite and settle the count on it."
            out.append(_note(Severity.WARNING, text, advice))
        return out

    def handle(self, event: Event) -> list[Order]:
        """Take one event, return what to do about it."""
        self._at_s = max(self._at_s, event.at_s)
        out = self._take(event)
        out += self._act_on(self._helm.tick(self._situation()))
        return out + self._go_on()

    def wake_s(self) -> float:
        """Return the time by which the next event must come, a tick if nothing else."""
        return self._helm.wake_s(self._at_s)

    def status(self) -> Status:
        """Return the one picture."""
        under = self._under
        signal = self._signal
        stale = signal is None or self._at_s - signal[0] > self._settings.signal_max_age_s
        scene = Scene(
            dish=self._settings.dish,
            counts=self._counts,
            model=self._model,
            west_limit_pulses=self._west_limit_pulses,
            references_n=len(self._references),
            target_pulses=under.task.target_pulses if under else None,
            target_satellite=under.satellite if under else None,
            from_pulses=under.from_pulses if under else None,
            held=self._held or self._hold_input,
            hold_reason=self._why_held(),
            stop_pressed=self._stop_pressed,
            fault=self._fault,
            advice=self._advice,
            waiting=self._waiting,
            current_a=self._current_a,
            signal=None if signal is None or stale else signal[1],
        )
        return picture(self._helm, scene, self._settings.safety)

    @property
    def motor_runs(self) -> bool:
        """Tell whether the relays ought to be closed now."""
        return self._helm.runs

    # --- events ---

    def _take(self, event: Event) -> list[Order]:
        match event:
            case ReedEdge():
                return self._act_on(self._helm.edge(event))
            case CommandReceived():
                return self._command(event)
            case MotorOn(at_s=at_s):
                self._helm.motor_on(at_s)
            case CommandUnreadable(command_id=command_id, reason=reason):
                return [_answer(command_id, Outcome.REFUSED, reason)]
            case LimitSwitchChanged(side=side, active=active):
                return self._switch(side, active=active)
            case StopInputChanged(active=active):
                return self._stop_input(active=active)
            case HoldInputChanged(active=active):
                return self._hold_input_turned(active=active)
            case SignalRead(level=level):
                self._signal = (event.at_s, level)
            case _:
                return self._take_rarer(event)
        return []

    def _take_rarer(self, event: Event) -> list[Order]:
        match event:
            case CurrentRead(current_a=current_a):
                self._current_a = current_a
                suspicion = self._helm.watch.current(event.at_s, current_a)
                return self._fail(suspicion) if suspicion else []
            case LeaseExpired():
                return self._interrupt("the drive opened its relays: the loop was late")
            case StoreFailed(reason=reason):
                self._store_trouble = reason
                text = f"the count cannot be saved: {reason}"
                notice = _note(Severity.WARNING, text, "Look at the disk; moves are refused.")
                return [*self._interrupt(text), notice]
            case StoreRecovered():
                self._store_trouble = ""
                return [_note(Severity.NOTE, "the count can be saved again"), self._rest()]
            case DoorFailed(reason=reason):
                return self._fail(Suspicion(text=reason, advice=CLEAR_ADVICE))
            case ModelFitted(model=model, reason=reason):
                return self._take_model(model, reason)
        return []

    def _switch(self, side: Direction, *, active: bool) -> list[Order]:
        if not active:
            self._end = None if self._end is side else self._end
            return []
        self._end = side
        if not self._helm.runs:
            return []
        direction = self._helm.direction
        if direction is side:
            self._found_end = side
            return self._act_on(self._helm.cut(self._at_s, f"{side.value} limit switch"))
        assert direction is not None
        return self._fail(wrong_side_suspicion(direction, side))

    def _stop_input(self, *, active: bool) -> list[Order]:
        self._stop_pressed = active
        return self._interrupt("the stop input was pressed") if active else []

    def _hold_input_turned(self, *, active: bool) -> list[Order]:
        self._hold_input = active
        return self._interrupt("the hold switch was turned") if active else []

    def _take_model(self, model: "Model | None", reason: str) -> list[Order]:
        if model is None:
            text = f"no model of the mount: {reason}"
            return [_note(Severity.WARNING, text, "The model used so far stays in use.")]
        self._model = model
        self._counts = {}
        for name, slot_deg in self._settings.satellites.items():
            try:
                self._counts[name] = model.predict(slot_deg).count_pulses
            except GeometryError:
                continue  # not on this dish's arc
        return [
            _note(
                Severity.WARNING, f"the reference {name} does not fit the others", "Peak it again."
            )
            for name in model.suspects
        ]

    # --- commands ---

    def _command(self, event: CommandReceived) -> list[Order]:
        if isinstance(event.command, ask.Halt):
            return [*self._interrupt("halted"), *_done(event.command_id, "the relays are open")]
        reasons = self._admission.objections(event)
        if reasons:
            return [_answer(event.command_id, Outcome.REFUSED, "; ".join(reasons))]
        try:
            if moves_the_dish(event.command):
                return self._move(event)
            return [*self._obey(event.command), *_done(event.command_id, "done")]
        except CommandRefused as error:
            return [_answer(event.command_id, Outcome.REFUSED, str(error))]

    def _move(self, event: CommandReceived) -> list[Order]:
        self._refuse_to_move()
        task, satellite = task_for(
            event.command,
            event.command_id,
            self._knowledge(),
            landing=self._settings.landing,
            safety=self._settings.safety,
        )
        self._refuse_in_doubt(task)
        out = self._interrupt(f"replaced by {task.asked.what}")
        self._helm.on_s = 0.0
        self._under = Under(
            task=task,
            satellite=satellite,
            from_pulses=self._helm.counter.count_pulses,
            started_s=self._at_s,
        )
        text = f"going to {task.asked.what}" if task.target_pulses is not None else task.asked.what
        out.append(
            replace(
                _answer(event.command_id, Outcome.ACCEPTED, text), target_pulses=task.target_pulses
            )
        )
        return out

    def _refuse_to_move(self) -> None:
        reasons = []
        if self._fault:
            reasons.append(f"a fault is latched: {self._fault}. {self._advice}")
        if self._held or self._hold_input:
            reasons.append(f"moves are held{': ' + why if (why := self._why_held()) else ''}")
        if self._stop_pressed:
            reasons.append("the stop input is active")
        if self._store_trouble:
            reasons.append(f"the count cannot be saved: {self._store_trouble}")
        if self._under and isinstance(self._under.task, LimitSearch):
            reasons.append("the limits are being searched: halt that first")
        if reasons:
            raise CommandRefused("; ".join(reasons))

    def _refuse_in_doubt(self, task: Task) -> None:
        if task.purpose is not Purpose.TRAVEL:
            return
        doubt, bound = self._helm.counter.doubt_pulses, self._settings.safety.doubt_max_pulses
        if doubt is None:
            raise CommandRefused("the count is not known: find the limits first")
        if doubt > bound:
            raise CommandRefused(
                f"the count may be wrong by {doubt} pulses, more than {bound}: "
                "find the limits, or settle it on a satellite"
            )
        if self._west_limit_pulses is None:
            raise CommandRefused("the ends of the travel are not known: find the limits first")

    def _obey(self, command: ask.Command) -> list[Order]:
        match command:
            case ask.Hold(reason=reason):
                self._held, self._hold_reason = True, reason
                return [*self._interrupt("moves are held"), SaveHold(held=True, reason=reason)]
            case ask.Release():
                self._held, self._hold_reason = False, ""
                return [SaveHold(held=False, reason="")]
            case ask.ClearFault():
                return self._clear_fault()
            case ask.TakeReference(name=name, sigma_pulses=sigma_pulses):
                return self._take_reference(name, sigma_pulses)
            case ask.DropReference(name=name):
                return self._drop_reference(name)
            case ask.SettleCount(name=name):
                return self._settle_count(name)
        raise CommandRefused(f"{type(command).__name__} is not known here")

    def _clear_fault(self) -> list[Order]:
        if not self._fault:
            raise CommandRefused("no fault is latched")
        if self._helm.still_since_s is None:
            raise CommandRefused("the rod still moves: wait until it stands")
        self._fault = self._advice = ""
        self._helm.clear()
        return [SaveFault(text="", advice="")]

    def _take_reference(self, name: str, sigma_pulses: float | None) -> list[Order]:
        name = find_satellite(name, self._settings.satellites)
        self._need_rest()
        doubt = self._helm.counter.doubt_pulses
        if doubt is None or doubt > self._settings.safety.doubt_max_pulses:
            raise CommandRefused("a reference needs a known count: find the limits first")
        if sigma_pulses is not None and not 0 < sigma_pulses <= 100:
            raise CommandRefused(f"sigma must be between 0 and 100 pulses, not {sigma_pulses:g}")
        reference = Reference(
            name=name,
            slot_deg=self._settings.satellites[name],
            count_pulses=float(self._helm.counter.count_pulses),
            sigma_pulses=sigma_pulses or (1.0 + doubt**2) ** 0.5,
        )
        self._references[name] = reference
        signal = self.status().signal
        save = SaveReference(
            name=name,
            slot_deg=reference.slot_deg,
            count_pulses=self._helm.counter.count_pulses,
            sigma_pulses=reference.sigma_pulses,
            signal=signal,
        )
        return [save, self._fit()]

    def _drop_reference(self, name: str) -> list[Order]:
        name = find_satellite(name, dict.fromkeys(self._references, 0.0))
        del self._references[name]
        return [DropReferences(name=name), self._fit()]

    def _settle_count(self, name: str) -> list[Order]:
        name = find_satellite(name, self._settings.satellites)
        self._need_rest()
        if self._model is None or self._west_limit_pulses is None:
            raise CommandRefused("the model needs both limits first: find the limits")
        try:
            seen = self._model.predict(self._settings.satellites[name])
        except GeometryError as error:
            raise CommandRefused(str(error)) from error
        off = self._helm.counter.settle(
            count_pulses=round(seen.count_pulses), doubt_pulses=ceil(2 * seen.sigma_pulses)
        )
        text = f"the count was {off:+d} pulses off on {name} and is settled"
        return [self._rest(), _note(Severity.NOTE, text)]

    def _need_rest(self) -> None:
        if self._under or self._helm.runs or self._helm.still_since_s is None:
            raise CommandRefused("the dish moves: wait until it rests")

    # --- what the helm reports ---

    def _act_on(self, found: list[Order | Happening]) -> list[Order]:
        out: list[Order] = []
        for item in found:
            match item:
                case Order():
                    out.append(item)
                case Refused(reason=reason):
                    out += self._refused(reason)
                case Failed(suspicion=suspicion):
                    out += self._fail(suspicion)
                case Stalled(direction=direction):
                    out += self._stalled(direction)
                case Stood():
                    out += self._stood()
                case Uneasy(text=text):
                    out.append(_note(Severity.WARNING, text))
        return out

    def _refused(self, reason: str) -> list[Order]:
        if self._helm.budget.must_rest:
            return []  # it goes on when the motor has cooled
        return self._end_task(Outcome.STOPPED, reason)

    def _stalled(self, direction: Direction) -> list[Order]:
        if self._may_be_end(direction):
            self._found_end = direction
            return []
        return self._fail(stall_failure(self._helm, direction).suspicion)

    def _may_be_end(self, direction: Direction) -> bool:
        """Tell whether a stall toward `direction` is the actuator's own end switch."""
        counter = self._helm.counter
        searching = self._under is not None and self._under.task.purpose is Purpose.SEARCH
        if direction in self._settings.switches and self._end is not direction:
            return False
        if counter.doubt_pulses is None:
            return searching
        end = 0 if direction is Direction.EAST else self._west_limit_pulses
        if end is None:
            return searching
        room = self._settings.watch.end_window_pulses + counter.doubt_pulses
        return abs(counter.count_pulses - end) <= room

    def _stood(self) -> list[Order]:
        out: list[Order] = []
        end, self._found_end = self._found_end, None
        if end is not None:
            out += self._at_end(end)
        out += self._habits_learned()
        return out

    def _at_end(self, end: Direction) -> list[Order]:
        counter = self._helm.counter
        task = self._under.task if self._under else None
        if isinstance(task, LimitSearch):
            return self._end_found(task, end)
        place = 0 if end is Direction.EAST else self._west_limit_pulses
        if place is None or counter.doubt_pulses is None:
            return self._end_task(Outcome.STOPPED, f"came to the {end.value} end")
        off = counter.settle(count_pulses=place, doubt_pulses=1)
        text = f"came to the {end.value} end; the count was {off:+d} pulses off and is settled"
        return [
            self._rest(),
            _note(Severity.WARNING, text),
            *self._end_task(Outcome.STOPPED, text),
        ]

    def _end_found(self, task: LimitSearch, end: Direction) -> list[Order]:
        counter = self._helm.counter
        if end is Direction.EAST:
            known_before = self._west_limit_pulses is not None and bool(self._references)
            counter.settle(count_pulses=0, doubt_pulses=1 if known_before else 0)
            task.east_found = True
            return [self._rest()]
        limit = counter.count_pulses
        trouble = self._implausible(limit)
        if trouble:
            counter.forget()
            return [self._rest(), *self._fail(trouble)]
        task.west_limit_pulses = self._west_limit_pulses = limit
        return [SaveLimits(west_limit_pulses=limit), self._rest(), self._fit()]

    def _implausible(self, limit_pulses: int) -> Suspicion | None:
        travel, tolerance = self._settings.travel_pulses, self._settings.travel_tolerance_pulses
        least = 4 * self._settings.safety.soft_margin_pulses
        advice = (
            "Look whether something stopped the rod before its end, whether the sensor counts "
            "on the whole way, and whether stroke and pulses per mm in the configuration are right."
        )
        if travel is not None and abs(limit_pulses - travel) > tolerance:
            text = (
                f"the ends are {limit_pulses} pulses apart, by the tape it should be "
                f"{travel:.0f} within {tolerance:.0f}"
            )
            return Suspicion(text=text, advice=advice)
        if limit_pulses < least:
            text = f"the ends are only {limit_pulses} pulses apart, less than {least}"
            return Suspicion(text=text, advice=advice)
        return None

    def _habits_learned(self) -> list[Order]:
        out: list[Order] = []
        for direction, habit in self._helm.landing.habits.items():
            if self._saved_habits.get(direction) == habit:
                continue
            self._saved_habits[direction] = habit
            out.append(
                SaveLanding(
                    direction=direction,
                    coast_s=habit.coast_s,
                    coast_slow_s=habit.coast_slow_s,
                    rate_pulses_per_s=habit.rate_pulses_per_s,
                    spin_up_s=habit.spin_up_s,
                )
            )
        return out

    # --- going on, and ending ---

    def _go_on(self) -> list[Order]:
        """Take the next step of the task from a standstill."""
        self._waiting = ""
        if self._under is None or self._helm.state is not MotionState.RESTING:
            return []
        rest_s = self._helm.budget.rest_s(self._at_s)
        if rest_s > 0:
            self._waiting = f"the motor cools for {rest_s:.0f} s more"
            return []
        if self._found_end is not None or self._helm.still_since_s is None:
            return []
        step = self._under.task.next_step(self._helm.counter.count_pulses, self._helm.direction)
        if isinstance(step, Finish):
            return self._end_task(step.outcome, step.text)
        return self._act_on(self._helm.start(step, self._situation()))

    def _interrupt(self, reason: str) -> list[Order]:
        """Open the relays and end the task."""
        out = self._act_on(self._helm.cut(self._at_s, reason))
        return out + self._end_task(Outcome.STOPPED, reason)

    def _fail(self, suspicion: Suspicion) -> list[Order]:
        """Latch the first fault; later ones only open the relays again."""
        out = self._act_on(self._helm.fail(self._at_s, suspicion.text))
        out += self._end_task(Outcome.STOPPED, suspicion.text)
        if self._fault:
            return out
        self._fault, self._advice = suspicion.text, suspicion.advice
        save = SaveFault(text=suspicion.text, advice=suspicion.advice)
        return [*out, save, _note(Severity.FAULT, suspicion.text, suspicion.advice)]

    def _end_task(self, outcome: Outcome, text: str) -> list[Order]:
        under, self._under = self._under, None
        if under is None:
            return []
        count = self._helm.counter.count_pulses
        target = under.task.target_pulses
        answer = replace(
            _answer(under.task.asked.command_id, outcome, text),
            count_pulses=count,
            target_pulses=target,
        )
        move = SaveMove(
            command_id=under.task.asked.command_id,
            what=under.task.asked.what,
            from_pulses=under.from_pulses,
            target_pulses=count if target is None else target,
            final_pulses=count,
            duration_s=self._at_s - under.started_s,
            run_s=self._helm.on_s,
            corrections=under.task.corrections,
            outcome=outcome,
            reason=text,
        )
        return [answer, move]

    # --- what is known ---

    def _situation(self) -> Situation:
        helm = self._helm
        purpose = self._under.task.purpose if self._under else Purpose.TRAVEL
        search = self._under is not None and isinstance(self._under.task, LimitSearch)
        way_back = search and helm.leg is not None and helm.leg.target_pulses is not None
        return Situation(
            now_s=self._at_s,
            state=helm.state,
            purpose=Purpose.TRAVEL if way_back else purpose,
            count_pulses=helm.counter.count_pulses,
            doubt_pulses=helm.counter.doubt_pulses,
            west_limit_pulses=self._west_limit_pulses,
            run_started_s=helm.watch.started_s,
            still_since_s=helm.still_since_s,
            pause_s=self._settings.watch.pause_s,
            budget_left_s=helm.budget.left_s(self._at_s),
            end_reached=self._end,
            fault=self._fault,
            held=self._held or self._hold_input,
            hold_reason=self._why_held(),
            stop_pressed=self._stop_pressed,
            store_trouble=self._store_trouble,
        )

    def _knowledge(self) -> Knowledge:
        return Knowledge(
            satellites=self._settings.satellites,
            model=self._model,
            count_pulses=self._helm.counter.count_pulses,
            doubt_pulses=self._helm.counter.doubt_pulses,
            west_limit_pulses=self._west_limit_pulses,
            last=self._helm.direction,
            park_slot_deg=self._settings.park_slot_deg,
            park_count_pulses=self._settings.park_count_pulses,
        )

    def _why_held(self) -> str:
        return self._hold_reason or ("the switch at the dish" if self._hold_input else "")

    def _rest(self) -> Order:
        return self._helm.rest_order()

    def _fit(self) -> FitModel:
        references = tuple(self._references.values())
        return FitModel(references=references, west_limit_pulses=self._west_limit_pulses)

    def _new_helm(self, remembered: Remembered, at_s: float) -> Helm:
        settings = self._settings
        habits = {
            way: Habit(
                coast_s=r.coast_s,
                coast_slow_s=r.coast_slow_s,
                rate_pulses_per_s=r.rate_pulses_per_s,
                spin_up_s=r.spin_up_s,
            )
            for way, r in remembered.landing.items()
        }
        self._saved_habits = dict(habits)
        count, doubt = self._recalled(remembered, habits)
        record = remembered.count
        counter = Counter(
            count_pulses=count,
            doubt_pulses=doubt,
            rate_max_pulses_per_s=settings.watch.rate_max_pulses_per_s,
        )
        return Helm(
            watch=settings.watch,
            safety=settings.safety,
            counter=counter,
            landing=Landing(settings.landing, habits),
            debounce=Debounce(
                stable_s=settings.stable_s, closed=record.reed_closed if record else None
            ),
            at_s=at_s,
        )

    def _recalled(
        self, remembered: Remembered, habits: Mapping[Direction, Habit]
    ) -> tuple[int, int | None]:
        if remembered.count is None:
            return 0, None
        fastest = max((h.rate_pulses_per_s for h in habits.values()), default=None)
        bound = self._settings.watch.rate_max_pulses_per_s
        return recall_count(
            remembered.count,
            rate_pulses_per_s=bound if fastest is None else min(bound, 1.5 * fastest),
            coast_pulses=COAST_GUESS_PULSES,
            save_period_s=self._settings.save_period_s,
            west_limit_pulses=remembered.west_limit_pulses,
        )

    def soft_limits_pulses(self) -> tuple[int, int] | None:
        """Return the soft limits, None before both ends are known."""
        soft = soft_limits(self._west_limit_pulses, self._settings.safety)
        return (soft.east_pulses, soft.west_pulses) if soft else None


def _answer(command_id: str, outcome: Outcome, text: str) -> Answer:
    return Answer(command_id=command_id, outcome=outcome, text=text)


def _done(command_id: str, text: str) -> list[Order]:
    return [
        _answer(command_id, Outcome.ACCEPTED, text),
        _answer(command_id, Outcome.ARRIVED, text),
    ]


def _note(severity: Severity, text: str, advice: str = "") -> Notice:
    return Notice(severity=severity, text=text, advice=advice)
