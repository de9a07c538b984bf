"""Edges of the kernel's lines, on a chip in software."""

import sys
import threading
from collections.abc import Iterator
from queue import SimpleQueue
from typing import Any

import pytest
from gpiozero import (
    DigitalInputDevice,
)

from controller.edge.linepins import LineFactory
from tests.edge.kernel import Kernel

NAMES = [f"GPIO{n}" for n in range(28)]


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> Kernel:
    kernel = Kernel(NAMES)
    monkeypatch.setitem(sys.modules, "gpiod", kernel.module())
    return kernel


@pytest.fixture
def factory(kernel: Kernel) -> Iterator[LineFactory]:
    with LineFactory("/dev/gpiochip0") as factory:
        yield factory


class Told:
    """Takes edges as a device would, and waits for them."""

    def __init__(self) -> None:
        self.queue: SimpleQueue[tuple[float, int, int]] = SimpleQueue()
        self.pin: Any = None

    def edge(self, ticks: float, state: int) -> None:
        self.queue.put((ticks, state, self.pin.lost_edges))

    def taken(self, count: int) -> list[tuple[float, int, int]]:
        edges = [self.queue.get(timeout=10.0) for _ in range(count)]
        assert self.queue.empty()
        return edges


def watched(factory: LineFactory, number: int) -> Told:
    told = Told()
    told.pin = factory.pin(number)
    told.pin.input_with_pull("up")
    told.pin.when_changed = told.edge
    return told


@pytest.mark.parametrize("levels", [[True, False], [False, True, False, True]])
def test_edges_come_raw_with_the_time_of_the_kernel(
    kernel: Kernel, factory: LineFactory, levels: list[bool]
) -> None:
    told = watched(factory, 17)
    kernel.drive(17, not levels[0], after_ns=0)
    before = [] if kernel.wires[17].is_high else told.taken(1)
    expected = []
    for level in levels:
        kernel.drive(17, level, after_ns=123_456)
        expected.append((kernel.now_ns / 1e9, int(level), 0))
    assert told.taken(len(levels)) == expected
    assert [lost for _, _, lost in before] in ([], [0])


def test_a_burst_beyond_the_buffer_is_known_to_the_edge(
    kernel: Kernel, factory: LineFactory
) -> None:
    # Measured on a real chip with gpiod: of 6002 edges 1362 were read and 4640 known lost.
    told = watched(factory, 17)
    blocked, go_on = threading.Event(), threading.Event()

    def block(_ticks: float, _state: int) -> None:
        blocked.set()
        go_on.wait(10.0)

    blocker = factory.pin(18)
    blocker.input_with_pull("up")
    blocker.when_changed = block
    kernel.drive(18, False)
    assert blocked.wait(10.0)
    for edge in range(3000):
        kernel.drive(17, bool(edge % 2))
    go_on.set()
    edges = told.taken(1024)
    assert edges[0][2] == 3000 - 1024
    assert {lost for _, _, lost in edges[1:]} == {0}
    kernel.drive(17, False)
    assert told.taken(1)[0][2] == 0


def test_the_number_of_an_edge_may_wrap_around(kernel: Kernel, factory: LineFactory) -> None:
    told = watched(factory, 17)
    holder = kernel.wires[17].holder
    assert holder is not None
    holder._edges_n = (1 << 32) - 2
    told.pin._sequence = (1 << 32) - 2
    for level in (False, True, False):
        kernel.drive(17, level)
    assert [lost for _, _, lost in told.taken(3)] == [0, 0, 0]


def test_edges_of_two_lines_are_told_in_the_order_of_the_kernel(
    kernel: Kernel, factory: LineFactory
) -> None:
    order: list[str] = []
    done, blocked, go_on = threading.Event(), threading.Event(), threading.Event()

    def block(_ticks: float, _state: int) -> None:
        blocked.set()
        go_on.wait(10.0)

    def main(_ticks: float, state: int) -> None:
        order.append(f"main {state}")

    def second(_ticks: float, state: int) -> None:
        order.append(f"second {state}")
        if len(order) == 40:
            done.set()

    for number, tell in ((18, block), (17, main), (27, second)):
        factory.pin(number).input_with_pull("up")
        factory.pin(number).when_changed = tell
    kernel.drive(18, False)
    assert blocked.wait(10.0)
    for turn in range(20):
        kernel.drive(17, bool(turn % 2))
        kernel.drive(27, bool(turn % 2))
    go_on.set()
    assert done.wait(10.0)
    assert order == [f"{who} {turn % 2}" for turn in range(20) for who in ("main", "second")]


def test_a_callback_that_raises_does_not_end_the_edges(
    kernel: Kernel, factory: LineFactory, caplog: pytest.LogCaptureFixture
) -> None:
    told = Told()
    told.pin = factory.pin(17)

    def faulty(ticks: float, state: int) -> None:
        told.edge(ticks, state)
        raise ValueError("a fault of the callback")

    told.pin.input_with_pull("up")
    told.pin.when_changed = faulty
    for level in (False, True, False):
        kernel.drive(17, level)
    assert [state for _, state, _ in told.taken(3)] == [0, 1, 0]
    assert "a callback for an edge failed" in caplog.text


@pytest.mark.parametrize(
    ("edges", "states"), [("both", [0, 1, 0]), ("rising", [1]), ("falling", [0, 0])]
)
def test_only_the_edges_asked_for_are_told(
    kernel: Kernel, factory: LineFactory, edges: str, states: list[int]
) -> None:
    told = watched(factory, 17)
    told.pin.edges = edges
    for level in (False, True, False):
        kernel.drive(17, level)
    assert [state for _, state, _ in told.taken(len(states))] == states


def test_nothing_is_told_after_unsubscribing_or_closing(
    kernel: Kernel, factory: LineFactory
) -> None:
    first, second = watched(factory, 17), watched(factory, 27)
    first.pin.when_changed = None
    second.pin.close()
    for number in (17, 27):
        kernel.drive(number, False)
    still = watched(factory, 22)
    kernel.drive(22, False)
    still.taken(1)  # the thread has been round, so the others would have been told
    assert first.queue.empty()
    assert second.queue.empty()
    assert len(factory.watch._takes) == 1


def test_a_line_that_was_closed_can_be_watched_anew(kernel: Kernel, factory: LineFactory) -> None:
    for _ in range(3):
        told = watched(factory, 17)
        for level in (False, True):
            kernel.drive(17, level)
        assert [(state, lost) for _, state, lost in told.taken(2)] == [(0, 0), (1, 0)]
        told.pin.close()


def test_a_device_that_nobody_holds_may_go(factory: LineFactory) -> None:
    told = watched(factory, 17)
    pin = told.pin
    del told
    assert pin.when_changed is None


def test_gpiozero_devices_work_on_lines(kernel: Kernel, factory: LineFactory) -> None:
    pressed: SimpleQueue[str] = SimpleQueue()
    device = DigitalInputDevice(17, pull_up=True, pin_factory=factory)
    device.when_activated = lambda: pressed.put("on")
    device.when_deactivated = lambda: pressed.put("off")
    kernel.drive(17, False)
    kernel.drive(17, True)
    assert [pressed.get(timeout=10.0) for _ in range(2)] == ["on", "off"]
    device.close()
