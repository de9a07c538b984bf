"""Opening every relay, whatever was left behind."""

import sys
import threading
import time
from typing import Any

import pytest
from gpiod.line import Direction as LineDirection

from controller.core.motion import Direction
from controller.edge import safe
from controller.edge.gpio import Board
from controller.edge.linepins import LineFactory
from controller.edge.safe import make_safe
from controller.errors import DoorError
from tests.edge.kernel import Kernel
from tests.edge.recording import (
    BRIDGE_WITH_ENABLE,
    EAST_PIN,
    MAIN_PIN,
    REVERSING,
    THIRD_PIN,
    TWO_RELAYS,
    WEST_PIN,
    WIRINGS,
    BrokenPin,
    RecordingFactory,
    RecordingPin,
    pins_with,
    settings_with,
)

HEARTBEAT_PIN = 12


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> Kernel:
    kernel = Kernel([f"GPIO{n}" for n in range(28)])
    monkeypatch.setitem(sys.modules, "gpiod", kernel.module())
    monkeypatch.setenv("ARCKEEPER_GPIOCHIP", "0")
    return kernel


@pytest.mark.parametrize("wiring", WIRINGS, ids=lambda w: f"{w['kind']}-{len(w)}")
@pytest.mark.parametrize("active_low", [False, True], ids=["active high", "active low"])
@pytest.mark.parametrize("found_high", [False, True], ids=["found low", "found high"])
def test_every_output_ends_inactive_whatever_it_was(
    kernel: Kernel, wiring: dict[str, Any], active_low: bool, found_high: bool
) -> None:
    # As a killed program leaves them: outputs at a level, held by nobody.
    for wire in kernel.wires:
        wire.direction, wire.is_high = LineDirection.OUTPUT, found_high
    pins = pins_with(
        {**wiring},
        factory="lines",
        active_low=active_low,
        main_relay_pin=MAIN_PIN,
        heartbeat_pin=HEARTBEAT_PIN,
    )
    report = make_safe(settings_with(pins))
    relay_rest = active_low
    bridge_rest = False if wiring["kind"] == "h-bridge" else relay_rest
    wanted = {MAIN_PIN: relay_rest, HEARTBEAT_PIN: False}
    wanted |= {EAST_PIN: bridge_rest, WEST_PIN: bridge_rest}
    wanted |= {THIRD_PIN: bridge_rest} if "enable_pin" in wiring else {}
    assert {number: kernel.wires[number].is_high for number in wanted} == wanted
    assert all(kernel.wires[number].direction is LineDirection.OUTPUT for number in wanted)
    # Every level that any line showed on the way was its resting level.
    assert all(is_high == wanted[number] for number, _, is_high in kernel.journal)
    assert report.failed == []
    assert len(report) == len(wanted)
    assert not any(wire.holder for wire in kernel.wires)


def test_what_was_done_is_said_line_by_line() -> None:
    factory = RecordingFactory()
    pins = pins_with(TWO_RELAYS, active_low=True, main_relay_pin=MAIN_PIN, heartbeat_pin=12)
    assert make_safe(settings_with(pins), factory=factory) == [
        "main relay (line 26) is open: driven high",
        "east relay (line 5) is open: driven high",
        "west relay (line 6) is open: driven high",
        "heartbeat (line 12) is open: driven low",
    ]


def test_the_power_goes_before_the_reversing_relay() -> None:
    factory = RecordingFactory()
    times_s: dict[int, float] = {}
    for number in (EAST_PIN, WEST_PIN):
        factory.pin(number).when_level = lambda pin, _level: times_s.setdefault(
            pin, time.monotonic()
        )
    make_safe(settings_with(pins_with(REVERSING)), factory=factory)
    assert times_s[WEST_PIN] - times_s[EAST_PIN] >= 0.125  # settle_s


