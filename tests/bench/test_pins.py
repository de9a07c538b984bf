import logging
import threading
import time
from collections.abc import Iterator
from importlib.metadata import entry_points

import pytest
from gpiozero import (
    MCP3008,
    MCP3208,
    DigitalInputDevice,
    GPIOPinInUse,
    InputDevice,
    OutputDevice,
    PinEdgeDetectUnsupported,
    PinInvalidPin,
    PinSetInput,
    PWMOutputDevice,
)

from controller.bench.pins import YardFactory
from controller.bench.wires import HBridge, Wires
from controller.bench.witness import RunningYard
from controller.errors import DoorError
from tests.bench.conftest import Start
from tests.bench.waiting import wait_until


@pytest.fixture
def bridged(start: Start) -> Iterator[tuple[RunningYard, YardFactory]]:
    yard = start(wires=Wires(drive=HBridge(east_pin=12, west_pin=13)), speed_mm_per_s=10.0)
    factory = YardFactory(yard.path)
    yield yard, factory
    factory.close()


def test_devices_drive_the_motor_and_count_every_magnet(
    yard: RunningYard, factory: YardFactory
) -> None:
    edges: list[tuple[float, int]] = []
    reed = InputDevice(17, pull_up=True, pin_factory=factory)
    keep = edges.append
    reed.pin.when_changed = lambda at_s, level: keep((at_s, level))
    before = yard.truth().count_pulses
    west = OutputDevice(6, pin_factory=factory)
    west.on()
    wait_until(lambda: yard.truth().count_pulses > before + 60)
    west.off()
    wait_until(lambda: not yard.truth().moving)
    time.sleep(0.05)
    west.close()
    reed.close()
    assert lasting_lows(edges) == yard.truth().count_pulses - before


def lasting_lows(edges: list[tuple[float, int]], stable_s: float = 0.0035) -> int:
    """Count the closings that lasted, each once, however often it bounced."""
    count, closed = 0, False
    for (at_s, level), (after_s, _) in zip(edges, [*edges[1:], (edges[-1][0] + 1, 0)], strict=True):
        if after_s - at_s >= stable_s:
            count += level == 0 and not closed
            closed = level == 0
    return count


def test_digital_input_calls_back_in_one_thread_with_the_yards_times(
    yard: RunningYard, factory: YardFactory
) -> None:
    threads: set[str] = set()
    activations = 0

    def activated() -> None:
        nonlocal activations
        activations += 1
        threads.add(threading.current_thread().name)

    device = DigitalInputDevice(17, pull_up=True, pin_factory=factory)
    device.when_activated = activated
    west = OutputDevice(6, pin_factory=factory)
    west.on()
    wait_until(lambda: activations > 20)
    west.close()
    device.close()
    assert threads == {"yard-edges"}


def test_a_callback_that_raises_is_logged_and_the_next_edge_still_comes(
    yard: RunningYard, factory: YardFactory, caplog: pytest.LogCaptureFixture
) -> None:
    levels = []

    def fail(_at_s: float, level: int) -> None:
        levels.append(level)
        raise RuntimeError("a slip in somebody's callback")

    pin = factory.pin(23)
    pin.input_with_pull("up")
    pin.when_changed = fail
    with caplog.at_level(logging.ERROR):
        yard.press("stop")
        wait_until(lambda: 1 in levels)
        yard.press("stop", down=False)
        wait_until(lambda: 0 in levels)
    assert "a slip in somebody's callback" in caplog.text


def test_a_callback_may_write_a_line(yard: RunningYard, factory: YardFactory) -> None:
    west = OutputDevice(6, pin_factory=factory)
    west.on()
    stop = factory.pin(23)
    stop.input_with_pull("up")
    stop.when_changed = lambda _at_s, _level: west.off()
    wait_until(lambda: yard.truth().moving)
    yard.press("stop")
    wait_until(lambda: not yard.truth().moving)
    assert yard.truth().levels == {6: 0.0}


