"""A GPIO chip in software behind gpiod 2.5's own classes: what the kernel does, and a journal.

Settings, enums and events are gpiod's; only the chip and its requests stand in.
"""

import os
import threading
from collections import deque
from collections.abc import Iterable
from datetime import timedelta
from errno import EBUSY, ENOENT
from select import select
from types import ModuleType
from typing import Any, Final

import gpiod
from gpiod.line import Bias, Direction, Edge, Value

BUFFER_CAP: Final = 1024  # GPIO_V2_LINES_MAX * 16, whatever is asked for


class Wire:
    """One line and what hangs on it."""

    def __init__(self, offset: int, name: str) -> None:
        self.offset = offset
        self.name = name
        self.consumer = ""
        self.direction = Direction.INPUT
        self.is_high = False
        self.bias = Bias.AS_IS
        self.edge = Edge.NONE
        self.holder: Request | None = None


class Kernel:
    """The chip as the kernel keeps it.

    `journal` has (offset, direction, level) for every change that a meter on the line would
    see. `now_ns` is CLOCK_MONOTONIC and stands still until it is moved.
    """

    def __init__(self, names: Iterable[str], *, label: str = "pinctrl-test") -> None:
        self.wires = [Wire(offset, name) for offset, name in enumerate(names)]
        self.label = label
        self.journal: list[tuple[int, Direction, bool]] = []
        self.now_ns = 5_000_000_000
        self.events_n = 0
        self.lock = threading.RLock()

    def drive(self, offset: int, is_high: bool, *, after_ns: int = 1000) -> None:
        """Let the outside world pull an input to a level."""
        with self.lock:
            self.now_ns += after_ns
            wire = self.wires[offset]
            assert wire.direction is Direction.INPUT, "two drive the same line"
            if wire.is_high != is_high:
                wire.is_high = is_high
                self.journal.append((offset, wire.direction, is_high))
                self._edge(wire)

    def set(self, wire: Wire, direction: Direction, is_high: bool) -> None:
        if (wire.direction, wire.is_high) != (direction, is_high):
            wire.direction, wire.is_high = direction, is_high
            self.journal.append((wire.offset, direction, is_high))

    def _edge(self, wire: Wire) -> None:
        wanted = {Edge.BOTH, Edge.RISING if wire.is_high else Edge.FALLING}
        if wire.holder is not None and wire.edge in wanted:
            self.events_n += 1
            wire.holder.queue(self.now_ns, self.events_n, wire.is_high)

    def module(self, paths: Iterable[str] = ()) -> ModuleType:
        """Return what stands in for the module gpiod."""
        kernel = self

        class ThisChip(Chip):
            def __init__(self, path: str) -> None:
                super().__init__(path)
                self.kernel = kernel

        standin = ModuleType("gpiod")
        vars(standin).update(
            Chip=ThisChip,
            LineSettings=gpiod.LineSettings,
            EdgeEvent=gpiod.EdgeEvent,
            line=gpiod.line,
        )
        return standin


class Chip:
    """Stands in for gpiod.Chip."""

    kernel: Kernel

    def __init__(self, path: str) -> None:
        self.path = path
        self._is_open = True

    def __enter__(self) -> "Chip":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._is_open = False

    def get_info(self) -> gpiod.ChipInfo:
        self._check_closed()
        return gpiod.ChipInfo("gpiochip0", self.kernel.label, len(self.kernel.wires))

    def line_offset_from_id(self, id: str | int) -> int:  # noqa: A002  gpiod's name
        if isinstance(id, int):
            if id >= len(self.kernel.wires):
                raise ValueError("line offset of out range")
            return id
        for wire in self.kernel.wires:
            if wire.name == id:
                return wire.offset
        raise OSError(ENOENT, os.strerror(ENOENT))

    def get_line_info(self, line: int | str) -> gpiod.LineInfo:
        self._check_closed()
        wire = self.kernel.wires[self.line_offset_from_id(line)]
        return gpiod.LineInfo(
            wire.offset,
            wire.name,
            wire.holder is not None or bool(wire.consumer),
            wire.consumer,
            wire.direction.value,
            False,
            Bias.UNKNOWN.value,
            gpiod.line.Drive.PUSH_PULL.value,
            wire.edge.value,
            gpiod.line.Clock.MONOTONIC.value,
            False,
            0,
        )

    def request_lines(
        self,
        config: dict[Any, gpiod.LineSettings | None],
        consumer: str | None = None,
        event_buffer_size: int | None = None,
        output_values: dict[int | str, Value] | None = None,
    ) -> "Request":
        self._check_closed()
        ((line, settings),) = config.items()
        wire = self.kernel.wires[self.line_offset_from_id(line)]
        if wire.holder is not None or wire.consumer:
            raise OSError(EBUSY, os.strerror(EBUSY))
        request = Request(self.kernel, wire, min(event_buffer_size or 16, BUFFER_CAP))
        wire.holder, wire.consumer = request, consumer or "?"
        request.apply(settings or gpiod.LineSettings())
        return request

    def _check_closed(self) -> None:
        if not self._is_open:
            raise gpiod.ChipClosedError


