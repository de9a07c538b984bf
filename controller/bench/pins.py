"""A gpiozero pin factory whose lines are soldered to a yard.

Rule 1: levels that are written are sent at once and in order, and not waited for.
Rule 2: edges are called back from one thread of their own, with the yard's own times; what a
        callback raises is logged and ends nothing.
Rule 3: a yard that is gone raises `DoorError` where a line is written or claimed.
"""

import logging
import os
import queue
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from types import MethodType
from typing import Any
from weakref import WeakMethod

from gpiozero import PinEdgeDetectUnsupported, PinFixedPull, PinInvalidPin, PinSetInput
from gpiozero.exc import PinInvalidFunction, PinInvalidState
from gpiozero.pins import Factory, Pin, PinInfo

from controller.bench.calls import LINES
from controller.bench.converter import YardConverter
from controller.bench.link import Fields, Link
from controller.errors import DoorError

ADDRESS = "ARCKEEPER_YARD"

Changed = Callable[[float, int], object]
_log = logging.getLogger(__name__)


class YardBoard:
    """The lines of the yard's board, 0 to 63, by number or as "GPIO17"."""

    def __init__(self) -> None:
        self._lines: dict[int | str, Any] = {}
        for n in range(LINES):
            names: frozenset[int | str] = frozenset({n, str(n), f"GPIO{n}"})
            line = PinInfo(n, f"GPIO{n}", names, "", n + 1, 1, frozenset({"gpio"}))
            self._lines.update(dict.fromkeys(names, line))

    def find_pin(self, name: int | str) -> Iterator[tuple[None, Any]]:
        """Yield the line of that name, as gpiozero's own boards do, with no header."""
        if name in self._lines:
            yield None, self._lines[name]


class YardPin(Pin):  # type: ignore[misc]  # gpiozero carries no types
    """One line of the yard's board."""

    def __init__(self, factory: "YardFactory", line: Any) -> None:
        super().__init__()
        self._factory, self._line = factory, line
        self.number: int = line.number
        found = factory.link.ask("look", pin=self.number)
        self._function: str = found["function"]
        self._level: float = found["level"]
        self._pull: str = found["pull"]
        self._claimed = False
        self._frequency_hz: float | None = None
        self._edges = "both"
        self.lost_edges = 0  # how many the board dropped just before the one being told
        self._changed: Callable[[], Changed | None] | None = None

    def __repr__(self) -> str:
        return str(self._line.name)

    @property
    def factory(self) -> "YardFactory":
        """Return the factory that made this pin."""
        return self._factory

    def close(self) -> None:
        """Give the line back as an undriven input; never raises."""
        self._changed = None
        self._frequency_hz = None
        if self._claimed:
            self._claimed = False
            with suppress(DoorError):
                self._factory.link.tell("release", pin=self.number)
        self._function, self._pull = "input", "floating"

    def output_with_state(self, state: float) -> None:
        """Become an output that has this level from its first moment."""
        self._drive(float(state))

    def input_with_pull(self, pull: str) -> None:
        """Become an input with a pull, in one step."""
        self._listen(pull)

    def arrive(self, at_s: float, level: int, lost_n: int) -> None:
        """Call back for an edge; in the factory's callback thread."""
        self.lost_edges = lost_n
        wanted = {"both": True, "rising": level == 1, "falling": level == 0}
        callback = self._changed() if self._changed else None
        if callback is not None and wanted.get(self._edges, False):
            callback(at_s, level)

    def take_level(self, level: int) -> bool:
        """Note the level of an edge; return True when somebody wants to be called back."""
        self._level = level
        return self._changed is not None

    def _drive(self, level: float | None) -> None:
        answer = self._factory.link.ask("output", pin=self.number, level=level)
        self._function, self._level, self._claimed = "output", answer["level"], True

    def _listen(self, pull: str) -> None:
        self._factory.link.ask("input", pin=self.number, pull=pull, note=self._note_level)
        self._function, self._pull, self._claimed = "input", pull, True

    def _note_level(self, answer: Fields) -> None:
        self._level = answer["level"]

    def _get_info(self) -> Any:
        return self._line

    def _get_function(self) -> str:
        return self._function

    def _set_function(self, value: str) -> None:
        if value not in {"input", "output"}:
            raise PinInvalidFunction(f"{self!r} can be input or output, not {value!r}")
        if value == "output":
            self._drive(None)
        else:
            self._listen(self._pull)

    def _get_state(self) -> float:
        is_duty = self._function == "output" and self._frequency_hz is not None
        return self._level if is_duty else int(self._level > 0)

    def _set_state(self, value: float) -> None:
        if self._function != "output":
            raise PinSetInput(f"{self!r} is an input; make it an output first")
        if not 0 <= value <= 1:
            raise PinInvalidState(f"the level of {self!r} must be 0 to 1, not {value}")
        level = float(value) if self._frequency_hz is not None else float(bool(value))
        self._factory.link.tell("output", pin=self.number, level=level)
        self._level = level

    def _get_pull(self) -> str:
        return self._pull

    def _set_pull(self, value: str) -> None:
        if self._function != "input":
            raise PinFixedPull(f"{self!r} is an output and has no pull")
        self._listen(value)

    def _get_frequency(self) -> float | None:
        return self._frequency_hz

    def _set_frequency(self, value: float | None) -> None:
        if value is not None and self._function != "output":
            raise PinSetInput(f"{self!r} is an input; make it an output before PWM")
        if value is None and self._frequency_hz is not None and self._function == "output":
            self._factory.link.tell("output", pin=self.number, level=0.0)
            self._level = 0.0
        self._frequency_hz = value

    def _get_bounce(self) -> None:
        return None

    def _set_bounce(self, value: float | None) -> None:
        if value is not None:
            raise PinEdgeDetectUnsupported(f"{self!r} does not debounce; count raw edges instead")

    def _get_edges(self) -> str:
        return self._edges

    def _set_edges(self, value: str) -> None:
        if value not in {"both", "rising", "falling", "none"}:
            raise PinEdgeDetectUnsupported(f"{self!r} has no edges {value!r}")
        self._edges = value

    def _get_when_changed(self) -> Changed | None:
        return self._changed() if self._changed else None

    def _set_when_changed(self, value: Changed | None) -> None:
        if value is None:
            self._changed = None
        elif isinstance(value, MethodType):
            # gpiozero's devices hand over their own method and rely on not being kept alive.
            self._changed = WeakMethod(value)
        else:
            self._changed = lambda: value


