"""Pins that keep a journal of every level, and a drive that hangs on them."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from gpiozero.pins.mock import MockFactory, MockPWMPin

from controller.config import Pins, Sensor, Settings
from controller.core.events import Event
from controller.core.motion import Direction
from controller.edge.drives import build_drive

if TYPE_CHECKING:
    from controller.edge.drive import Drive

EAST_PIN, WEST_PIN, THIRD_PIN, MAIN_PIN, SENSOR_PIN = 5, 6, 13, 26, 17

TWO_RELAYS = {"kind": "two-relays", "east_pin": EAST_PIN, "west_pin": WEST_PIN}
REVERSING = {
    "kind": "reversing-relay",
    "power_pin": EAST_PIN,
    "reverse_pin": WEST_PIN,
    "settle_s": 0.125,
}
BRIDGE = {
    "kind": "h-bridge",
    "east_pin": EAST_PIN,
    "west_pin": WEST_PIN,
    "soft_start_s": 0.25,
}
BRIDGE_WITH_ENABLE = {**BRIDGE, "enable_pin": THIRD_PIN}
WIRINGS = [TWO_RELAYS, REVERSING, BRIDGE, BRIDGE_WITH_ENABLE]


class Clock:
    """Stands still until it is moved."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


class RecordingPin(MockPWMPin):  # type: ignore[misc]  # gpiozero has no types
    """A pin that, like the kernel's lines, becomes an output with its level in one step."""

    when_level: Callable[[int, float], None] | None = None
    when_ended: Callable[[float], None] | None = None  # the PWM, with the level it ends at

    def output_with_state(self, state: Any) -> None:
        self._state = float(state)
        self.function = "output"

    def _set_function(self, value: str) -> None:
        super()._set_function(value)
        if value == "output":
            self._note()

    def _change_state(self, value: Any) -> bool:
        changed = bool(super()._change_state(value))
        if changed and self._function == "output":
            self._note()
        return changed

    def _set_frequency(self, value: float | None) -> None:
        # The mock falls to 0 whenever PWM is ended, also where there was none.
        if value != self._frequency:
            if value is None and self.when_ended:
                self.when_ended(float(self._state))
            super()._set_frequency(value)

    def _note(self) -> None:
        self._factory.journal.append((self._number, float(self._state)))
        if self.when_level:
            self.when_level(self._number, float(self._state))


class RecordingFactory(MockFactory):  # type: ignore[misc]  # gpiozero has no types
    """Mock pins with one journal of (pin, level) for all outputs."""

    def __init__(self) -> None:
        super().__init__(pin_class=RecordingPin)
        self.journal: list[tuple[int, float]] = []


class BrokenPin(RecordingPin):
    """A pin that cannot be driven to `stuck_at_refuses`, the level it refuses."""

    refuses: float | None = None

    def _set_state(self, value: float) -> None:
        if value == self.refuses:
            raise OSError(5, "Input/output error")
        super()._set_state(value)


def pins_with(drive: dict[str, Any], **more: Any) -> Pins:
    return Pins.model_validate({"factory": "mock", "dead_time_s": 0.25, "drive": drive, **more})


def settings_with(pins: Pins, **sensor: Any) -> Settings:
    """Only the two sections that a board looks at."""
    return Settings.model_construct(
        pins=pins, sensor=Sensor.model_validate({"pin": SENSOR_PIN, **sensor})
    )


class Rig:
    """A drive on recording pins, with a clock that the test moves."""

    def __init__(
        self, pins: Pins, *, pin_class: type[RecordingPin] = RecordingPin, found: float = 0.0
    ) -> None:
        self.pins = pins
        self.clock = Clock()
        self.factory = RecordingFactory()
        self.factory.pin_class = pin_class
        for number in (EAST_PIN, WEST_PIN, THIRD_PIN, MAIN_PIN):
            self.factory.pin(number)._state = found
        self.expired_at_s: list[float] = []
        self.failures: list[str] = []
        self.drive: Drive = build_drive(
            pins,
            self.factory,
            on_expired=self.expired_at_s.append,
            on_failed=self.failures.append,
            clock=self.clock,
        )

    def __enter__(self) -> "Rig":
        return self

    def __exit__(self, *_: object) -> None:
        self.drive.close()

    def run(self, direction: Direction, *, for_s: float = 1.0) -> None:
        self.drive.run(direction, until_s=self.clock.now_s + for_s)

    def later(self, seconds: float) -> None:
        self.clock.now_s += seconds
        self.drive.advance()

    def level(self, number: int) -> float:
        """How far the line is on, 0 to 1, whatever level means on."""
        level = float(self.factory.pin(number).state)
        is_low = self.pins.active_low and (self.pins.drive.kind != "h-bridge" or number == MAIN_PIN)
        return 1.0 - level if is_low else level

    def powered(self) -> Direction | None:
        """Which way the copper would turn the motor now."""
        east, west, third = (self.level(n) for n in (EAST_PIN, WEST_PIN, THIRD_PIN))
        if self.pins.drive.kind == "reversing-relay":
            way = Direction.EAST if west else Direction.WEST
            return way if east else None
        enabled = third if self.pins.drive == pins_with(BRIDGE_WITH_ENABLE).drive else 1.0
        assert not (east and west), "both directions are closed"
        if not enabled or not (east or west):
            return None
        return Direction.EAST if east else Direction.WEST

    def all_open(self) -> bool:
        return not any(self.level(n) for n in (EAST_PIN, WEST_PIN, THIRD_PIN, MAIN_PIN))


class Inbox:
    """Keeps what is put, in order."""

    def __init__(self) -> None:
        self.events: list[Any] = []
        self.failures: list[str] = []

    def put(self, event: Event) -> None:
        self.events.append(event)

    def taken(self) -> list[Any]:
        events, self.events = self.events, []
        return events
