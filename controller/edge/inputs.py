"""The board's inputs: raw edges with their own times, put on the inbox and nothing else.

1. A callback only puts an event; whatever it raises becomes a `DoorFailed`.
2. No library and no kernel debounces: a bounce is the core's to judge.
3. The stop input opens the relays in the thread that saw it, before the event.
"""

import time
from collections.abc import Callable
from functools import partial
from typing import Any, Final, Literal

from gpiozero import Factory, InputDevice

from controller.config import Pin, Pins, Sensor
from controller.core.events import (
    Event,
    HoldInputChanged,
    LimitSwitchChanged,
    ReedEdge,
    StopInputChanged,
)
from controller.core.motion import Direction
from controller.edge.drive import Drive
from controller.edge.outputs import claim

Put = Callable[[Event], None]
Fail = Callable[[str], None]
Pull = Literal["up", "down", "floating"]

# Factories count ticks in what they like; ours, the mocks' and lgpio's are CLOCK_MONOTONIC.
SAME_CLOCK_S: Final = 60.0  # chosen: two clocks this close at start are one

_PULL_UP: Final[dict[Pull, bool | None]] = {"up": True, "down": False, "floating": None}


class Contact:
    """One input line with two levels, told as active or not.

    `tell` is called with CLOCK_MONOTONIC seconds and the level: once by `watch` for the level
    that is found, then for every edge in the pin factory's thread.
    """

    def __init__(
        self,
        role: str,
        pin: Pin,
        *,
        pull: Pull = "up",
        active_is_low: bool,
        factory: Factory,
        tell: Callable[[float, bool], None],
        fail: Fail,
    ) -> None:
        self.role = role
        self._line = pin
        self._active_is_low = active_is_low
        self._factory = factory
        self._tell = tell
        self._fail = fail
        self._ticks_are_monotonic = abs(factory.ticks() - time.monotonic()) < SAME_CLOCK_S
        self._device: Any = claim(role, pin, lambda: self._claimed(pin, pull))

    @property
    def active(self) -> bool:
        """Return the level of this moment."""
        return bool(self._device.pin.state) != self._active_is_low

    @property
    def lost_edges(self) -> int:
        """Return how many edges were dropped just before the one being told, as far as known."""
        return int(getattr(self._device.pin, "lost_edges", 0))

    def watch(self) -> None:
        """Tell the level found, and from now on every edge."""
        found = self.active
        self._tell(time.monotonic(), found)
        claim(self.role, self._line, self._subscribe)
        # An edge between the look and the subscription has told nobody.
        if self.active != found:
            self._tell(time.monotonic(), self.active)

    def close(self) -> None:
        """Stop watching and give the line back; twice is fine."""
        if not self._device.closed:
            self._device.pin.when_changed = None
        self._device.close()

    def _subscribe(self) -> None:
        pin = self._device.pin
        pin.bounce = None
        pin.edges = "both"
        pin.when_changed = self._changed

    def _claimed(self, pin: Pin, pull: Pull) -> Any:
        floating = {"active_state": not self._active_is_low} if pull == "floating" else {}
        return InputDevice(pin, pull_up=_PULL_UP[pull], pin_factory=self._factory, **floating)

    def _changed(self, ticks: float, state: float) -> None:
        try:
            self._tell(self._monotonic_s(ticks), bool(state) != self._active_is_low)
        except Exception as error:
            self._fail(f"{self.role}: an edge could not be told: {error}")

    def _monotonic_s(self, ticks: float) -> float:
        if self._ticks_are_monotonic:
            return float(ticks)
        age_s = self._factory.ticks_diff(self._factory.ticks(), ticks)
        return time.monotonic() - float(age_s)


class ReedSensor:
    """The reed on the actuator, and the second one when there are two."""

    def __init__(self, sensor: Sensor, factory: Factory, *, put: Put, fail: Fail) -> None:
        self._put = put
        self._second_closed: bool | None = None
        self._second: Contact | None = None
        contact = partial(
            Contact,
            pull=_sensor_pull(sensor),
            active_is_low=sensor.closed_is_low,
            factory=factory,
            fail=fail,
        )
        self._main = contact("sensor", sensor.pin, tell=self._tell_main)
        if sensor.second_pin is not None:
            try:
                self._second = contact("second sensor", sensor.second_pin, tell=self._tell_second)
            except BaseException:
                self._main.close()
                raise

    @property
    def closed(self) -> bool:
        """Tell whether the main contact is closed now."""
        return self._main.active

    def watch(self) -> None:
        """Put the level found, and from now on every edge of the main contact."""
        if self._second:
            self._second.watch()
        self._main.watch()

    def close(self) -> None:
        """Stop watching and give the lines back; twice is fine."""
        self._main.close()
        if self._second:
            self._second.close()

    def _tell_main(self, at_s: float, closed: bool) -> None:
        self._put(
            ReedEdge(
                at_s=at_s,
                closed=closed,
                lost_edges=self._main.lost_edges,
                second_closed=self._second_closed,
            )
        )

    def _tell_second(self, _at_s: float, closed: bool) -> None:
        # Kept from its own edges: a late look at the line would see another magnet.
        self._second_closed = closed


def _sensor_pull(sensor: Sensor) -> Pull:
    """Return the pull that leaves an open contact on the open level."""
    if sensor.pull_up:
        return "up"
    return "floating" if sensor.closed_is_low else "down"


class Switch:
    """A contact that is told only when its level differs from the one told last."""

    def __init__(
        self,
        role: str,
        pin: Pin,
        *,
        active_is_low: bool,
        factory: Factory,
        tell: Callable[[float, bool], None],
        fail: Fail,
    ) -> None:
        self._told: bool | None = None
        self._tell_change = tell
        self._contact = Contact(
            role,
            pin,
            active_is_low=active_is_low,
            factory=factory,
            tell=self._tell,
            fail=fail,
        )

    def watch(self) -> None:
        """Tell the level found, and from now on every change."""
        self._contact.watch()

    def close(self) -> None:
        """Stop watching and give the line back; twice is fine."""
        self._contact.close()

    def _tell(self, at_s: float, active: bool) -> None:
        if active != self._told:
            self._told = active
            self._tell_change(at_s, active)


def build_switches(
    pins: Pins, factory: Factory, *, drive: Drive, put: Put, fail: Fail
) -> list[Switch]:
    """Claim every switch of the configuration; raise `DoorError`, with none kept, when one fails.

    The stop input halts the drive once for each `StopInputChanged` with active=True.
    """

    def stop(at_s: float, active: bool) -> None:
        if active:
            drive.halt()
        put(StopInputChanged(at_s=at_s, active=active))

    def hold(at_s: float, active: bool) -> None:
        put(HoldInputChanged(at_s=at_s, active=active))

    def limit(side: Direction) -> Callable[[float, bool], None]:
        return lambda at_s, active: put(LimitSwitchChanged(at_s=at_s, side=side, active=active))

    ends = pins.limit_switches
    wanted = [
        ("stop input", pins.stop_pin, pins.stop_active_low, stop),
        ("hold input", pins.hold_pin, pins.hold_active_low, hold),
        ("east limit switch", ends.east_pin, ends.active_low, limit(Direction.EAST)),
        ("west limit switch", ends.west_pin, ends.active_low, limit(Direction.WEST)),
    ]
    switches: list[Switch] = []
    try:
        for role, pin, is_low, tell in wanted:
            if pin is not None:
                switches.append(
                    Switch(role, pin, active_is_low=is_low, factory=factory, tell=tell, fail=fail)
                )
    except BaseException:
        for switch in switches:
            switch.close()
        raise
    return switches
