"""Everything that is wired to the board, built from the configuration and closed as one."""

import time
from collections.abc import Callable
from contextlib import ExitStack
from importlib.metadata import entry_points
from typing import Final

from gpiozero import Factory

from controller.config import Settings
from controller.core.events import DoorFailed, Event, LeaseExpired
from controller.edge.current import CurrentMeter
from controller.edge.drives import build_drive
from controller.edge.inputs import ReedSensor, build_switches
from controller.edge.outputs import Line, heartbeat_output
from controller.errors import DoorError

GROUP: Final = "gpiozero_pin_factories"
EXTRA: Final = {"lines": "board", "lgpio": "lgpio"}  # what brings a factory's library


def pin_factory(name: str) -> Factory:
    """Return a new pin factory by its entry point's name; raise `DoorError` when it has none."""
    known = {entry.name: entry for entry in entry_points(group=GROUP)}
    if name not in known:
        raise DoorError(
            f"pins.factory: there is no pin factory {name!r}; there are: {', '.join(sorted(known))}"
        )
    try:
        return known[name].load()()
    except DoorError:
        raise
    except Exception as error:
        extra = f"; pip install 'arckeeper[{EXTRA[name]}]' brings it" if name in EXTRA else ""
        missing = extra if isinstance(error, ImportError) else ""
        raise DoorError(
            f"pins.factory: {name} does not start on this machine: {error}{missing}"
        ) from error


class Heartbeat:
    """A line that changes with every beat, for a watchdog relay; none is fine too."""

    def __init__(self, line: Line | None, *, fail: Callable[[str], None]) -> None:
        self._line = line
        self._fail = fail
        self._is_high = False
        self._failing = False

    def beat(self) -> None:
        """Toggle the line; never raises."""
        if self._line is None:
            return
        self._is_high = not self._is_high
        try:
            (self._line.on if self._is_high else self._line.off)()
            self._failing = False
        except Exception as error:
            if not self._failing:
                self._failing = True
                self._fail(f"the heartbeat line cannot be driven: {error}")

    def close(self) -> None:
        """Leave the line low and give it back; twice is fine."""
        if self._line is not None:
            self._line.close()


class Board:
    """The drive and every input, claimed together; `put` gets the events, from any thread.

    The levels found are put as events before the constructor returns. A pin factory that is
    passed in stays the caller's; one that was chosen by name is closed with the board.
    """

    def __init__(
        self,
        settings: Settings,
        put: Callable[[Event], None],
        *,
        factory: Factory | None = None,
    ) -> None:
        self._put = put
        with ExitStack() as stack:
            if factory is None:
                factory = pin_factory(settings.pins.factory)
                stack.callback(factory.close)
            self._build(settings, factory, stack)
            self._stack = stack.pop_all()

    def beat(self) -> None:
        """Show a hardware watchdog that the loop is alive."""
        self._heartbeat.beat()

    def reed_closed(self) -> bool | None:
        """Return the sensor's level of this moment, None when it cannot be read."""
        try:
            return self._reed.closed
        except Exception:
            return None

    def close(self) -> None:
        """Open every relay and give every line back; twice is fine."""
        self.drive.stop()
        self._stack.close()

    def _build(self, settings: Settings, factory: Factory, stack: ExitStack) -> None:
        pins = settings.pins
        self.drive = build_drive(
            pins, factory, on_expired=self._tell_expired, on_failed=self._tell_failed
        )
        stack.callback(self.drive.close)
        beat = heartbeat_output(pins)
        line = Line(beat, factory) if beat else None
        self._heartbeat = Heartbeat(line, fail=self._tell_failed)
        stack.callback(self._heartbeat.close)
        if pins.current:
            meter = CurrentMeter(
                pins.current, factory, drive=self.drive, put=self._put, fail=self._tell_failed
            )
            stack.callback(meter.close)
        self._reed = ReedSensor(settings.sensor, factory, put=self._put, fail=self._tell_failed)
        stack.callback(self._reed.close)
        switches = build_switches(
            pins, factory, drive=self.drive, put=self._put, fail=self._tell_failed
        )
        for switch in switches:
            stack.callback(switch.close)
            switch.watch()
        self._reed.watch()

    def _tell_expired(self, at_s: float) -> None:
        self._put(LeaseExpired(at_s=at_s))

    def _tell_failed(self, reason: str) -> None:
        self._put(DoorFailed(at_s=time.monotonic(), reason=reason))
