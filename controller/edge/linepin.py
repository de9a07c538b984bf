"""One line of a GPIO chip as a gpiozero pin.

1. An output comes up with its level in one request: no wrong level in between.
2. Edges carry the kernel's CLOCK_MONOTONIC, and are not debounced.
3. The kernel numbers the edges of a line, so an edge that it dropped is known to be lost.
"""

import errno
import threading
from collections.abc import Callable
from functools import partial
from types import MethodType
from typing import TYPE_CHECKING, Any, Final, Protocol
from weakref import WeakMethod, ref

from gpiozero import (
    GPIOPinInUse,
    Pin,
    PinEdgeDetectUnsupported,
    PinInvalidFunction,
    PinInvalidPull,
    PinPWMFixedValue,
    PinSetInput,
)

from controller.edge.edgewatch import EdgeWatch, Told
from controller.edge.softpwm import FREQUENCY_MAX_HZ, SoftPwm

if TYPE_CHECKING:
    import gpiod

CONSUMER: Final = "arckeeper"  # what the kernel shows as the holder of a line
EDGES_KEPT: Final = 1024  # the kernel's cap for one line; it keeps 16 unless asked
SEQUENCE: Final = 1 << 32  # line_seqno is a __u32 (linux/gpio.h)


class Lines(Protocol):
    """What a pin needs of its factory: the library, the open chip, the thread for edges."""

    gpiod: Any
    chip: "gpiod.Chip"
    watch: EdgeWatch


