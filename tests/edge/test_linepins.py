"""The kernel's lines as gpiozero pins, on a chip in software."""

import inspect
import sys
import threading
import time
from collections.abc import Callable, Iterator
from queue import SimpleQueue
from typing import Any

import gpiod
import pytest
from gpiod.line import Bias, Direction
from gpiozero import (
    MCP3008,
    DigitalInputDevice,
    GPIOPinInUse,
    InputDevice,
    OutputDevice,
    PinEdgeDetectUnsupported,
    PinInvalidFunction,
    PinInvalidPin,
    PinInvalidPull,
    PinPWMFixedValue,
    PinSetInput,
)
from gpiozero.pins import local

from controller.core import motion
from controller.core.events import Event, ReedEdge
from controller.edge.gpio import Board
from controller.edge.linepins import LineFactory
from controller.errors import DoorError
from tests.edge.kernel import Chip, Kernel, Request
from tests.edge.recording import BRIDGE, SENSOR_PIN, TWO_RELAYS, pins_with, settings_with

NAMES = [f"GPIO{n}" for n in range(28)]
IN, OUT = Direction.INPUT, Direction.OUTPUT


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> Kernel:
    kernel = Kernel(NAMES)
    monkeypatch.setitem(sys.modules, "gpiod", kernel.module())
    return kernel


@pytest.fixture
def factory(kernel: Kernel) -> Iterator[LineFactory]:
    with LineFactory("/dev/gpiochip0") as factory:
        yield factory


@pytest.mark.parametrize(("standin", "real"), [(Chip, gpiod.Chip), (Request, gpiod.LineRequest)])
def test_the_chip_in_software_is_called_as_the_real_one(standin: type, real: type) -> None:
    # Ours are the constructor and what only the test calls.
    own = {"__init__", "apply", "queue", "fd", "path"}
    names = [n for n in vars(standin) if not n.startswith("_") and n not in own]
    assert len(names) >= 5
    for name in names:
        ours = inspect.signature(getattr(standin, name))
        theirs = inspect.signature(getattr(real, name))
        assert list(ours.parameters) == list(theirs.parameters), name
        for parameter in theirs.parameters.values():
            assert ours.parameters[parameter.name].default == parameter.default, name


@pytest.mark.parametrize("name", [17, "17", "GPIO17", "line 17"])
def test_a_line_has_several_names_and_one_pin(factory: LineFactory, name: int | str) -> None:
    assert factory.pin(name) is factory.pin(17)


@pytest.mark.parametrize("name", [28, "28", "GPIO28", "J8:11", "", -1])
def test_a_line_that_there_is_not_is_refused(factory: LineFactory, name: int | str) -> None:
    with pytest.raises(PinInvalidPin, match=r"is not a line of gpiochip0 \(pinctrl-test\)"):
        factory.pin(name)


def test_the_names_that_the_kernel_gives_go_before_numbers(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    named = Kernel(["GPIO2", "", "1", "TWICE", "TWICE"])
    monkeypatch.setitem(sys.modules, "gpiod", named.module())
    with LineFactory("0") as factory:
        asked: list[int | str] = ["GPIO2", 2, "1", 1, "TWICE", "GPIO4", "GPIO0"]
        assert [factory.pin(name).info.number for name in asked] == [0, 2, 2, 1, 3, 4, 0]


@pytest.mark.parametrize("found", [(IN, False), (IN, True), (OUT, False), (OUT, True)])
@pytest.mark.parametrize("active_high", [True, False])
def test_an_output_shows_its_resting_level_and_no_other(
    kernel: Kernel, factory: LineFactory, found: tuple[Direction, bool], active_high: bool
) -> None:
    wire = kernel.wires[5]
    wire.direction, wire.is_high = found
    device = OutputDevice(5, active_high=active_high, pin_factory=factory)
    resting = (5, OUT, not active_high)
    assert kernel.journal == ([] if found == (OUT, not active_high) else [resting])
    del kernel.journal[:]
    device.on()
    device.off()
    device.close()
    assert kernel.journal == [(5, OUT, active_high), resting]


@pytest.mark.parametrize("direction", [IN, OUT])
@pytest.mark.parametrize("is_high", [False, True])
def test_an_output_as_found_keeps_its_level(
    kernel: Kernel, factory: LineFactory, direction: Direction, is_high: bool
) -> None:
    wire = kernel.wires[5]
    wire.direction, wire.is_high = direction, is_high
    assert factory.pin(5).function == {IN: "input", OUT: "output"}[direction]
    factory.pin(5).function = "output"
    assert (wire.direction, wire.is_high) == (OUT, is_high)
    assert factory.pin(5).state == int(is_high)


def test_a_closed_pin_is_as_new(kernel: Kernel, factory: LineFactory) -> None:
    pin = factory.pin(17)
    device = InputDevice(17, pull_up=True, pin_factory=factory)
    pin.edges = "falling"
    assert (pin.pull, pin.edges, pin.lost_edges) == ("up", "falling", 0)
    device.close()
    assert (pin.pull, pin.edges, pin.function) == ("floating", "both", "input")
    assert kernel.wires[17].holder is None


def pwm_threads() -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name == "soft-pwm"]


