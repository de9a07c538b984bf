"""The kernel's lines as gpiozero pins, on a chip in software."""

import inspect
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from queue import SimpleQueue
from types import ModuleType
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
from controller.edge import chips
from controller.edge.chips import open_chip
from controller.edge.gpio import Board, pin_factory
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


def test_an_output_as_found_keeps_its_level(kernel: Kernel, factory: LineFactory) -> None:
    kernel.wires[5].direction, kernel.wires[5].is_high = OUT, True
    assert factory.pin(5).function == "output"
    factory.pin(5).function = "output"
    assert (kernel.journal, factory.pin(5).state) == ([], 1)


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


def test_a_line_that_another_program_holds_is_named_with_its_holder(
    kernel: Kernel, factory: LineFactory
) -> None:
    kernel.wires[5].consumer = "another-program"
    with pytest.raises(GPIOPinInUse, match="GPIO5 is held by 'another-program'"):
        OutputDevice(5, pin_factory=factory)


def test_closing_releases_every_line_and_closes_twice(kernel: Kernel) -> None:
    factory = LineFactory("0")
    OutputDevice(5, pin_factory=factory)
    watched(factory, 17)
    factory.close()
    factory.close()
    assert [wire.offset for wire in kernel.wires if wire.holder] == []
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


@pytest.mark.parametrize(
    ("module", "text"),
    [
        (None, r"needs gpiod 2, which is not installed; pip install 'arckeeper\[board\]'"),
        (ModuleType("gpiod"), r"an older gpiod is installed; pip install 'arckeeper\[board\]'"),
    ],
)
def test_without_gpiod_2_the_extra_is_named(
    monkeypatch: pytest.MonkeyPatch, module: ModuleType | None, text: str
) -> None:
    monkeypatch.setitem(sys.modules, "gpiod", module)
    with pytest.raises(DoorError, match=text):
        pin_factory("lines")


def test_the_factory_has_an_entry_point_and_takes_its_chip_from_the_environment(
    kernel: Kernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(chips.VARIABLE, "gpiochip4")
    factory = pin_factory("lines")
    assert isinstance(factory, LineFactory)
    assert factory.chip.path == "/dev/gpiochip4"
    factory.close()


class SomeChip:
    """A chip of which only the label matters."""

    labels: dict[str, str | OSError] = {}  # noqa: RUF012  each test sets its own

    def __init__(self, path: str) -> None:
        found = self.labels[Path(path).name]
        if isinstance(found, OSError):
            raise found
        self.path = path
        self.label = found

    def __enter__(self) -> "SomeChip":
        return self

    def __exit__(self, *_: object) -> None:
        """Close nothing."""

    def get_info(self) -> gpiod.ChipInfo:
        return gpiod.ChipInfo("gpiochip", self.label, 1)


@pytest.mark.parametrize(
    ("labels", "chosen"),
    [
        ({"gpiochip0": "pinctrl-bcm2711", "gpiochip1": "raspberrypi-exp-gpio"}, "gpiochip0"),
        ({"gpiochip0": "gpio-brcmstb@107d508500", "gpiochip4": "pinctrl-rp1"}, "gpiochip4"),
        ({"gpiochip0": "one", "gpiochip1": "another"}, "gpiochip0"),
        ({"gpiochip2": "pinctrl-a", "gpiochip10": "pinctrl-b"}, "gpiochip2"),
        ({"gpiochip0": OSError(13, "no"), "gpiochip1": "pinctrl-a"}, "gpiochip1"),
    ],
)
def test_the_chip_that_looks_like_a_header_is_chosen(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    labels: dict[str, str | OSError],
    chosen: str,
) -> None:
    monkeypatch.delenv(chips.VARIABLE, raising=False)
    monkeypatch.setattr(SomeChip, "labels", labels)
    for name in labels:
        (tmp_path / name).touch()
    library = ModuleType("gpiod")
    vars(library).update(Chip=SomeChip)
    assert Path(open_chip(library, devices=tmp_path).path).name == chosen


@pytest.mark.parametrize(
    ("wanted", "path"),
    [("4", "gpiochip4"), ("gpiochip4", "gpiochip4"), ("/else/where", "/else/where")],
)
def test_a_chip_may_be_asked_for_in_three_ways(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wanted: str, path: str
) -> None:
    monkeypatch.setattr(SomeChip, "labels", {"gpiochip4": "x", "where": "x"})
    library = ModuleType("gpiod")
    vars(library).update(Chip=SomeChip)
    assert open_chip(library, wanted, devices=tmp_path).path == str(tmp_path / path)


def test_a_machine_without_a_chip_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(chips.VARIABLE, raising=False)
    with pytest.raises(DoorError, match="there is no GPIO chip on this machine"):
        open_chip(ModuleType("gpiod"), devices=tmp_path)


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (PermissionError(13, "Permission denied"), "put the user into the group"),
        (OSError(25, "Inappropriate ioctl"), "set ARCKEEPER_GPIOCHIP to another"),
    ],
)
def test_a_chip_that_cannot_be_opened_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, text: str
) -> None:
    monkeypatch.setattr(SomeChip, "labels", {"gpiochip0": error})
    (tmp_path / "gpiochip0").touch()
    library = ModuleType("gpiod")
    vars(library).update(Chip=SomeChip)
    with pytest.raises(DoorError, match=text):
        open_chip(library, "0", devices=tmp_path)


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
