"""What is asked of a yard over its socket: one JSON object a line, answered by another.

A call is `{"do": name, ...}`, with `"id"` when an answer is wanted. The answer carries the
same id and either what was asked for or `"error"`. Edges come unasked:
`{"edge": line, "at_s": CLOCK_MONOTONIC seconds, "level": 0 or 1, "lost_n": 0}`, where `lost_n`
is how many edges the board dropped just before this one.

Rule 1: a line belongs to the connection that took it first, as on a board; others get an error.
Rule 2: when a connection ends, its lines keep their levels and the yard goes on.
"""

from collections.abc import Callable
from random import Random
from typing import Any

from controller.bench.contact import Edge, Source
from controller.bench.faults import LostEdges
from controller.bench.yard import Yard
from controller.errors import ArckeeperError, DoorError

Fields = dict[str, Any]
LINES = 64  # the board has this many, from 0
PULLS = ("up", "down", "floating")
ADC_NOISE_RATIO = 0.002  # chosen: two steps of a converter with ten bits


class Lines:
    """The lines of the board: who has them, what they do, what was last seen on them."""

    def __init__(self, yard: Yard, chance: Random) -> None:
        self._yard, self._chance = yard, chance
        self._lost_n: dict[int, int] = {}
        self.owners: dict[int, object] = {}
        self.pulls: dict[int, str] = {}
        self._seen: dict[int, int] = {}

    def drive(self, owner: object, pin: int, level: float | None) -> float:
        """Make a line an output; None keeps the level it has. Return the level."""
        self._take(owner, pin)
        if level is None:
            level = self.level(pin)
        self.pulls.pop(pin, None)
        self._yard.set_level(pin, level)
        return level

    def listen(self, owner: object, pin: int, pull: str) -> int:
        """Make a line an input and return its level."""
        self._take(owner, pin)
        if pull not in PULLS:
            raise DoorError(f"line {pin} cannot be pulled {pull}; can: {', '.join(PULLS)}")
        self._yard.set_level(pin, None)
        self.pulls[pin] = pull
        self._seen[pin] = level = self._yard.input_level(pin, pull=pull)
        return level

    def release(self, owner: object, pin: int) -> None:
        """Give a line back; nobody drives it from now on."""
        if self.owners.get(pin) is owner:
            del self.owners[pin]
            self.pulls.pop(pin, None)
            self._yard.set_level(pin, None)

    def forget(self, owner: object) -> None:
        """Take the lines from a connection that is gone; their levels stay."""
        self.owners = {pin: o for pin, o in self.owners.items() if o is not owner}

    def level(self, pin: int) -> float:
        """Return what is on a line, driven or read."""
        driven = self._yard.wiring.levels.get(pin)
        if driven is not None:
            return driven
        return self._yard.input_level(pin, pull=self.pulls.get(pin, "floating"))

    def is_driven(self, pin: int) -> bool:
        """Return True when the line is an output."""
        return pin in self._yard.wiring.levels

    def change(self, edge: Edge) -> Fields | None:
        """Return the message that an edge of a contact makes, None when nobody sees one."""
        pin = self._yard.pin_of(edge.source)
        if pin is None or pin not in self.pulls:
            return None
        level = self._yard.input_level(pin, pull=self.pulls[pin])
        if level == self._seen.get(pin):
            return None
        self._seen[pin] = level
        if self._is_lost():
            self._lost_n[pin] = self._lost_n.get(pin, 0) + 1
            return None
        lost_n = self._lost_n.pop(pin, 0)
        return {"edge": pin, "at_s": edge.at_s, "level": level, "lost_n": lost_n}

    def _is_lost(self) -> bool:
        fault = self._yard.faults.first(LostEdges)
        return fault is not None and self._chance.random() < fault.probability

    def _take(self, owner: object, pin: int) -> None:
        if not 0 <= pin < LINES:
            raise DoorError(f"the yard's board has no line {pin}; it has 0 to {LINES - 1}")
        if self.owners.setdefault(pin, owner) is not owner:
            raise DoorError(f"line {pin} is held by another program; end that first")


class Desk:
    """Answers the calls of every connection."""

    def __init__(self, yard: Yard, *, quit_: Callable[[], None], seed: int = 0) -> None:
        self._yard = yard
        self._quit = quit_
        self._chance = Random(f"{seed} current")
        self.lines = Lines(yard, Random(f"{seed} board"))

    def answer(self, caller: object, call: Fields) -> Fields:
        """Carry out a call and return the answer, without its id; never raises for bad calls."""
        name = call.get("do")
        method = getattr(self, f"_do_{str(name).replace('-', '_')}", None)
        if method is None:
            return {"error": f"nothing is called {name!r} here"}
        fields = {k: v for k, v in call.items() if k not in {"do", "id"}}
        try:
            answer: Fields = method(caller, **fields) or {}
        except (ArckeeperError, TypeError, ValueError, KeyError) as error:
            return {"error": f"{name}: {error}"}
        return answer

    def owner_of(self, call: Fields) -> object | None:
        """Return who holds the line that a call is about, None when nobody does."""
        pin = call.get("pin")
        return self.lines.owners.get(pin) if isinstance(pin, int) else None

    # -- the board's side ---------------------------------------------------------------

    def _do_look(self, _caller: object, pin: int) -> Fields:
        lines = self.lines
        function = "output" if lines.is_driven(pin) else "input"
        pull = lines.pulls.get(pin, "floating")
        return {"function": function, "level": lines.level(pin), "pull": pull}

    def _do_output(self, caller: object, pin: int, level: float | None = None) -> Fields:
        if level is not None and not 0 <= level <= 1:
            raise DoorError(f"the level of line {pin} must be 0 to 1, not {level}")
        return {"level": self.lines.drive(caller, pin, level)}

    def _do_input(self, caller: object, pin: int, pull: str = "floating") -> Fields:
        return {"level": self.lines.listen(caller, pin, pull)}

    def _do_release(self, caller: object, pin: int) -> None:
        self.lines.release(caller, pin)

    def _do_analogue(self, _caller: object, channel: int) -> Fields:
        wires = self._yard.plan.wires
        if channel != wires.current_channel:
            return {"ratio": 0.0}
        ratio = self._yard.actuator.current_a() / wires.amperes_at_full_scale
        noise = abs(self._chance.gauss(0.0, ADC_NOISE_RATIO))
        return {"ratio": min(1.0, ratio + noise)}

    # -- the witness's side -------------------------------------------------------------

    def _do_truth(self, _caller: object) -> Fields:
        return self._yard.truth().as_json()

    def _do_off(self, _caller: object, name: str) -> Fields:
        return {"off_deg": self._yard.off_deg(name)}

    def _do_peak(self, _caller: object, name: str, arriving: str = "west") -> Fields:
        return {"pulses": self._yard.peak_pulses(name, arriving=arriving)}

    def _do_signal(self, _caller: object) -> Fields:
        return {"level_db": self._yard.signal_db()}

    def _do_fault(self, _caller: object, name: str, parameters: Fields) -> None:
        self._yard.apply(name, **parameters)

    def _do_clear(self, _caller: object, name: str | None = None) -> None:
        self._yard.clear(name)

    def _do_press(self, _caller: object, button: str, down: bool = True) -> None:
        self._yard.press(Source(button), down=down)

    def _do_quit(self, _caller: object) -> None:
        self._quit()
