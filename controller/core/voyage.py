"""The move under way: from its first step to its last, whatever comes in between.

Rule 1: a task is asked for its next step at standstill only.
Rule 2: whatever ends a run opens the relays first and explains afterwards.
Rule 3: the first fault is latched; later ones only open the relays again.
"""

from dataclasses import dataclass

from controller.core.charts import Charts
from controller.core.ends import EndSettings, end_found, may_be_end, settle_at_end
from controller.core.happenings import Failed, Happening, Refused, Stalled, Stood, Uneasy
from controller.core.helm import Helm, stall_failure
from controller.core.motion import Direction
from controller.core.orders import (
    Answer,
    Notice,
    Order,
    Outcome,
    SaveFault,
    SaveLanding,
    SaveLimits,
    SaveMove,
    Severity,
)
from controller.core.safety import Purpose, Situation
from controller.core.standing import Standing
from controller.core.tasks import Finish, LimitSearch, Task
from controller.core.waking import PilotSettings
from controller.core.watch import Suspicion, both_ends_suspicion, wrong_side_suspicion

SWITCH_BOUNCE_S = 0.1  # chosen: fifty times the longest bounce of a contact


@dataclass(kw_only=True)
class Under:
    """The task under way, and how it began."""

    task: Task
    satellite: str | None
    from_pulses: int
    started_s: float


