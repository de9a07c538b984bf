"""The whole board, on mock pins."""

import time
from collections.abc import Callable
from importlib.metadata import EntryPoint, EntryPoints
from queue import SimpleQueue
from typing import Any

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from controller.core.events import (
    DoorFailed,
    Event,
    HoldInputChanged,
    LeaseExpired,
    LimitSwitchChanged,
    ReedEdge,
    StopInputChanged,
)
from controller.core.motion import Direction
from controller.edge import gpio
from controller.edge.gpio import Board, pin_factory
from controller.errors import DoorError
from tests.edge.recording import (
    BRIDGE,
    EAST_PIN,
    MAIN_PIN,
    SENSOR_PIN,
    TWO_RELAYS,
    WEST_PIN,
    BrokenPin,
    RecordingFactory,
    pins_with,
    settings_with,
)

HEARTBEAT_PIN = 12
EVERYTHING = {
    "main_relay_pin": MAIN_PIN,
    "heartbeat_pin": HEARTBEAT_PIN,
    "stop_pin": 22,
    "stop_active_low": True,
    "hold_pin": 23,
    "limit_switches": {"east_pin": 24, "west_pin": 25},
}


def drained(inbox: "SimpleQueue[Event]") -> list[Event]:
    events = []
    while not inbox.empty():
        events.append(inbox.get())
    return events


def test_a_board_puts_every_level_that_it_finds() -> None:
    inbox: SimpleQueue[Event] = SimpleQueue()
    board = Board(
        settings_with(pins_with(TWO_RELAYS, **EVERYTHING)), inbox.put, factory=RecordingFactory()
    )
    assert [type(event) for event in drained(inbox)] == [
        StopInputChanged,
        HoldInputChanged,
        LimitSwitchChanged,
        LimitSwitchChanged,
        ReedEdge,
    ]
    board.close()


def test_a_board_runs_counts_and_gives_back_every_line() -> None:
    inbox: SimpleQueue[Event] = SimpleQueue()
    factory = RecordingFactory()
    board = Board(settings_with(pins_with(TWO_RELAYS, **EVERYTHING)), inbox.put, factory=factory)
    drained(inbox)
    board.drive.run(Direction.WEST, until_s=time.monotonic() + 4.0)
    assert factory.pin(WEST_PIN).state == 1.0
    factory.pin(SENSOR_PIN).drive_low()
    (edge,) = drained(inbox)
    assert isinstance(edge, ReedEdge)
    assert edge.closed
    assert board.reed_closed() is True
    board.close()
    board.close()
    assert factory.pin(WEST_PIN).state == 0.0
    assert all(pin.function == "input" for pin in factory.pins.values())
    assert board.reed_closed() is None


def test_a_lease_that_runs_out_is_put_with_its_time() -> None:
    inbox: SimpleQueue[Event] = SimpleQueue()
    board = Board(settings_with(pins_with(TWO_RELAYS)), inbox.put, factory=RecordingFactory())
    drained(inbox)
    until_s = time.monotonic() + 0.05
    board.drive.run(Direction.WEST, until_s=until_s)
    expired = inbox.get(timeout=10.0)
    assert isinstance(expired, LeaseExpired)
    assert expired.at_s >= until_s
    board.close()


def test_an_output_that_fails_is_put() -> None:
    inbox: SimpleQueue[Event] = SimpleQueue()
    factory = RecordingFactory()
    factory.pin_class = BrokenPin
    board = Board(settings_with(pins_with(TWO_RELAYS)), inbox.put, factory=factory)
    drained(inbox)
    factory.pin(EAST_PIN).refuses = False
    board.drive.stop()
    (failed,) = drained(inbox)
    assert isinstance(failed, DoorFailed)
    assert failed.reason.startswith("east relay could not be opened")
    factory.pin(EAST_PIN).refuses = None
    board.close()


def test_the_heartbeat_toggles_and_ends_low() -> None:
    factory = RecordingFactory()
    board = Board(
        settings_with(pins_with(TWO_RELAYS, heartbeat_pin=HEARTBEAT_PIN, active_low=True)),
        lambda _event: None,
        factory=factory,
    )
    for _ in range(5):
        board.beat()
    board.close()
    levels = [level for number, level in factory.journal if number == HEARTBEAT_PIN]
    assert levels == [0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0]


def test_a_closed_board_hears_nothing_and_has_given_back_every_line() -> None:
    inbox: SimpleQueue[Event] = SimpleQueue()
    factory = RecordingFactory()
    settings = settings_with(pins_with(TWO_RELAYS, **EVERYTHING))
    Board(settings, inbox.put, factory=factory).close()
    drained(inbox)
    for number in (22, 23, 24, 25, SENSOR_PIN):
        factory.pin(number).drive_low()
    assert drained(inbox) == []
    Board(settings, inbox.put, factory=factory).close()


def test_a_closed_board_measures_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    closed: list[object] = []
    current = {"device": "MCP3008", "amperes_at_full_scale": 5.0}

    class Meter:
        def __init__(self, *_wired: object, **_told: object) -> None:
            """Measure nothing."""

        def close(self) -> None:
            closed.append(self)

    monkeypatch.setattr(gpio, "CurrentMeter", Meter)
    settings = settings_with(pins_with(TWO_RELAYS, current=current))
    Board(settings, lambda _event: None, factory=RecordingFactory()).close()
    assert len(closed) == 1