class YardFactory(Factory):  # type: ignore[misc]  # gpiozero carries no types
    """Pins of the yard that listens at `address`, by default that of ARCKEEPER_YARD."""

    def __init__(self, address: str | os.PathLike[str] | None = None) -> None:
        super().__init__()
        where = address or os.environ.get(ADDRESS)
        if not where:
            raise DoorError(f"set {ADDRESS} to the socket that the yard named when it started")
        self._board = YardBoard()
        self.pins: dict[int, YardPin] = {}
        self._edges: queue.SimpleQueue[tuple[YardPin, Fields] | None] = queue.SimpleQueue()
        self.link = Link(Path(where), hear=self._hear)
        self._caller = threading.Thread(target=self._call_back, name="yard-edges", daemon=True)
        self._caller.start()

    def close(self) -> None:
        """Give every line back and leave the yard; twice is fine."""
        for pin in list(self.pins.values()):
            pin.close()
        self.pins.clear()
        self._edges.put(None)
        if threading.current_thread() is not self._caller:
            self._caller.join(5.0)
        self.link.close()

    def pin(self, name: int | str) -> YardPin:
        """Return the pin of a line, always the same one for the same line."""
        for _, line in self._board.find_pin(name):
            if line.number not in self.pins:
                self.pins[line.number] = YardPin(self, line)
            return self.pins[line.number]
        raise PinInvalidPin(f"the yard's board has no line {name!r}; it has 0 to {LINES - 1}")

    def spi(self, **_where: Any) -> YardConverter:
        """Return the converter that measures the motor's current, whatever the wiring asked for."""
        return YardConverter(self.link)

    def ticks(self) -> float:
        """Return CLOCK_MONOTONIC seconds, the yard's own clock."""
        return time.monotonic()

    def ticks_diff(self, later: float, earlier: float) -> float:
        """Return the seconds between two ticks."""
        return later - earlier

    def _get_board_info(self) -> YardBoard:
        return self._board

    def _hear(self, message: Fields) -> None:
        pin, level = self.pins.get(message["edge"]), message["level"]
        if pin is not None and pin.take_level(level):
            self._edges.put((pin, message))

    def _call_back(self) -> None:
        while (edge := self._edges.get()) is not None:
            pin, message = edge
            try:
                pin.arrive(message["at_s"], message["level"], message["lost_n"])
            except Exception:
                _log.exception("a callback for %r failed", pin)
