"""A pilot and a yard joined in simulated time, with perfect doors between them."""

from dataclasses import replace

from controller.bench.contact import Edge, Source
from controller.bench.yard import Yard
from controller.core.commands import Command, FindLimits
from controller.core.events import CommandReceived, Event, MotorOn, ReedEdge, Tick
from controller.core.memory import CountRecord, Remembered
from controller.core.motion import Direction
from controller.core.orders import (
    Answer,
    Notice,
    Order,
    Outcome,
    RunMotor,
    SaveIntention,
    StopMotor,
)
from controller.core.pilot import Pilot
from controller.core.safety import SafetySettings
from controller.core.waking import PilotSettings
from controller.core.watch import WatchSettings

LONG_S = 3600.0
SETTINGS = PilotSettings(
    dish="rig",
    safety=replace(SafetySettings(), max_run_s=600.0),
    watch=replace(WatchSettings(), on_time_max_s=1e9),
)


class Rig:
    """Feed the yard's edges to the pilot and the pilot's orders to the yard."""

    def __init__(
        self,
        yard: Yard,
        settings: PilotSettings = SETTINGS,
        remembered: Remembered | None = None,
        *,
        save_s: float = 0.0005,
    ) -> None:
        self.yard, self.settings = yard, settings
        self._save_s = save_s  # how long the write before a run takes
        self.orders: list[Order] = []
        self.pilot = Pilot(settings, remembered or Remembered(), at_s=yard.now_s)
        self._lease_s = 0.0
        self.began_pulses = yard.count_pulses
        self.asked_ids: set[str] = set()
        self._stood: list[float] | None = None
        self._answers: dict[str, Answer] = {}
        reed = yard.sensing.contacts[Source.REED]
        self._carry_out(self.pilot.begin())
        self.give(ReedEdge(at_s=yard.now_s, closed=reed.closed))

    def give(self, event: Event) -> None:
        """Let the pilot handle one event and carry out what it orders."""
        self._carry_out(self.pilot.handle(event))

    def ask(self, command: Command) -> str:
        """Send a command; return its id."""
        command_id = f"c{len(self.asked_ids) + 1}"
        self.asked_ids.add(command_id)
        at_s = self.yard.now_s
        self.give(CommandReceived(at_s=at_s, command=command, command_id=command_id, source="rig"))
        return command_id

    def run(self, command: Command, *, bound_s: float = LONG_S) -> Answer:
        """Send a command and go on until its last answer."""
        command_id = self.ask(command)
        until_s = self.yard.now_s + bound_s
        while (answer := self.last_answer(command_id)) is None and self.yard.now_s < until_s:
            self.go_on(self.yard.now_s + 0.5, stop_id=command_id)
        assert answer is not None, f"no answer to {command} within {bound_s} s"
        return answer

    def last_answer(self, command_id: str) -> Answer | None:
        """Return the answer that closes a command."""
        return self._answers.get(command_id)

    def go_on(self, until_s: float, *, stop_id: str | None = None) -> None:
        """Let the time pass."""
        while self.yard.now_s < until_s:
            wake_s = max(self.pilot.wake_s(), self.yard.now_s + 1e-6)
            edge = self.yard.next_edge(min(wake_s, until_s))
            at_s = self.yard.now_s
            if self._stood is not None and self.yard.moving:
                self._stood[:] = [at_s]
            if at_s > self._lease_s:
                self.yard.set_drive()
            if edge is None:
                self.give(Tick(at_s=at_s))
            else:
                self._edge(edge)
            if stop_id and self.last_answer(stop_id):
                return

    def watch_standstill(self, into: list[float]) -> None:
        """Note from now on when the screw comes to rest, as the yard itself sees it."""
        self._stood = into

    def notices(self) -> list[Notice]:
        """Return every notice so far."""
        return [order for order in self.orders if isinstance(order, Notice)]

    def find_limits(self) -> Answer:
        """Search both ends."""
        return self.run(FindLimits())

    def _edge(self, edge: Edge) -> None:
        if edge.source is Source.REED:
            second = self.yard.sensing.contacts.get(Source.SECOND)
            self.give(
                ReedEdge(
                    at_s=edge.at_s,
                    closed=edge.closed,
                    second_closed=second.closed if second else None,
                )
            )

    def _carry_out(self, orders: list[Order]) -> None:
        self.orders += orders
        for order in orders:
            match order:
                case SaveIntention():
                    self.yard.step_to(self.yard.now_s + self._save_s)
                case StopMotor():
                    self.yard.set_drive()
                    self._lease_s = 0.0
                case RunMotor(direction=direction, until_s=until_s):
                    is_new = self._lease_s == 0.0
                    self._lease_s = until_s
                    self.yard.set_drive(
                        east=direction is Direction.EAST, west=direction is Direction.WEST
                    )
                    if is_new:
                        self.give(MotorOn(at_s=self.yard.now_s))
                case Answer(outcome=outcome, command_id=command_id):
                    if outcome is not Outcome.ACCEPTED:
                        self._answers[command_id] = order
                case _:
                    pass


def known_at(yard: Yard, west_limit_pulses: int) -> Remembered:
    """Return a memory in which the count is known and right."""
    reed = yard.sensing.contacts[Source.REED]
    return Remembered(
        count=CountRecord(
            count_pulses=yard.count_pulses,
            doubt_pulses=0,
            moving=False,
            direction=None,
            bound_pulses=None,
            reed_closed=reed.closed,
            same_boot=True,
            since_save_s=1.0,
            relays_open_after_s=None,
        ),
        west_limit_pulses=west_limit_pulses,
    )
