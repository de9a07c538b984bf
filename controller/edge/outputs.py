"""The board's outputs: which there are, and how one is claimed without a wrong level.

1. An output comes up inactive in one step, whatever level it had before.
2. Only relays may be active-low; a bridge's inputs and the heartbeat are active-high.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from gpiozero import Factory, OutputDevice

from controller.config import HBridge, Pin, Pins, ReversingRelay, TwoRelays
from controller.errors import DoorError

Claimed = TypeVar("Claimed")

# With this factory gpiozero 2.0.1 makes the pin a low output first and sets its level after.
LOW_AT_FIRST: Final = "LGPIOFactory"


@dataclass(frozen=True, kw_only=True)
class Output:
    """One line that the board drives, and what hangs on it."""

    role: str
    pin: Pin
    active_low: bool = False


def motor_outputs(pins: Pins) -> dict[str, Output]:
    """Return the drive's outputs by role, in the order in which they are switched off."""
    drive, low = pins.drive, pins.active_low
    match drive:
        case TwoRelays():
            roles = {"east relay": drive.east_pin, "west relay": drive.west_pin}
        case ReversingRelay():
            roles = {"power relay": drive.power_pin, "reversing relay": drive.reverse_pin}
        case HBridge():
            low = False
            roles = {} if drive.enable_pin is None else {"bridge enable": drive.enable_pin}
            roles |= {"bridge east": drive.east_pin, "bridge west": drive.west_pin}
    return {role: Output(role=role, pin=pin, active_low=low) for role, pin in roles.items()}


def main_output(pins: Pins) -> Output | None:
    """Return the main relay's output, None without one."""
    if pins.main_relay_pin is None:
        return None
    return Output(role="main relay", pin=pins.main_relay_pin, active_low=pins.active_low)


def heartbeat_output(pins: Pins) -> Output | None:
    """Return the heartbeat's output, None without one."""
    if pins.heartbeat_pin is None:
        return None
    return Output(role="heartbeat", pin=pins.heartbeat_pin)


def claim(role: str, pin: Pin, build: Callable[[], Claimed]) -> Claimed:
    """Return what `build` claims; raise `DoorError` naming line and role when it cannot."""
    try:
        return build()
    except DoorError:
        raise
    except Exception as error:
        raise DoorError(f"line {pin} cannot be claimed as {role}: {error}") from error


class Line:
    """One output, off until it is told otherwise."""

    def __init__(self, output: Output, factory: Factory) -> None:
        if output.active_low and type(factory).__name__ == LOW_AT_FIRST:
            raise DoorError(
                f"line {output.pin} ({output.role}): the pin factory lgpio drives a line low for a"
                " moment when it is claimed, which closes an active-low relay;"
                " use pins.factory: lines, or relays that close on high"
            )
        self.output = output
        self._device: Any = claim(
            output.role,
            output.pin,
            lambda: OutputDevice(
                output.pin,
                active_high=not output.active_low,
                initial_value=False,
                pin_factory=factory,
            ),
        )

    @property
    def is_on(self) -> bool:
        """Tell whether the line reads as active."""
        return bool(self._device.value)

    def on(self) -> None:
        """Drive the line active."""
        self._device.on()

    def off(self) -> None:
        """Drive the line inactive; do nothing once it is given back."""
        if not self._device.closed:
            self._device.off()

    def close(self) -> None:
        """Drive the line inactive and give it back; twice is fine."""
        try:
            self.off()
        finally:
            self._device.close()


class PwmLine(Line):
    """An output with a duty between off and on."""

    def __init__(self, output: Output, factory: Factory, *, frequency_hz: float) -> None:
        super().__init__(output, factory)
        try:
            claim(output.role, output.pin, lambda: self._start(frequency_hz))
        except DoorError as error:
            self.close()
            raise DoorError(
                f"{error or 'no reason given'}; for a bridge without PWM set"
                " pins.drive.soft_start_s: 0"
            ) from error

    def _start(self, frequency_hz: float) -> None:
        self._device.pin.frequency = frequency_hz
        self._device.pin.state = 0.0

    def duty(self, fraction: float) -> None:
        """Drive the line active for `fraction` of the time, 0 to 1."""
        self._device.pin.state = fraction

    def on(self) -> None:
        """Drive the line active all the time."""
        self.duty(1.0)

    def off(self) -> None:
        """Drive the line inactive; do nothing once it is given back."""
        if not self._device.closed:
            self.duty(0.0)

    def close(self) -> None:
        """Drive the line inactive, end the PWM and give the line back; twice is fine."""
        try:
            self.off()
            if not self._device.closed and self._device.pin.frequency is not None:
                self._device.pin.frequency = None
        finally:
            self._device.close()
