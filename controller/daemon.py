"""Builds everything, owns the inbox, runs the one loop.

Rule 1: any thread may put into the inbox, only the loop takes from it.
Rule 2: orders are carried out in the order given; when one fails, the relays open, the rest
        of its batch is dropped and the pilot is told by an event.
Rule 3: whatever ends the loop, the relays open first.
"""

import json
import logging
import os
import queue
import signal
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from types import FrameType
from typing import Final, TypeGuard

from controller.config import Settings
from controller.config.builders import (
    landing_settings,
    priors,
    safety_settings,
    travel_by_tape,
    watch_settings,
)
from controller.config.statedir import state_dir
from controller.core.commands import Halt
from controller.core.events import (
    CommandReceived,
    CommandUnreadable,
    DoorFailed,
    Event,
    ModelFitted,
    MotorOn,
    StopInputChanged,
    StoreFailed,
    StoreRecovered,
    Tick,
)
from controller.core.motion import Direction, MotionState
from controller.core.orders import (
    STORED,
    Answer,
    FitModel,
    Notice,
    Order,
    RunMotor,
    SaveIntention,
    Severity,
    StopMotor,
)
from controller.core.pilot import Pilot
from controller.core.status import Status
from controller.core.waking import PilotSettings
from controller.edge.broker import RunningBroker, ensure_broker
from controller.edge.gpio import Board
from controller.edge.mqtt import MqttDoor
from controller.edge.service import tell_service
from controller.edge.store import Store
from controller.errors import ArckeeperError, DoorError, GeometryError, StoreError
from controller.geometry.fit import fit

LOG = logging.getLogger("arckeeper")
GOODBYE_S: Final = 4.0  # a coast, a standstill and its save, at the end
BEAT_S: Final = 0.25  # the heartbeat line changes at least this often


class Ending(Event):
    """The service manager or a person wants the daemon to end."""


def state_dir_of(settings: Settings) -> Path:
    """Return where count and history live: configured, the service manager's, or the user's."""
    return state_dir(settings.state_dir, dish=settings.dish.name)


def pilot_settings(settings: Settings) -> PilotSettings:
    """Return everything the configuration says about decisions."""
    switches = settings.pins.limit_switches
    pins = {Direction.EAST: switches.east_pin, Direction.WEST: switches.west_pin}
    travel_pulses, tolerance_pulses = travel_by_tape(settings)
    return PilotSettings(
        dish=settings.dish.name,
        satellites={s.name: s.slot_deg for s in settings.satellites},
        landing=landing_settings(settings),
        safety=safety_settings(settings),
        watch=watch_settings(settings),
        stable_s=settings.sensor.stable_s,
        switches=frozenset(side for side, pin in pins.items() if pin is not None),
        park_slot_deg=settings.motion.park_slot_deg,
        park_count_pulses=settings.motion.park_count_pulses,
        travel_pulses=travel_pulses,
        travel_tolerance_pulses=tolerance_pulses,
        signal_max_age_s=settings.signal.max_age_s,
    )


class Fitter:
    """Fits models in a thread of its own; only the newest wish counts."""

    def __init__(self, settings: Settings, put: Callable[[Event], None]) -> None:
        self._priors = priors(settings)
        self._put = put
        self._wishes: queue.SimpleQueue[FitModel | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="fitter", daemon=True)
        self._thread.start()

    def wish(self, order: FitModel) -> None:
        """Ask for a model from these references."""
        self._wishes.put(order)

    def close(self) -> None:
        """End the thread."""
        self._wishes.put(None)
        self._thread.join(2.0)

    def _work(self) -> None:
        while (order := self._newest()) is not None:
            try:
                model = fit(
                    self._priors, order.references, west_limit_pulses=order.west_limit_pulses
                )
                self._put(ModelFitted(at_s=time.monotonic(), model=model))
            except GeometryError as error:
                self._put(ModelFitted(at_s=time.monotonic(), model=None, reason=str(error)))
            except Exception as error:
                LOG.exception("the fit broke")
                reason = f"the fit broke: {error}"
                self._put(ModelFitted(at_s=time.monotonic(), model=None, reason=reason))

    def _newest(self) -> FitModel | None:
        order = self._wishes.get()
        while order is not None and not self._wishes.empty():
            order = self._wishes.get()
        return order


