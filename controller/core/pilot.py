"""The pilot: every event comes in here, every order goes out here.

`handle` takes one event and returns what is to be done, in this order. It does nothing itself
and is told by further events how it went.
"""

from controller.core import commands as ask
from controller.core import events as ev
from controller.core.asking import Admission, Knowledge, moves_the_dish, task_for
from controller.core.charts import Charts
from controller.core.memory import Remembered
from controller.core.orders import (
    Order,
    Outcome,
    SaveFault,
    SaveHold,
    Severity,
)
from controller.core.picture import Scene, picture
from controller.core.standing import Standing
from controller.core.status import Status
from controller.core.voyage import Voyage, answer, done, note
from controller.core.waking import PilotSettings, wake
from controller.core.watch import Suspicion
from controller.errors import CommandRefused

CLEAR_ADVICE = "Look at the dish, remove the cause, then clear the fault."


class Pilot:
    """Decide everything, do nothing."""

    def __init__(self, settings: PilotSettings, remembered: Remembered, *, at_s: float) -> None:
        self._settings = settings
        self._at_s = at_s
        self._standing = Standing(
            fault=remembered.fault_text,
            advice=remembered.fault_advice,
            held=remembered.held,
            reason=remembered.hold_reason,
        )
        self._charts = Charts(
            settings.satellites,
            references=remembered.references,
            west_limit_pulses=remembered.west_limit_pulses,
        )
        self._admission = Admission(stale_s=settings.safety.stale_s)
        self._helm = wake(settings, remembered, at_s=at_s)
        self._voyage = Voyage(
            settings, helm=self._helm, charts=self._charts, standing=self._standing, at_s=at_s
        )
        if self._standing.fault:
            self._helm.fail(at_s, self._standing.fault)
        self._signal: tuple[float, float] | None = None  # when, and the level
        self._current_a: float | None = None

    def begin(self) -> list[Order]:
        """Return what is to be done before the first event."""
        out: list[Order] = [self._helm.rest_order(), self._charts.fit_order()]
        doubt, bound = self._helm.counter.doubt_pulses, self._settings.safety.doubt_max_pulses
        if doubt is None:
            advice = "Find the limits: arckeeper limits."
            out.append(note(Severity.WARNING, "the count is not known", advice))
        elif doubt > bound:
            text = f"the count may be wrong by {doubt} pulses, more than {bound}"
            advice = "Find the limits, or peak on a satellite and settle the count on it."
            out.append(note(Severity.WARNING, text, advice))
        return out

    def handle(self, event: ev.Event) -> list[Order]:
        """Take one event, return what to do about it."""
        self._at_s = self._voyage.at_s = max(self._at_s, event.at_s)
        edges_s = event.at_s if isinstance(event, ev.ReedEdge) else self._at_s
        out = self._take(event)
        out += self._voyage.act_on(self._helm.tick(self._voyage.situation(), edges_until_s=edges_s))
        return out + self._voyage.go_on()

    def wake_s(self) -> float:
        """Return the time by which the next event must come, a tick if nothing else."""
        return self._helm.wake_s(self._at_s)

    def status(self) -> Status:
        """Return the one picture."""
        under, standing, charts = self._voyage.under, self._standing, self._charts
        scene = Scene(
            dish=self._settings.dish,
            counts=charts.counts,
            model=charts.model,
            west_limit_pulses=charts.west_limit_pulses,
            references_n=len(charts.references),
            target_pulses=under.task.target_pulses if under else None,
            target_satellite=under.satellite if under else None,
            from_pulses=under.from_pulses if under else None,
            held=standing.is_held,
            hold_reason=standing.hold_reason,
            stop_pressed=standing.stop_pressed,
            fault=standing.fault,
            advice=standing.advice,
            waiting=self._voyage.waiting,
            current_a=self._current_a,
            signal=self._fresh_signal(),
        )
        return picture(self._helm, scene, self._settings.safety)

    # events

    def _take(self, event: ev.Event) -> list[Order]:
        out: list[Order] = []
        match event:
            case ev.ReedEdge():
                out = self._voyage.act_on(self._helm.edge(event))
            case ev.MotorOn(at_s=at_s):
                self._helm.motor_on(at_s)
            case ev.CommandReceived():
                out = self._command(event)
            case ev.CommandUnreadable(command_id=command_id, reason=reason):
                out = [answer(command_id, Outcome.REFUSED, reason)]
            case ev.SignalRead(level=level):
                self._signal = (event.at_s, level)
            case ev.ModelFitted(model=model, reason=reason):
                out = self._charts.take_model(model, reason)
            case ev.CurrentRead(current_a=current_a):
                self._current_a = current_a
                suspicion = self._helm.watch.current(event.at_s, current_a)
                out = self._voyage.fail(suspicion) if suspicion else []
            case _:
                out = self._take_input(event) or self._take_trouble(event)
        return out

    def _take_input(self, event: ev.Event) -> list[Order]:
        out: list[Order] = []
        match event:
            case ev.LimitSwitchChanged(side=side, active=active):
                out = self._voyage.switch(side, active=active)
            case ev.StopInputChanged(active=active):
                self._standing.stop_pressed = active
                out = self._voyage.interrupt("the stop input was pressed") if active else []
            case ev.HoldInputChanged(active=active):
                self._standing.hold_input = active
                out = self._voyage.interrupt("the hold switch was turned") if active else []
        return out

    def _take_trouble(self, event: ev.Event) -> list[Order]:
        out: list[Order] = []
        match event:
            case ev.LeaseExpired():
                out = self._voyage.interrupt("the drive opened its relays: the loop was late")
            case ev.StoreFailed(reason=reason):
                self._standing.store_trouble = reason
                text = f"the count cannot be saved: {reason}"
                told = note(Severity.WARNING, text, "Look at the disk; moves are refused.")
                out = [*self._voyage.interrupt(text), told]
            case ev.StoreRecovered():
                self._standing.store_trouble = ""
                told = note(Severity.NOTE, "the count can be saved again")
                out = [told, self._helm.rest_order()]
            case ev.DoorFailed(reason=reason):
                out = self._voyage.fail(Suspicion(text=reason, advice=CLEAR_ADVICE))
        return out

    # commands

    def _command(self, event: ev.CommandReceived) -> list[Order]:
        if isinstance(event.command, ask.Halt):
            return [
                *self._voyage.interrupt("halted"),
                *done(event.command_id, "the relays are open"),
            ]
        reasons = self._admission.objections(event)
        if reasons:
            return [answer(event.command_id, Outcome.REFUSED, "; ".join(reasons))]
        try:
            if moves_the_dish(event.command):
                return self._move(event)
            return [*self._obey(event.command), *done(event.command_id, "done")]
        except CommandRefused as error:
            return [answer(event.command_id, Outcome.REFUSED, str(error))]

    def _move(self, event: ev.CommandReceived) -> list[Order]:
        reasons = list(self._standing.objections())
        if self._voyage.searches:
            reasons.append("the limits are being searched: halt that first")
        if reasons:
            raise CommandRefused("; ".join(reasons))
        task, satellite = task_for(
            event.command,
            event.command_id,
            self._knowledge(),
            landing=self._settings.landing,
            safety=self._settings.safety,
        )
        out = self._voyage.interrupt(f"replaced by {task.asked.what}")
        self._voyage.begin(task, satellite)
        target = task.target_pulses
        text = task.asked.what if target is None else f"going to {task.asked.what}"
        return [*out, answer(event.command_id, Outcome.ACCEPTED, text, target_pulses=target)]

    def _obey(self, command: ask.Command) -> list[Order]:
        counter, charts = self._helm.counter, self._charts
        out: list[Order] = []
        match command:
            case ask.Hold(reason=reason):
                self._standing.held, self._standing.reason = True, reason
                out = [
                    *self._voyage.interrupt("moves are held"),
                    SaveHold(held=True, reason=reason),
                ]
            case ask.Release():
                self._standing.held, self._standing.reason = False, ""
                out = [SaveHold(held=False, reason="")]
            case ask.ClearFault():
                out = self._clear_fault()
            case ask.TakeReference(name=name, sigma_pulses=sigma_pulses):
                self._need_rest()
                out = charts.take_reference(
                    name, counter, sigma_pulses=sigma_pulses, signal=self._fresh_signal()
                )
            case ask.DropReference(name=name):
                out = charts.drop_reference(name)
            case ask.SettleCount(name=name):
                self._need_rest()
                text = charts.settle_count(name, counter)
                out = [self._helm.rest_order(), note(Severity.NOTE, text)]
            case _:
                raise CommandRefused(f"{type(command).__name__} is not known here")
        return out

    def _clear_fault(self) -> list[Order]:
        if not self._standing.fault:
            raise CommandRefused("no fault is latched")
        self._need_rest()
        self._standing.fault = self._standing.advice = ""
        self._helm.clear()
        return [SaveFault(text="", advice="")]

    def _need_rest(self) -> None:
        if self._voyage.under or self._helm.runs or self._helm.still_since_s is None:
            raise CommandRefused("the dish moves: wait until it rests, or halt it")

    # what is known

    def _fresh_signal(self) -> float | None:
        if self._signal is None:
            return None
        read_s, level = self._signal
        return level if self._at_s - read_s <= self._settings.signal_max_age_s else None

    def _knowledge(self) -> Knowledge:
        counter, settings = self._helm.counter, self._settings
        return Knowledge(
            satellites=settings.satellites,
            model=self._charts.model,
            count_pulses=counter.count_pulses,
            doubt_pulses=counter.doubt_pulses,
            west_limit_pulses=self._charts.west_limit_pulses,
            park_slot_deg=settings.park_slot_deg,
            park_count_pulses=settings.park_count_pulses,
        )
