"""From the levels of the board's lines to the voltage at the motor.

Rule 1: a line that nobody drives leaves its relay open; the relay boards pull it that way.
Rule 2: a contact follows its coil after the relay's own time, so a short pulse may do nothing.
Rule 3: what would burn a fuse or a contact is written down with its time, for ever.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

from controller.bench.wires import HBridge, ReversingRelay, TwoRelays, Wires
from controller.errors import ConfigError


@dataclass(frozen=True, kw_only=True)
class Crime:
    """Something that must never happen, and when it did."""

    at_s: float
    what: str


class Relay:
    """A coil and its contact; `welded` holds the contact "closed" or "open"."""

    def __init__(self, name: str, wires: Wires) -> None:
        self.name = name
        self.welded: str | None = None
        self.coil_is_on = False
        self.due_s = inf
        self._follows = False
        self._operate_s, self._release_s = wires.operate_s, wires.release_s

    @property
    def is_closed(self) -> bool:
        """True when current can flow through the contact."""
        return self._follows if self.welded is None else self.welded == "closed"

    def energise(self, at_s: float, *, on: bool) -> None:
        """Switch the coil; the contact follows later."""
        if on == self.coil_is_on:
            return
        self.coil_is_on = on
        self.due_s = at_s + (self._operate_s if on else self._release_s)
        if on == self._follows:
            self.due_s = inf

    def settle(self, at_s: float) -> None:
        """Let the contact follow when its time has come."""
        if self.due_s <= at_s:
            self._follows, self.due_s = self.coil_is_on, inf


class Wiring:
    """The relays or the bridge between the board and the motor."""

    def __init__(self, wires: Wires) -> None:
        self.wires = wires
        self.crimes: list[Crime] = []
        self.levels: dict[int, float] = {}
        self.swapped = False  # the motor's two wires
        self.supply = 1.0  # part of the motor's nominal voltage that the supply gives
        self._going_on: frozenset[str] = frozenset()
        self._beat_until_s = -inf
        self._relay_pins = _relay_pins(wires)
        self._relays = {name: Relay(name, wires) for name in self._relay_pins}
        self._reversed = self._powered = False

    @property
    def relays(self) -> dict[str, bool]:
        """Return which contacts are closed, by the relay's name."""
        return {name: relay.is_closed for name, relay in self._relays.items()}

    def weld(self, welded: dict[str, str]) -> None:
        """Hold contacts in a position ("closed" or "open"), and let all others go."""
        for name in welded:
            if name not in self._relays:
                known = ", ".join(self._relays) or "none, it has a bridge"
                raise ConfigError(f"this yard has no relay {name!r}; it has: {known}")
        for name, relay in self._relays.items():
            relay.welded = welded.get(name)

    def _active(self, pin: int | None) -> float:
        level = None if pin is None else self.levels.get(pin)
        if level is None:
            return 0.0
        return 1.0 - level if self._is_low(pin) else level

    def _is_low(self, pin: int | None) -> bool:
        return self.wires.active_low and pin in self._relay_pins.values()

    def set_level(self, pin: int, level: float | None, at_s: float) -> None:
        """Drive a line to a level, 0 to 1, or with None let it go."""
        before = self._active(pin)
        if level is None:
            self.levels.pop(pin, None)
        else:
            self.levels[pin] = level
        if pin == self.wires.heartbeat_pin and self._active(pin) != before:
            self._beat_until_s = at_s + self.wires.heartbeat_hold_s
        for name, relay_pin in self._relay_pins.items():
            if relay_pin == pin:
                self._relays[name].energise(at_s, on=self._active(pin) > 0.5)
        self.settle(at_s)

    @property
    def next_change_s(self) -> float:
        """Return when a contact will follow its coil or a heartbeat run out, else infinity."""
        due_s = min((relay.due_s for relay in self._relays.values()), default=inf)
        if self.wires.heartbeat_pin is not None and self._beat_until_s > -inf:
            due_s = min(due_s, self._beat_until_s)
        return due_s

    def settle(self, at_s: float) -> None:
        """Bring every contact up to a time, and write down what goes wrong."""
        for relay in self._relays.values():
            relay.settle(at_s)
        if self._beat_until_s <= at_s:
            self._beat_until_s = -inf
        going_on = frozenset(self._wrongs())
        self.crimes += [Crime(at_s=at_s, what=w) for w in sorted(going_on - self._going_on)]
        self._going_on = going_on
        self._watch_reversing(at_s)

    def _wrongs(self) -> Iterator[str]:
        drive, closed = self.wires.drive, self.relays
        if isinstance(drive, ReversingRelay):
            return
        if self._active(drive.east_pin) > 0 and self._active(drive.west_pin) > 0:
            yield "both directions commanded at once"
        if isinstance(drive, TwoRelays) and closed["east"] and closed["west"]:
            yield "short circuit: both directions closed at once"
        if isinstance(drive, HBridge) and self._bridge() == (1.0, 1.0):
            yield "short circuit: both directions closed at once"

    def _watch_reversing(self, at_s: float) -> None:
        if not isinstance(self.wires.drive, ReversingRelay):
            return
        closed = self.relays
        if closed["reverse"] != self._reversed and closed["power"] and self._powered:
            self.crimes.append(Crime(at_s=at_s, what="reversed under power"))
        self._reversed, self._powered = closed["reverse"], closed["power"]

    def witness(self, at_s: float, what: str) -> None:
        """Write down a wrong that somebody else saw."""
        self.crimes.append(Crime(at_s=at_s, what=what))

    def _bridge(self) -> tuple[float, float]:
        drive = self.wires.drive
        assert isinstance(drive, HBridge)
        if drive.enable_pin is not None and self._active(drive.enable_pin) <= 0.5:
            return (0.0, 0.0)
        return (self._active(drive.east_pin), self._active(drive.west_pin))

    @property
    def voltage(self) -> float:
        """Return the motor's voltage, 1 is nominal; above zero drives toward west."""
        way = -self._toward_west() if self.swapped else self._toward_west()
        return way * self.supply if self._is_fed() else 0.0

    def _is_fed(self) -> bool:
        if self.wires.heartbeat_pin is not None and self._beat_until_s == -inf:
            return False
        return self.relays.get("main", True)

    def _toward_west(self) -> float:
        drive, closed = self.wires.drive, self.relays
        if isinstance(drive, HBridge):
            east, west = self._bridge()
            return west - east
        if isinstance(drive, TwoRelays):
            return float(closed["west"]) - float(closed["east"])
        toward_east = closed["reverse"] == (drive.reverse_is == "east")
        return float(closed["power"]) * (-1.0 if toward_east else 1.0)

    def levels_for(self, *, east: bool, west: bool) -> dict[int, float]:
        """Return the levels by which a board would ask for a direction, in a safe order."""
        drive = self.wires.drive
        if isinstance(drive, ReversingRelay):
            turned = east if drive.reverse_is == "east" else west
            wanted = {drive.reverse_pin: turned, drive.power_pin: east or west}
            if not (east or west):
                wanted = {drive.power_pin: False, drive.reverse_pin: False}
        else:
            wanted = {drive.east_pin: east, drive.west_pin: west}
            if isinstance(drive, HBridge) and drive.enable_pin is not None:
                wanted[drive.enable_pin] = east or west
        if self.wires.main_relay_pin is not None:
            wanted[self.wires.main_relay_pin] = east or west
        return {pin: float(on != self._is_low(pin)) for pin, on in wanted.items()}


def _relay_pins(wires: Wires) -> dict[str, int]:
    drive, pins = wires.drive, {}
    if isinstance(drive, TwoRelays):
        pins = {"east": drive.east_pin, "west": drive.west_pin}
    elif isinstance(drive, ReversingRelay):
        pins = {"power": drive.power_pin, "reverse": drive.reverse_pin}
    if wires.main_relay_pin is not None:
        pins["main"] = wires.main_relay_pin
    return pins
