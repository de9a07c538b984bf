"""The motor's supply current through one of gpiozero's analogue devices."""

import time
from collections.abc import Callable
from typing import Any, Final

import gpiozero

from controller.config import CurrentInput
from controller.core.events import CurrentRead
from controller.edge.drive import Drive
from controller.edge.errand import Errand
from controller.edge.inputs import Fail
from controller.errors import DoorError

PERIOD_S: Final = 0.1  # chosen: a jam is a matter of half a second


class CurrentMeter:
    """Puts a `CurrentRead` ten times a second while the motor runs, and none at rest."""

    def __init__(
        self,
        wiring: CurrentInput,
        factory: gpiozero.Factory,
        *,
        drive: Drive,
        put: Callable[[CurrentRead], None],
        fail: Fail,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._wiring = wiring
        self._drive = drive
        self._put = put
        self._fail = fail
        self._clock = clock
        self._failing = False
        self._device = _device(wiring, factory)
        self._errand = Errand(self.advance, clock=clock, name="current-meter")

    def advance(self) -> float:
        """Read once if the motor runs; return when to come again."""
        if self._drive.running is not None:
            self._read()
        return self._clock() + PERIOD_S

    def close(self) -> None:
        """Stop reading and give the device back; twice is fine."""
        self._errand.close()
        self._device.close()

    def _read(self) -> None:
        try:
            reading_a = self._device.value * self._wiring.amperes_at_full_scale
            # A sensor in the motor's own leads sees the current change sign with direction.
            current_a = abs(reading_a - self._wiring.offset_a)
            self._put(CurrentRead(at_s=self._clock(), current_a=current_a))
            self._failing = False
        except Exception as error:
            if not self._failing:
                self._failing = True
                self._fail(f"the current cannot be read: {error}")


def _device(wiring: CurrentInput, factory: gpiozero.Factory) -> Any:
    kind = getattr(gpiozero, wiring.device, None)
    if not (isinstance(kind, type) and issubclass(kind, gpiozero.AnalogInputDevice)):
        raise DoorError(
            f"pins.current.device: {wiring.device} is no analogue device of gpiozero;"
            " MCP3008 and MCP3208 are"
        )
    try:
        return kind(channel=wiring.channel, pin_factory=factory)
    except Exception as error:
        raise DoorError(
            f"pins.current: channel {wiring.channel} of {wiring.device} cannot be had: {error}"
        ) from error