def test_a_heartbeat_that_goes_on_failing_is_put_once() -> None:
    inbox: SimpleQueue[Event] = SimpleQueue()
    factory = RecordingFactory()
    pins = pins_with(TWO_RELAYS, heartbeat_pin=HEARTBEAT_PIN)
    board = Board(settings_with(pins), inbox.put, factory=factory)
    drained(inbox)
    factory.pin(HEARTBEAT_PIN).function = "input"  # as when somebody else has taken it
    for _ in range(6):
        board.beat()
    (failed,) = drained(inbox)
    assert isinstance(failed, DoorFailed)
    assert failed.reason.startswith("the heartbeat line cannot be driven: ")
    factory.pin(HEARTBEAT_PIN).function = "output"
    board.close()


def test_a_heartbeat_that_fails_now_and_then_is_put_each_time() -> None:
    inbox: SimpleQueue[Event] = SimpleQueue()
    factory = RecordingFactory()
    factory.pin_class = BrokenPin
    pins = pins_with(TWO_RELAYS, heartbeat_pin=HEARTBEAT_PIN)
    board = Board(settings_with(pins), inbox.put, factory=factory)
    drained(inbox)
    factory.pin(HEARTBEAT_PIN).refuses = True
    for _ in range(6):
        board.beat()
    # Every second beat succeeds here, so each failure is news.
    assert len(drained(inbox)) == 3
    board.close()


def test_a_board_without_a_heartbeat_line_beats_in_silence() -> None:
    inbox: SimpleQueue[Event] = SimpleQueue()
    board = Board(settings_with(pins_with(TWO_RELAYS)), inbox.put, factory=RecordingFactory())
    drained(inbox)
    board.beat()
    assert drained(inbox) == []
    board.close()


@pytest.mark.parametrize(
    ("more", "named"),
    [
        ({"main_relay_pin": EAST_PIN}, "line 5 cannot be claimed as east relay"),
        ({"heartbeat_pin": WEST_PIN}, "line 6 cannot be claimed as heartbeat"),
        ({"stop_pin": SENSOR_PIN}, "line 17 cannot be claimed as stop input"),
        ({"current": {"device": "LED", "amperes_at_full_scale": 5.0}}, "no analogue device"),
    ],
)
def test_a_board_that_cannot_be_built_names_the_line_and_keeps_none(
    more: dict[str, Any], named: str
) -> None:
    factory = RecordingFactory()
    with pytest.raises(DoorError, match=named):
        Board(settings_with(pins_with(TWO_RELAYS, **more)), lambda _event: None, factory=factory)
    Board(settings_with(pins_with(TWO_RELAYS)), lambda _event: None, factory=factory).close()


def test_a_passed_factory_stays_open_and_a_chosen_one_is_closed_with_the_board(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    closed: list[object] = []

    def note(factory: object) -> None:
        closed.append(factory)

    monkeypatch.setattr(MockFactory, "close", note)
    mine = RecordingFactory()
    Board(settings_with(pins_with(TWO_RELAYS)), lambda _event: None, factory=mine).close()
    assert closed == []
    Board(settings_with(pins_with(TWO_RELAYS)), lambda _event: None).close()
    assert [type(factory) for factory in closed] == [MockFactory]


def test_no_default_pin_factory_is_ever_set() -> None:
    Board(settings_with(pins_with(TWO_RELAYS)), lambda _event: None).close()
    assert Device.pin_factory is None


def test_a_factory_is_chosen_by_its_entry_point() -> None:
    assert isinstance(pin_factory("mock"), MockFactory)


def test_an_unknown_factory_is_refused_with_what_there_is() -> None:
    with pytest.raises(DoorError, match=r"no pin factory 'pins'; there are: .*lines, .*mock"):
        pin_factory("pins")


@pytest.mark.parametrize(
    ("name", "error", "text"),
    [
        ("lgpio", ImportError("No module named 'lgpio'"), r"pip install 'arckeeper\[lgpio\]'"),
        ("native", OSError("no such board"), r"native does not start on this machine: no such"),
        ("native", ImportError("gone"), r"native does not start on this machine: gone$"),
        ("lines", DoorError("said by the door itself"), r"^said by the door itself$"),
    ],
)
def test_a_factory_that_does_not_start_says_why(
    monkeypatch: pytest.MonkeyPatch, name: str, error: Exception, text: str
) -> None:
    def load() -> Callable[[], None]:
        raise error

    point = EntryPoint(name=name, value="nowhere:Nothing", group=gpio.GROUP)
    monkeypatch.setattr(EntryPoint, "load", lambda _self: load())
    monkeypatch.setattr(gpio, "entry_points", lambda **_group: EntryPoints([point]))
    with pytest.raises(DoorError, match=text):
        pin_factory(name)


def test_a_bridge_runs_on_mock_pins_with_pwm(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_MOCK_PIN_CLASS", "mockpwmpin")
    board = Board(settings_with(pins_with(BRIDGE)), lambda _event: None)
    board.drive.run(Direction.EAST, until_s=time.monotonic() + 4.0)
    assert board.drive.running is Direction.EAST
    board.close()