@pytest.mark.parametrize("broken", [MAIN_PIN, EAST_PIN, WEST_PIN])
def test_one_line_that_fails_keeps_none_of_the_others(broken: int) -> None:
    factory = RecordingFactory()
    factory.pin_class = BrokenPin
    lines = (MAIN_PIN, EAST_PIN, WEST_PIN)
    for number in lines:
        factory.pin(number)._state = 1.0
    factory.pin(broken).refuses = False
    report = make_safe(
        settings_with(pins_with(TWO_RELAYS, main_relay_pin=MAIN_PIN)), factory=factory
    )
    # The line came up inactive, and then would not be driven: not known to be open.
    assert len(report.failed) == 2
    assert f"(line {broken}) is not known to be open: [Errno 5]" in report.failed[0]
    assert f"(line {broken}) could not be given back" in report.failed[1]
    assert [factory.pin(number).state for number in lines if number != broken] == [0.0, 0.0]


def test_a_line_that_still_reads_active_is_not_called_open() -> None:
    class Stuck(RecordingPin):
        def output_with_state(self, state: Any) -> None:
            super().output_with_state(1.0)

        def _set_state(self, value: float) -> None:
            """Take no level."""

    factory = RecordingFactory()
    factory.pin_class = Stuck
    report = make_safe(settings_with(pins_with(TWO_RELAYS)), factory=factory)
    assert report.failed == [
        "east relay (line 5) is not known to be open: it still reads as active",
        "west relay (line 6) is not known to be open: it still reads as active",
    ]


def test_lines_that_a_living_daemon_holds_are_said_to_be_held_by_it(kernel: Kernel) -> None:
    settings = settings_with(pins_with(TWO_RELAYS, factory="lines"))
    board = Board(settings, lambda _event: None)
    board.drive.run(Direction.EAST, until_s=time.monotonic() + 4.0)
    report = make_safe(settings)
    assert len(report.failed) == 2
    assert all("held by 'arckeeper'" in sentence for sentence in report.failed)
    assert kernel.wires[EAST_PIN].is_high  # it is the daemon's, and was left to it
    board.close()
    assert make_safe(settings).failed == []


def test_a_factory_that_does_not_start_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_name: str) -> None:
        raise DoorError("there is no GPIO chip on this machine")

    monkeypatch.setattr(safe, "pin_factory", refuse)
    report = make_safe(settings_with(pins_with(TWO_RELAYS)))
    assert report == ["no line was reached: there is no GPIO chip on this machine"]
    assert report.failed == report


def test_a_line_that_never_answers_does_not_hold_up_the_others() -> None:
    never = threading.Event()

    class Mute(RecordingPin):
        def output_with_state(self, state: Any) -> None:
            if self._number == EAST_PIN:
                never.wait(30.0)
            super().output_with_state(state)

    factory = RecordingFactory()
    factory.pin_class = Mute
    factory.pin(WEST_PIN)._state = 1.0
    report = make_safe(settings_with(pins_with(TWO_RELAYS)), factory=factory, patience_s=0.1)
    (waiting,) = [thread for thread in threading.enumerate() if thread.name == "make-safe"]
    assert waiting.daemon  # the program can end all the same
    never.set()
    assert report.failed == ["east relay (line 5) is not known to be open: no answer within 0.1 s"]
    assert factory.pin(WEST_PIN).state == 0.0


def test_a_passed_factory_stays_open(kernel: Kernel) -> None:
    with LineFactory("0") as factory:
        make_safe(settings_with(pins_with(BRIDGE_WITH_ENABLE)), factory=factory)
        assert factory.chip.get_info().num_lines == 28


def test_a_factory_of_its_own_is_closed(kernel: Kernel, monkeypatch: pytest.MonkeyPatch) -> None:
    closed: list[object] = []

    def note(factory: LineFactory) -> None:
        closed.append(factory)

    monkeypatch.setattr(LineFactory, "close", note)
    make_safe(settings_with(pins_with(TWO_RELAYS, factory="lines")))
    assert len(closed) == 1


def test_it_can_be_called_again_and_again(kernel: Kernel) -> None:
    settings = settings_with(pins_with(TWO_RELAYS, factory="lines"))
    assert [make_safe(settings).failed for _ in range(3)] == [[], [], []]
