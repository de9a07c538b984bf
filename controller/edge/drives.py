"""The three ways to wire a motor: two relays, power and reversing relay, electronic bridge."""

import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import Final, TypedDict, Unpack

from gpiozero import Factory

from controller.config import HBridge, Pins, ReversingRelay, TwoRelays
from controller.core.motion import Direction
from controller.edge.drive import Drive, Step
from controller.edge.outputs import Line, PwmLine, main_output, motor_outputs

RAMP_STEP_S: Final = 0.01  # chosen: one step of a soft start
RAMP_FROM: Final = 0.15  # chosen: less duty than this only warms a motor


class _NothingFollows(Drive):
    """A drive that is at rest as soon as its lines are off."""

    def _plan_rest(self, now_s: float) -> list[Step]:
        del now_s
        return []


class Common(TypedDict, total=False):
    """What every drive is given besides its motor lines."""

    main: Line | None
    dead_time_s: float
    on_expired: Callable[[float], None]
    on_failed: Callable[[str], None]
    clock: Callable[[], float]


class TwoRelayDrive(_NothingFollows):
    """One relay for each direction; both open is rest."""

    def __init__(self, *, east: Line, west: Line, **common: Unpack[Common]) -> None:
        self._relay = {Direction.EAST: east, Direction.WEST: west}
        super().__init__([east, west], **_filled(common))

    def _plan_start(self, direction: Direction, now_s: float) -> list[Step]:
        return [(now_s, self._relay[direction.opposite].off), (now_s, self._relay[direction].on)]


class ReversingDrive(Drive):
    """A relay that switches the power and one that reverses, moved only without power."""

    def __init__(
        self,
        *,
        power: Line,
        reverse: Line,
        reverse_is: Direction,
        settle_s: float,
        **common: Unpack[Common],
    ) -> None:
        self._power = power
        self._reverse = reverse
        self._reverse_is = reverse_is
        self._settle_s = settle_s
        super().__init__([power, reverse], **_filled(common))

    def _plan_start(self, direction: Direction, now_s: float) -> list[Step]:
        reversed_is_wanted = direction is self._reverse_is
        if self._reverse.is_on == reversed_is_wanted:
            return [(now_s, self._power.on)]
        move = self._reverse.on if reversed_is_wanted else self._reverse.off
        moved_s = max(now_s, max(self._opened_at_s.values()) + self._settle_s)
        return [(moved_s, move), (moved_s + self._settle_s, self._power.on)]

    def _plan_rest(self, now_s: float) -> list[Step]:
        return [(now_s + self._settle_s, self._reverse.off)]

    def _cut(self) -> Sequence[Line]:
        return [line for line in self._lines if line is not self._reverse]


class BridgeDrive(_NothingFollows):
    """An electronic bridge with one input for each direction, and a soft start by PWM.

    With an enable line the PWM is on that one, else on the input of the direction.
    """

    def __init__(
        self,
        *,
        east: Line,
        west: Line,
        enable: Line | None,
        soft_start_s: float,
        **common: Unpack[Common],
    ) -> None:
        self._input = {Direction.EAST: east, Direction.WEST: west}
        self._enable = enable
        self._soft_start_s = soft_start_s
        super().__init__([*([enable] if enable else []), east, west], **_filled(common))

    def _plan_start(self, direction: Direction, now_s: float) -> list[Step]:
        start: list[Step] = [(now_s, self._input[direction.opposite].off)]
        if self._enable is None:
            return start + self._ramp(self._input[direction], now_s)
        return [*start, (now_s, self._input[direction].on), *self._ramp(self._enable, now_s)]

    def _ramp(self, line: Line, now_s: float) -> list[Step]:
        if not isinstance(line, PwmLine):
            return [(now_s, line.on)]
        steps_n = round(self._soft_start_s / RAMP_STEP_S)
        ramp: list[Step] = [
            (now_s + n * RAMP_STEP_S, partial(line.duty, max(RAMP_FROM, n / steps_n)))
            for n in range(steps_n)
        ]
        return [*ramp, (now_s + self._soft_start_s, line.on)]


def _filled(common: Common) -> Common:
    return {"dead_time_s": 0.1, **common}


def build_drive(
    pins: Pins,
    factory: Factory,
    *,
    on_expired: Callable[[float], None],
    on_failed: Callable[[str], None],
    clock: Callable[[], float] = time.monotonic,
) -> Drive:
    """Claim the drive's lines, inactive, and return the drive; raise `DoorError` when one fails."""
    lines: dict[str, Line] = {}
    try:
        if main := main_output(pins):
            lines[main.role] = Line(main, factory)
        for role, output in motor_outputs(pins).items():
            lines[role] = (
                PwmLine(output, factory, frequency_hz=frequency_hz)
                if (frequency_hz := _pwm_hz(pins, role)) is not None
                else Line(output, factory)
            )
        return _assembled(
            pins,
            lines,
            main=lines.get("main relay"),
            dead_time_s=pins.dead_time_s,
            on_expired=on_expired,
            on_failed=on_failed,
            clock=clock,
        )
    except BaseException:
        for line in lines.values():
            line.close()
        raise


def _pwm_hz(pins: Pins, role: str) -> float | None:
    """Return the PWM frequency of a line, None for one that is only switched."""
    drive = pins.drive
    if not isinstance(drive, HBridge) or drive.soft_start_s == 0:
        return None
    ramped = {"bridge east", "bridge west"} if drive.enable_pin is None else {"bridge enable"}
    return drive.frequency_hz if role in ramped else None


def _assembled(pins: Pins, lines: dict[str, Line], **common: Unpack[Common]) -> Drive:
    match pins.drive:
        case TwoRelays():
            return TwoRelayDrive(east=lines["east relay"], west=lines["west relay"], **common)
        case ReversingRelay() as wiring:
            return ReversingDrive(
                power=lines["power relay"],
                reverse=lines["reversing relay"],
                reverse_is=Direction(wiring.reverse_is),
                settle_s=wiring.settle_s,
                **common,
            )
        case HBridge() as wiring:
            return BridgeDrive(
                east=lines["bridge east"],
                west=lines["bridge west"],
                enable=lines.get("bridge enable"),
                soft_start_s=wiring.soft_start_s,
                **common,
            )