@pytest.mark.parametrize("end", ["frequency", "close"])
def test_the_thread_of_a_pwm_ends_with_it(kernel: Kernel, factory: LineFactory, end: str) -> None:
    pin = factory.pin(5)
    pin.output_with_state(0)
    pin.frequency = 200.0
    pin.frequency = 100.0
    pin.state = 0.5
    assert pwm_threads() == ["soft-pwm"]
    if end == "frequency":
        pin.frequency = None
        assert (pin.frequency, pin.state) == (None, 0)
    else:
        pin.close()
    assert pwm_threads() == []
    assert not kernel.wires[5].is_high


@pytest.mark.parametrize(
    ("pull_up", "bias"), [(True, Bias.PULL_UP), (False, Bias.PULL_DOWN), (None, Bias.DISABLED)]
)
def test_an_input_has_the_pull_that_was_asked_for(
    kernel: Kernel, factory: LineFactory, pull_up: bool | None, bias: Bias
) -> None:
    floating = {"active_state": True} if pull_up is None else {}
    device = InputDevice(17, pull_up=pull_up, pin_factory=factory, **floating)
    assert kernel.wires[17].bias is bias
    assert device.pull_up is pull_up
    assert factory.pin(17).function == "input"
    device.close()


def test_a_line_that_another_program_holds_is_named_with_its_holder(
    kernel: Kernel, factory: LineFactory
) -> None:
    kernel.wires[5].consumer = "another-program"
    with pytest.raises(GPIOPinInUse, match="GPIO5 is held by 'another-program'"):
        OutputDevice(5, pin_factory=factory)


def test_closing_releases_every_line_and_closes_twice(kernel: Kernel) -> None:
    factory = LineFactory("0")
    OutputDevice(5, pin_factory=factory)
    device = DigitalInputDevice(17, pull_up=True, pin_factory=factory)
    factory.close()
    factory.close()
    assert [wire.offset for wire in kernel.wires if wire.holder] == []
    device.close()
    with LineFactory("0") as again:
        again.pin(5).output_with_state(0)


@pytest.mark.parametrize(
    ("wrong", "error"),
    [
        (lambda pin: pin.input_with_pull("sideways"), PinInvalidPull),
        (lambda pin: setattr(pin, "function", "alternate"), PinInvalidFunction),
        (lambda pin: setattr(pin, "state", 1), PinSetInput),
        (lambda pin: setattr(pin, "bounce", 0.005), PinEdgeDetectUnsupported),
        (lambda pin: setattr(pin, "edges", "some"), PinEdgeDetectUnsupported),
        (lambda pin: setattr(pin, "frequency", 100.0), PinPWMFixedValue),
    ],
)
def test_what_a_line_cannot_do_is_refused_by_name(
    factory: LineFactory, wrong: Callable[[Any], None], error: type[Exception]
) -> None:
    pin = factory.pin(17)
    pin.function = "input"
    with pytest.raises(error, match="GPIO17"):
        wrong(pin)