class LinePin(Pin):  # type: ignore[misc]  # gpiozero has no types
    """One line of the chip; requested from the kernel when it is first used.

    `lost_edges` is how many edges the kernel dropped just before the one being told.
    """

    def __init__(self, lines: Lines, info: Any) -> None:
        super().__init__()
        self.lost_edges = 0
        self._lines = lines
        self._info = info
        self._offset: int = info.number
        self._lock = threading.RLock()  # gpiod's requests ask for it
        self._request: gpiod.LineRequest | None = None
        self._function = ""  # "input", "output", "" before either was asked for
        self._pull = "floating"
        self._edges = "both"
        self._when_changed: Callable[[], Callable[[float, int], None] | None] | None = None
        self._sequence = 0
        self._pwm: SoftPwm | None = None

    def __repr__(self) -> str:
        return str(self._info.name)

    def close(self) -> None:
        """Release the line; it may be used again."""
        with self._lock:
            self._when_changed = None
            pwm, self._pwm = self._pwm, None
        if pwm:
            pwm.close()
        with self._lock:
            self._release()
            self._function, self._pull, self._edges = "", "floating", "both"

    def output_with_state(self, state: float) -> None:
        """Become an output with this level in one step."""
        line = self._lines.gpiod.line
        level = line.Value.ACTIVE if state else line.Value.INACTIVE
        self._apply("output", direction=line.Direction.OUTPUT, output_value=level)

    def input_with_pull(self, pull: str) -> None:
        """Become an input with this pull in one step."""
        line = self._lines.gpiod.line
        biases = {
            "up": line.Bias.PULL_UP,
            "down": line.Bias.PULL_DOWN,
            "floating": line.Bias.DISABLED,
        }
        if pull not in biases:
            raise PinInvalidPull(f"{self!r} has pull up, down or floating, not {pull!r}")
        edges = {
            "both": line.Edge.BOTH,
            "rising": line.Edge.RISING,
            "falling": line.Edge.FALLING,
            "none": line.Edge.NONE,
        }
        watched = "none" if self._when_changed is None else self._edges
        self._apply(
            "input",
            direction=line.Direction.INPUT,
            bias=biases[pull],
            edge_detection=edges[watched],
            event_clock=line.Clock.MONOTONIC,
        )
        self._pull = pull

    def _apply(self, function: str, **settings: Any) -> None:
        with self._lock:
            wanted = self._lines.gpiod.LineSettings(**settings)
            if self._request is not None:
                self._request.reconfigure_lines({self._offset: wanted})
            else:
                self._request = self._requested(wanted)
                self._sequence = 0
            self._function = function

    def _requested(self, wanted: "gpiod.LineSettings") -> "gpiod.LineRequest":
        try:
            request: gpiod.LineRequest = self._lines.chip.request_lines(
                {self._offset: wanted}, consumer=CONSUMER, event_buffer_size=EDGES_KEPT
            )
        except OSError as error:
            if error.errno != errno.EBUSY:
                raise
            holder = self._lines.chip.get_line_info(self._offset).consumer
            raise GPIOPinInUse(f"{self!r} is held by {holder or 'the kernel'!r}") from error
        return request

    def _release(self) -> None:
        if self._request is not None:
            self._lines.watch.remove(self._request.fd)
            self._request.release()
            self._request = None

    def _held(self) -> "gpiod.LineRequest":
        """Return the request; before the first use, one that leaves the line as it is."""
        if self._request is None:
            self._apply("")
        assert self._request is not None
        return self._request

    def _get_info(self) -> Any:
        return self._info

    def _get_function(self) -> str:
        if self._function:
            return self._function
        found = self._lines.chip.get_line_info(self._offset).direction
        return "output" if found is self._lines.gpiod.line.Direction.OUTPUT else "input"

    def _set_function(self, value: str) -> None:
        if value == "input":
            self.input_with_pull(self._pull)
        elif value == "output":
            with self._lock:
                self.output_with_state(self._get_state())
        else:
            raise PinInvalidFunction(f"{self!r} is an input or an output, not {value!r}")

    def _get_state(self) -> float:
        if self._pwm:
            return self._pwm.duty
        with self._lock:
            return int(bool(self._held().get_value(self._offset)))

    def _set_state(self, value: float) -> None:
        if self._function != "output":
            raise PinSetInput(f"cannot set the level of {self!r}, it is not an output")
        if self._pwm:
            self._pwm.duty = float(value)
        else:
            self._write(bool(value))

    def _write(self, is_high: bool) -> None:
        value = self._lines.gpiod.line.Value
        with self._lock:
            self._held().set_value(self._offset, value.ACTIVE if is_high else value.INACTIVE)

    def _get_pull(self) -> str:
        return self._pull

    def _set_pull(self, value: str) -> None:
        self.input_with_pull(value)

    def _get_frequency(self) -> float | None:
        return self._pwm.frequency_hz if self._pwm else None

    def _set_frequency(self, value: float | None) -> None:
        if self._pwm:
            self._pwm.close()
            self._pwm = None
        if value is None:
            return
        if self._function != "output" or not 0 < value <= FREQUENCY_MAX_HZ:
            raise PinPWMFixedValue(
                f"{self!r} has PWM as an output and up to {FREQUENCY_MAX_HZ:g} Hz, not"
                f" {value:g} Hz as {self._function or 'neither input nor output'}"
            )
        self._pwm = SoftPwm(self._write, frequency_hz=value)

    def _get_bounce(self) -> None:
        return None

    def _set_bounce(self, value: float | None) -> None:
        if value is not None:
            raise PinEdgeDetectUnsupported(f"{self!r} tells raw edges; debounce them yourself")

    def _get_edges(self) -> str:
        return self._edges

    def _set_edges(self, value: str) -> None:
        if value not in ("both", "rising", "falling", "none"):
            raise PinEdgeDetectUnsupported(f"{self!r} has no edges {value!r}")
        self._edges = value
        if self._when_changed is not None:
            self._arm()

    def _get_when_changed(self) -> Callable[[float, int], None] | None:
        return None if self._when_changed is None else self._when_changed()

    def _set_when_changed(self, value: Callable[[float, int], None] | None) -> None:
        # Weak, as gpiozero wants it: the device holds the pin, and must be free to go.
        with self._lock:
            was_armed = self._when_changed is not None
            if value is None:
                self._when_changed = None
            else:
                self._when_changed = (
                    WeakMethod(value) if isinstance(value, MethodType) else ref(value)
                )
            if was_armed != (value is not None):
                self._arm()

    def _arm(self) -> None:
        """Ask the kernel anew, so that its numbering of the edges starts with this request."""
        with self._lock:
            self._release()
            self.input_with_pull(self._pull)
            if self._when_changed is not None and self._request is not None:
                self._lines.watch.add(self._request.fd, self._take)

    def _take(self) -> list[Told]:
        """Return the edges that wait; never blocks, also when the line was just released."""
        with self._lock:
            if self._request is None or not self._request.wait_edge_events(0):
                return []
            events = self._request.read_edge_events()
            return [
                (event.timestamp_ns, partial(self._tell, event, self._lost_before(event)))
                for event in events
            ]

    def _lost_before(self, event: "gpiod.EdgeEvent") -> int:
        lost = (event.line_seqno - self._sequence - 1) % SEQUENCE
        self._sequence = event.line_seqno
        return lost

    def _tell(self, event: "gpiod.EdgeEvent", lost: int) -> None:
        self.lost_edges = lost
        callback = self._get_when_changed()
        if callback is not None:
            rising = self._lines.gpiod.EdgeEvent.Type.RISING_EDGE
            callback(event.timestamp_ns / 1e9, int(event.event_type is rising))