class Daemon:
    """One dish: its doors, its pilot, its loop."""

    def __init__(self, settings: Settings, *, state_dir: Path, stack: ExitStack) -> None:
        self.inbox: queue.SimpleQueue[Event] = queue.SimpleQueue()
        put = self.inbox.put
        self._settings, self._state_dir = settings, state_dir
        self.store = stack.enter_context(
            Store(
                state_dir / "count.db",
                on_failed=lambda reason: put(StoreFailed(at_s=time.monotonic(), reason=reason)),
                on_recovered=lambda: put(StoreRecovered(at_s=time.monotonic())),
            )
        )
        remembered = self.store.recall()
        self.broker: RunningBroker = ensure_broker(settings.broker, directory=state_dir)
        stack.callback(self.broker.close)
        self.board = Board(settings, put)
        stack.callback(self.board.close)
        self.door = MqttDoor(
            settings,
            put=put,
            halt=self.board.drive.halt,
            now_utc=time.time,
            monotonic=time.monotonic,
            host=self.broker.host,
            port=self.broker.port,
        )
        stack.callback(self.door.close)
        self._fitter = Fitter(settings, put)
        stack.callback(self._fitter.close)
        self.pilot = Pilot(pilot_settings(settings), remembered, at_s=time.monotonic())
        self._was_running = False
        self._state: MotionState | None = None
        self._ending_since_s: float | None = None
        self._goodbye: CommandReceived | None = None  # a halt that no door has latched
        self._beaten_s = self._saw_service_s = 0.0

    def run(self) -> None:
        """Carry out everything until the end is asked for and the rod stands."""
        self.door.start()
        self._carry_out(
            [Notice(severity=Severity.WARNING, text=text) for text in self.store.notices]
        )
        self._carry_out(self.pilot.begin())
        while not self._may_end():
            event = self._next()
            if isinstance(event, Ending):
                self._ending_since_s = time.monotonic()
                event = self._goodbye = CommandReceived(
                    at_s=event.at_s, command=Halt(), command_id="ending", source="service"
                )
            self._take(event)
            self._show()

    def _next(self) -> Event:
        now_s = time.monotonic()
        wait_s = min(self.pilot.wake_s() - now_s, 1.0)
        try:
            return self.inbox.get(timeout=max(0.0, wait_s))
        except queue.Empty:
            return Tick(at_s=time.monotonic())

    def _take(self, event: Event) -> None:
        if not isinstance(event, Tick):
            LOG.debug("event %s", event)
        if self._ending_since_s is not None and _asks_for_more(event):
            event = CommandUnreadable(
                at_s=event.at_s,
                command_id=event.command_id,
                source=event.source,
                reason="the daemon is ending",
            )
        if isinstance(event, CommandReceived):
            LOG.info("asked by %s: %s", event.source, event.command)
        self._carry_out(self.pilot.handle(event))
        halted = isinstance(event, CommandReceived) and isinstance(event.command, Halt)
        if (halted and event is not self._goodbye) or (
            isinstance(event, StopInputChanged) and event.active
        ):
            self.board.drive.rearm()

    def _carry_out(self, orders: list[Order]) -> None:
        for order in orders:
            try:
                self._obey(order)
            except StoreError as error:
                self._give_up(StoreFailed(at_s=time.monotonic(), reason=str(error)))
                return
            except DoorError as error:
                self._give_up(DoorFailed(at_s=time.monotonic(), reason=str(error)))
                return

    def _give_up(self, event: Event) -> None:
        self.board.drive.stop()
        self.inbox.put(event)

    def _obey(self, order: Order) -> None:
        match order:
            case RunMotor(direction=direction, until_s=until_s):
                self.board.drive.run(direction, until_s=until_s)
                if not self._was_running:
                    self._was_running = True
                    self.inbox.put(MotorOn(at_s=time.monotonic()))
            case StopMotor():
                self.board.drive.stop()
                self._was_running = False
            case Answer():
                LOG.info("%s: %s (%s)", order.outcome.value, order.text, order.command_id)
                self.door.answer(order)
            case Notice(severity=severity, text=text, advice=advice):
                loud = logging.INFO if severity is Severity.NOTE else logging.WARNING
                LOG.log(loud, "%s: %s %s", severity.value, text, advice)
                self.door.notice(order)
            case FitModel():
                self._fitter.wish(order)
            case SaveIntention():
                self.store.write(order)
            case _ if isinstance(order, STORED):
                self.store.write(order)

    def _show(self) -> None:
        status = self.pilot.status()
        self.door.tell(status)
        if status.state is not self._state:
            LOG.info("%s at count %s", status.state.value, status.count_pulses)
            self._state = status.state
        now_s = time.monotonic()
        if now_s - self._beaten_s >= BEAT_S:
            self._beaten_s = now_s
            self.board.beat()
        if now_s - self._saw_service_s >= 0.9:
            self._saw_service_s = now_s
            tell_service(f"WATCHDOG=1\nSTATUS={_headline(status)}")

    def _may_end(self) -> bool:
        if self._ending_since_s is None:
            return False
        rests = self.pilot.status().state in {MotionState.RESTING, MotionState.FAULTED}
        return rests or time.monotonic() - self._ending_since_s > GOODBYE_S


def run(
    settings: Settings,
    *,
    state_dir: Path | None = None,
    on_ready: Callable[[RunningBroker], None] | None = None,
) -> int:
    """Run the daemon of one dish until SIGTERM or SIGINT; return 0 after a clean end."""
    directory = state_dir or state_dir_of(settings)
    directory.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        daemon = Daemon(settings, state_dir=directory, stack=stack)

        def end(_number: int, _frame: FrameType | None) -> None:
            daemon.inbox.put(Ending(at_s=time.monotonic()))

        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGTERM, end)
            signal.signal(signal.SIGINT, end)
        note = directory / "running.json"
        _write_note(note, settings, daemon.broker)
        stack.callback(note.unlink, missing_ok=True)
        tell_service("READY=1")
        LOG.info("ready: dish %s, broker port %d", settings.dish.name, daemon.broker.port)
        if on_ready:
            on_ready(daemon.broker)
        try:
            daemon.run()
        except ArckeeperError:
            daemon.board.drive.stop()
            raise
        finally:
            daemon.board.drive.stop()
            tell_service("STOPPING=1")
    return 0


def _asks_for_more(event: Event) -> TypeGuard[CommandReceived]:
    return isinstance(event, CommandReceived) and not isinstance(event.command, Halt)


def _headline(status: Status) -> str:
    count = "unknown" if status.count_pulses is None else str(status.count_pulses)
    return (
        f"{status.state.value}, count {count}{', fault: ' + status.fault if status.fault else ''}"
    )


def _write_note(path: Path, settings: Settings, broker: RunningBroker) -> None:
    """Tell the command line on this machine where to find the broker."""
    note = {
        "host": broker.host,
        "port": broker.port,
        "pid": os.getpid(),
        "dish": settings.dish.name,
        "base_topic": settings.broker.base_topic,
    }
    draft = path.with_suffix(".draft")
    draft.write_text(json.dumps(note), encoding="utf-8")
    draft.replace(path)