@pytest.mark.parametrize(("frequency_hz", "works"), [(500.0, True), (501.0, False), (0.0, False)])
def test_pwm_has_a_highest_frequency(
    factory: LineFactory, frequency_hz: float, works: bool
) -> None:
    pin = factory.pin(5)
    pin.output_with_state(0)
    if works:
        pin.frequency = frequency_hz
        assert pin.frequency == frequency_hz
        pin.frequency = None
    else:
        with pytest.raises(PinPWMFixedValue, match="up to 500 Hz"):
            pin.frequency = frequency_hz


def test_pwm_switches_the_line_and_a_steady_duty_is_there_at_once(
    kernel: Kernel, factory: LineFactory
) -> None:
    pin = factory.pin(5)
    pin.output_with_state(0)
    pin.frequency = 500.0
    assert pin.frequency == 500.0
    pin.state = 0.5
    deadline_s = time.monotonic() + 10.0
    while len(kernel.journal) < 9 and time.monotonic() < deadline_s:
        time.sleep(0.001)
    pin.state = 1.0
    assert (kernel.wires[5].is_high, pin.state) == (True, 1.0)
    pin.state = 0.0
    assert (kernel.wires[5].is_high, pin.state) == (False, 0.0)
    levels = [is_high for _, _, is_high in kernel.journal[1:9]]
    assert levels == [True, False] * 4
    pin.close()
    assert pin.frequency is None


def test_a_board_counts_and_drives_through_the_lines(kernel: Kernel) -> None:
    inbox: SimpleQueue[Event] = SimpleQueue()
    factory = LineFactory("0")
    board = Board(settings_with(pins_with(TWO_RELAYS, active_low=True)), inbox.put, factory=factory)
    board.drive.run(motion.Direction.WEST, until_s=time.monotonic() + 4.0)
    assert kernel.wires[6].is_high is False
    for _ in range(50):
        kernel.drive(SENSOR_PIN, False, after_ns=10_000_000)
        kernel.drive(SENSOR_PIN, True, after_ns=10_000_000)
    edges = [inbox.get(timeout=10.0) for _ in range(101)]
    closings = [edge for edge in edges if isinstance(edge, ReedEdge) and edge.closed]
    assert len(closings) == 50
    assert closings[1].at_s - closings[0].at_s == pytest.approx(0.02, abs=1e-9)
    board.close()
    factory.close()
    outputs = [entry for entry in kernel.journal if entry[0] in (5, 6)]
    assert outputs == [(5, OUT, True), (6, OUT, True), (6, OUT, False), (6, OUT, True)]


def test_a_bridge_ramps_through_the_lines(kernel: Kernel) -> None:
    factory = LineFactory("0")
    board = Board(
        settings_with(pins_with({**BRIDGE, "soft_start_s": 0.05})),
        lambda _event: None,
        factory=factory,
    )
    board.drive.run(motion.Direction.EAST, until_s=time.monotonic() + 4.0)
    deadline_s = time.monotonic() + 10.0
    while factory.pin(5).state != 1.0 and time.monotonic() < deadline_s:
        time.sleep(0.001)
    assert kernel.wires[5].is_high
    board.drive.halt()
    assert not kernel.wires[5].is_high
    board.close()
    factory.close()
    assert not any(is_high for offset, _, is_high in kernel.journal if offset == 6)


class SomeSpi:
    """Answers every transfer with half of ten bits."""

    bits_per_word = 8

    def open(self, port: int, device: int) -> None:
        self.opened = (port, device)

    def xfer2(self, words: list[int]) -> list[int]:
        return [0, 0b10, 0]

    def close(self) -> None:
        """Close nothing."""


def test_a_current_is_read_through_the_kernels_spi(
    factory: LineFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(local, "SpiDev", SomeSpi)
    device = MCP3008(channel=3, pin_factory=factory)
    assert device.value == pytest.approx(0.5, abs=1 / 1023)
    device.close()


@pytest.mark.parametrize(("port", "device"), [(1, 0), (0, 2)])
def test_an_spi_that_there_is_not_is_refused(factory: LineFactory, port: int, device: int) -> None:
    with pytest.raises(DoorError, match="SPI has port 0"):
        factory.spi(port=port, device=device)