class Request:
    """Stands in for gpiod.LineRequest, with one line."""

    def __init__(self, kernel: Kernel, wire: Wire, kept_n: int) -> None:
        self._kernel = kernel
        self._wire = wire
        self._events: deque[gpiod.EdgeEvent] = deque(maxlen=kept_n)  # the oldest goes
        self._edges_n = 0
        self._fd = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._is_released = False

    @property
    def fd(self) -> int:
        self._check_released()
        return self._fd

    def apply(self, settings: gpiod.LineSettings) -> None:
        wire = self._wire
        with self._kernel.lock:
            wire.edge = settings.edge_detection
            if settings.direction is Direction.OUTPUT:
                level = bool(settings.output_value) != settings.active_low
                self._kernel.set(wire, Direction.OUTPUT, level)
            elif settings.direction is Direction.INPUT:
                if settings.bias in (Bias.PULL_UP, Bias.PULL_DOWN):
                    self._kernel.set(wire, Direction.INPUT, settings.bias is Bias.PULL_UP)
                else:
                    self._kernel.set(wire, Direction.INPUT, wire.is_high)
            wire.bias = settings.bias

    def release(self) -> None:
        with self._kernel.lock:
            if not self._is_released:
                self._is_released = True
                self._wire.holder, self._wire.consumer = None, ""
                self._wire.edge = Edge.NONE
                os.close(self._fd)

    def get_value(self, line: int | str) -> Value:
        self._check_released()
        return Value.ACTIVE if self._wire.is_high else Value.INACTIVE

    def set_value(self, line: int | str, value: Value) -> None:
        self._check_released()
        assert self._wire.direction is Direction.OUTPUT
        with self._kernel.lock:
            self._kernel.set(self._wire, Direction.OUTPUT, bool(value))

    def reconfigure_lines(self, config: dict[Any, gpiod.LineSettings | None]) -> None:
        self._check_released()
        ((_, settings),) = config.items()
        self.apply(settings or gpiod.LineSettings())

    def wait_edge_events(self, timeout: timedelta | float | None = None) -> bool:
        assert not isinstance(timeout, timedelta)
        return bool(select([self.fd], [], [], timeout)[0])

    def read_edge_events(self, max_events: int | None = None) -> list[gpiod.EdgeEvent]:
        self._check_released()
        with self._kernel.lock:
            assert self._events, "the real one would block here"
            events = list(self._events)
            self._events.clear()
            os.eventfd_read(self._fd)
            return events

    def queue(self, timestamp_ns: int, global_seqno: int, is_high: bool) -> None:
        """Keep an edge; the line's own number goes on whether it is kept or not."""
        self._edges_n = (self._edges_n + 1) % (1 << 32)
        kind = gpiod.EdgeEvent.Type
        if not self._events:
            os.eventfd_write(self._fd, 1)
        self._events.append(
            gpiod.EdgeEvent(
                (kind.RISING_EDGE if is_high else kind.FALLING_EDGE).value,
                timestamp_ns,
                self._wire.offset,
                global_seqno,
                self._edges_n,
            )
        )

    def _check_released(self) -> None:
        if self._is_released:
            raise gpiod.RequestReleasedError