@pytest.mark.parametrize("initial", [False, True])
@pytest.mark.parametrize("active_high", [False, True])
def test_an_output_comes_up_with_its_level_and_no_other(
    yard: RunningYard, factory: YardFactory, active_high: bool, initial: bool
) -> None:
    seen: list[float | None] = []
    ask = factory.link.ask

    def watched(do: str, **fields: object) -> dict[str, object]:
        if do == "output":
            seen.append(fields["level"])  # type: ignore[arg-type]
        return ask(do, **fields)  # type: ignore[arg-type]

    factory.link.ask = watched  # type: ignore[method-assign]
    device = OutputDevice(6, active_high=active_high, initial_value=initial, pin_factory=factory)
    expected = float(initial == active_high)
    assert seen == [expected]
    assert yard.truth().levels == {6: expected}
    assert device.value == int(initial)
    device.close()


def test_output_without_initial_value_keeps_the_level_it_finds(
    yard: RunningYard, factory: YardFactory
) -> None:
    first = YardFactory(yard.path)
    first.pin(6).output_with_state(1)
    first.link.close()  # as when its process is killed
    device = OutputDevice(6, initial_value=None, pin_factory=factory)
    assert device.value == 1
    assert yard.truth().levels == {6: 1.0}
    device.close()


def test_closing_lets_the_line_go_so_that_its_relay_opens(
    yard: RunningYard, factory: YardFactory
) -> None:
    device = OutputDevice(6, initial_value=True, pin_factory=factory)
    wait_until(lambda: yard.truth().relays["west"])
    device.close()
    device.close()
    wait_until(lambda: yard.truth().levels == {})
    wait_until(lambda: not yard.truth().relays["west"])
    assert factory.pin(6).function == "input"


def test_closing_the_factory_lets_every_line_go(yard: RunningYard) -> None:
    factory = YardFactory(yard.path)
    OutputDevice(6, initial_value=True, pin_factory=factory)
    factory.close()
    factory.close()
    wait_until(lambda: yard.truth().levels == {})


def test_duty_reaches_the_motor(bridged: tuple[RunningYard, YardFactory]) -> None:
    yard, factory = bridged
    west = PWMOutputDevice(13, frequency=200, pin_factory=factory)
    for duty in (0.25, 1.0, 0.5):
        west.value = duty
        assert west.value == duty
        wait_until(lambda duty=duty: yard.truth().voltage_ratio == duty)  # type: ignore[misc]
    west.close()
    wait_until(lambda: yard.truth().voltage_ratio == 0.0)


@pytest.mark.parametrize(("converter", "steps"), [(MCP3008, 1023), (MCP3208, 4095)])
def test_converter_measures_the_motors_current(
    yard: RunningYard, factory: YardFactory, converter: type[MCP3008], steps: int
) -> None:
    current = converter(channel=0, pin_factory=factory)
    other = converter(channel=3, pin_factory=factory)
    assert current.value < 0.02
    yard.fault("jam")
    west = OutputDevice(6, initial_value=True, pin_factory=factory)
    stalled_a = 8.0  # of the motor; the converter's full scale is 10 A
    wait_until(lambda: yard.truth().current_a == pytest.approx(stalled_a))
    assert current.value * 10 == pytest.approx(stalled_a, abs=0.2)
    assert round(current.value * steps) == pytest.approx(0.8 * steps, abs=0.02 * steps)
    assert other.value < 0.001
    west.close()
    current.close()
    other.close()


def test_edges_that_the_board_drops_are_told_with_the_next_one(
    yard: RunningYard, factory: YardFactory
) -> None:
    def is_complete() -> bool:
        return sum(told) > 20 and levels_match(levels, told)

    levels: list[int] = []
    told: list[int] = []
    pin = factory.pin(17)
    pin.input_with_pull("up")

    def note(_at_s: float, level: int) -> None:
        told.append(pin.lost_edges)
        levels.append(level)

    pin.when_changed = note
    yard.fault("lost-edges", probability=0.2)
    west = OutputDevice(6, initial_value=True, pin_factory=factory)
    wait_until(is_complete)
    west.close()
    assert 0 in told


def levels_match(levels: list[int], lost: list[int]) -> bool:
    """Say whether levels alternate once the lost ones are put back."""
    return all(
        (after != before) == (gap % 2 == 0)
        for before, after, gap in zip(levels, levels[1:], lost[1:], strict=False)
    )