class Voyage:
    """Carry a task through its runs, and account for how each one ended."""

    def __init__(
        self,
        settings: PilotSettings,
        *,
        helm: Helm,
        charts: Charts,
        standing: Standing,
        at_s: float,
    ) -> None:
        self.at_s = at_s
        self.waiting = ""
        self.under: Under | None = None
        self._helm, self._charts, self._standing = helm, charts, standing
        self._pause_s = settings.watch.pause_s
        self._ends = EndSettings(
            switches=settings.switches,
            window_pulses=settings.watch.end_window_pulses,
            least_travel_pulses=4 * settings.safety.soft_margin_pulses,
            travel_pulses=settings.travel_pulses,
            travel_tolerance_pulses=settings.travel_tolerance_pulses,
        )
        self._left_s: dict[Direction, float] = {}  # when each limit switch was let go
        self._found_end: Direction | None = None  # the end that this run came to
        self._saved_habits = dict(helm.landing.habits)

    @property
    def searches(self) -> bool:
        """Tell whether the limits are being searched."""
        return self.under is not None and isinstance(self.under.task, LimitSearch)

    def begin(self, task: Task, satellite: str | None) -> None:
        """Take a task; its first step comes with the next `go_on`."""
        self._helm.on_s = 0.0
        self._found_end = None  # what an earlier run came to says nothing to this task
        self.under = Under(
            task=task,
            satellite=satellite,
            from_pulses=self._helm.counter.count_pulses,
            started_s=self.at_s,
        )

    def act_on(self, found: list[Order | Happening]) -> list[Order]:
        """Turn what the helm reports into orders."""
        out: list[Order] = []
        for item in found:
            match item:
                case Order():
                    out.append(item)
                case Refused(reason=reason):
                    out += self._refused(reason)
                case Failed(suspicion=suspicion):
                    out += self.fail(suspicion)
                case Stalled(direction=direction):
                    out += self._stalled(direction)
                case Stood():
                    out += self._stood()
                case Uneasy(text=text):
                    out.append(note(Severity.WARNING, text))
        return out

    def _refused(self, reason: str) -> list[Order]:
        if self._helm.budget.must_rest:
            return []  # it goes on when the motor has cooled
        return self.end_task(Outcome.STOPPED, reason)

    def _stalled(self, direction: Direction) -> list[Order]:
        counter = self._helm.counter
        is_end = may_be_end(
            direction,
            counter=counter,
            charts=self._charts,
            switch=self._standing.end,
            searching=self._purpose() is Purpose.SEARCH,
            was_idle=self.under is None or counter.count_pulses == self.under.from_pulses,
            settings=self._ends,
        )
        if not is_end:
            return self.fail(stall_failure(self._helm, direction).suspicion)
        self._found_end = direction
        return []

    def _stood(self) -> list[Order]:
        out: list[Order] = []
        end, self._found_end = self._found_end, None
        if end is not None:
            out += self._at_end(end)
        for direction, habit in self._helm.landing.habits.items():
            if self._saved_habits[direction] != habit:
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

    def _at_end(self, end: Direction) -> list[Order]:
        counter, charts = self._helm.counter, self._charts
        task = self.under.task if self.under else None
        if not isinstance(task, LimitSearch):
            text = settle_at_end(end, counter, charts)
            told = note(Severity.WARNING, text)
            return [self._helm.rest_order(), told, *self.end_task(Outcome.STOPPED, text)]
        trouble = end_found(task, end, counter, charts, self._ends)
        if trouble:
            return [self._helm.rest_order(), *self.fail(trouble)]
        if task.west_limit_pulses is None:
            return [self._helm.rest_order()]
        save = SaveLimits(west_limit_pulses=task.west_limit_pulses)
        return [save, self._helm.rest_order(), charts.fit_order()]

    def go_on(self) -> list[Order]:
        """Take the next step of the task from a standstill."""
        self.waiting = ""
        if self.under is None or not self._helm.may_start(self.at_s):
            return []
        rest_s = self._helm.budget.rest_s(self.at_s)
        if rest_s > 0:
            self.waiting = f"the motor cools for {rest_s:.0f} s more"
            return []
        step = self.under.task.next_step(self._helm.counter.count_pulses, self._helm.direction)
        if isinstance(step, Finish):
            return self.end_task(step.outcome, step.text)
        self._helm.leg = step
        if step.target_pulses is None and self._standing.end is step.direction:
            return self._at_end(step.direction)
        return self.act_on(self._helm.start(step, self.situation()))

    def interrupt(self, reason: str) -> list[Order]:
        """Open the relays and end the task."""
        out = self.act_on(self._helm.cut(self.at_s, reason))
        return out + self.end_task(Outcome.STOPPED, reason)

    def fail(self, suspicion: Suspicion) -> list[Order]:
        """Latch the first fault; later ones only open the relays again."""
        out = self.act_on(self._helm.fail(self.at_s, suspicion.text))
        out += self.end_task(Outcome.STOPPED, suspicion.text)
        if not self._standing.latch(suspicion.text, suspicion.advice):
            return out
        save = SaveFault(text=suspicion.text, advice=suspicion.advice)
        return [*out, save, note(Severity.FAULT, suspicion.text, suspicion.advice)]

    def end_task(self, outcome: Outcome, text: str) -> list[Order]:
        """Answer whoever asked, and write the move into the history."""
        under, self.under = self.under, None
        if under is None:
            return []
        count = self._helm.counter.count_pulses
        asked, target = under.task.asked, under.task.target_pulses
        move = SaveMove(
            command_id=asked.command_id,
            what=asked.what,
            from_pulses=under.from_pulses,
            target_pulses=count if target is None else target,
            final_pulses=count,
            duration_s=self.at_s - under.started_s,
            run_s=self._helm.on_s,
            corrections=under.task.corrections,
            outcome=outcome,
            reason=text,
        )
        told = answer(asked.command_id, outcome, text, count_pulses=count, target_pulses=target)
        return [told, move]

    def _purpose(self) -> Purpose:
        """Return what the present run is for; the way back from an end is travel."""
        if self.under is None:
            return Purpose.TRAVEL
        leg = self._helm.leg
        if isinstance(self.under.task, LimitSearch) and leg and leg.target_pulses is not None:
            return Purpose.TRAVEL
        return self.under.task.purpose

    def situation(self) -> Situation:
        """Return all that the gate may look at."""
        helm, standing = self._helm, self._standing
        return Situation(
            now_s=self.at_s,
            state=helm.state,
            purpose=self._purpose(),
            count_pulses=helm.counter.count_pulses,
            doubt_pulses=helm.counter.doubt_pulses,
            west_limit_pulses=self._charts.west_limit_pulses,
            run_started_s=helm.watch.started_s,
            still_since_s=helm.still_since_s,
            pause_s=self._pause_s,
            budget_left_s=helm.budget.left_s(self.at_s),
            end_reached=standing.end,
            objections=tuple(standing.objections()),
        )

    def switch(self, side: Direction, *, active: bool) -> list[Order]:
        """Take a limit switch: the end that was sought, or proof of crossed wires."""
        if not active:
            self._left_s[side] = self.at_s
            self._standing.end = None if self._standing.end is side else self._standing.end
            return []
        other, self._standing.end = self._standing.end, side
        if other is side.opposite:
            return self.fail(both_ends_suspicion())
        direction = self._helm.direction
        if not self._helm.runs or direction is None:
            return []
        if direction is not side:
            if self.at_s - self._left_s.get(side, float("-inf")) < SWITCH_BOUNCE_S:
                return []  # its contact bounces while the dish leaves it
            return self.fail(wrong_side_suspicion(direction, side))
        self._found_end = side
        return self.act_on(self._helm.cut(self.at_s, f"{side.value} limit switch"))


def answer(
    command_id: str,
    outcome: Outcome,
    text: str,
    *,
    count_pulses: int | None = None,
    target_pulses: int | None = None,
) -> Answer:
    """Return an answer to a command."""
    return Answer(
        command_id=command_id,
        outcome=outcome,
        text=text,
        count_pulses=count_pulses,
        target_pulses=target_pulses,
    )


def done(command_id: str, text: str) -> list[Order]:
    """Return both answers to a command that is carried out at once."""
    return [
        answer(command_id, Outcome.ACCEPTED, text),
        answer(command_id, Outcome.ARRIVED, text),
    ]


def note(severity: Severity, text: str, advice: str = "") -> Notice:
    """Return a notice to everybody."""
    return Notice(severity=severity, text=text, advice=advice)