def test_pull_decides_what_an_open_contact_reads(yard: RunningYard, factory: YardFactory) -> None:
    pin = factory.pin(24)  # the hold contact, open
    pin.input_with_pull("up")
    assert pin.state == 1
    pin.pull = "down"
    assert (pin.state, pin.pull) == (0, "down")
    pin.input_with_pull("up")
    yard.press("hold")
    wait_until(lambda: pin.state == 0)


@pytest.mark.parametrize(("edges", "levels"), [("rising", [1]), ("falling", [0]), ("none", [])])
def test_only_the_edges_that_were_asked_for_are_called_back(
    yard: RunningYard, factory: YardFactory, edges: str, levels: list[int]
) -> None:
    called: list[int] = []
    pin = factory.pin(23)
    pin.input_with_pull("up")
    pin.edges = edges
    pin.when_changed = lambda _at_s, level: called.append(level)
    for down, reads in ((True, 1), (False, 0)):
        yard.press("stop", down=down)
        wait_until(lambda reads=reads: pin.state == reads)  # type: ignore[misc]
        time.sleep(0.05)
    assert list(dict.fromkeys(called)) == levels


def test_one_line_takes_one_device_and_other_programs_are_kept_out(
    yard: RunningYard, factory: YardFactory
) -> None:
    device = OutputDevice(6, pin_factory=factory)
    with pytest.raises(GPIOPinInUse):
        OutputDevice(6, pin_factory=factory)
    other = YardFactory(yard.path)
    with pytest.raises(DoorError, match="line 6 is held by another program"):
        OutputDevice(6, pin_factory=other)
    device.close()
    OutputDevice(6, pin_factory=other).close()
    other.close()


@pytest.mark.parametrize("name", [17, "17", "GPIO17"])
def test_a_line_goes_by_number_or_name(factory: YardFactory, name: int | str) -> None:
    assert factory.pin(name) is factory.pin(17)
    assert repr(factory.pin(name)) == "GPIO17"


@pytest.mark.parametrize("name", [64, -1, "GPIO64", "red"])
def test_a_line_that_the_board_lacks_is_refused(factory: YardFactory, name: int | str) -> None:
    with pytest.raises(PinInvalidPin, match="has no line"):
        factory.pin(name)


def test_what_a_line_cannot_do_is_refused(factory: YardFactory) -> None:
    pin = factory.pin(17)
    pin.input_with_pull("up")
    with pytest.raises(PinSetInput, match="make it an output first"):
        pin.state = 1
    with pytest.raises(PinSetInput, match="before PWM"):
        pin.frequency = 100
    with pytest.raises(PinEdgeDetectUnsupported, match="does not debounce"):
        DigitalInputDevice(23, pull_up=True, bounce_time=0.01, pin_factory=factory)


def test_a_yard_that_is_gone_raises_where_a_line_is_written(
    yard: RunningYard, factory: YardFactory
) -> None:
    device = OutputDevice(6, pin_factory=factory)
    yard.close()
    wait_until(lambda: not yard.is_running)

    def is_refused() -> bool:
        try:
            device.on()
        except DoorError as error:
            return "is gone; start it again" in str(error)
        return False

    wait_until(is_refused)
    with pytest.raises(DoorError):
        factory.pin(5)
    device.close()  # gives up in peace


def test_factory_is_found_by_its_entry_point_and_the_environment(
    yard: RunningYard, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = [e for e in entry_points(group="gpiozero_pin_factories") if e.name == "yard"]
    assert len(found) == 1
    kind = found[0].load()
    for name, value in yard.environment.items():
        monkeypatch.setenv(name, value)
    factory = kind()
    assert factory.pin(17).function == "input"
    factory.close()
    monkeypatch.delenv("ARCKEEPER_YARD")
    with pytest.raises(DoorError, match="set ARCKEEPER_YARD to the socket"):
        kind()


def test_ticks_are_the_yards_clock(yard: RunningYard, factory: YardFactory) -> None:
    before = factory.ticks()
    at_s = yard.truth().at_s
    assert factory.ticks_diff(at_s, before) >= -0.05
    assert factory.ticks_diff(factory.ticks(), at_s) >= 0
