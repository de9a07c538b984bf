"""Edges, switches and the current, from pins to events."""

import time
from collections.abc import Iterator
from queue import SimpleQueue
from typing import Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory

from controller.config import CurrentInput
from controller.core.events import (
    CurrentRead,
    Event,
    HoldInputChanged,
    LimitSwitchChanged,
    ReedEdge,
    StopInputChanged,
)
from controller.core.motion import Direction
from controller.edge.current import PERIOD_S, CurrentMeter
from controller.edge.inputs import Contact, ReedSensor, build_switches
from controller.errors import DoorError
from tests.edge.recording import SENSOR_PIN, TWO_RELAYS, Rig, pins_with, settings_with

SECOND_PIN, STOP_PIN, HOLD_PIN, END_PIN = 27, 22, 23, 24


class Inbox:
    """Keeps what is put, in order."""

    def __init__(self) -> None:
        self.events: list[Any] = []
        self.failures: list[str] = []

    def put(self, event: Event) -> None:
        self.events.append(event)

    def taken(self) -> list[Any]:
        events, self.events = self.events, []
        return events


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(pins_with(TWO_RELAYS)) as rig:
        yield rig


@pytest.fixture
def inbox() -> Inbox:
    return Inbox()


def reed(factory: MockFactory, inbox: Inbox, **sensor: Any) -> ReedSensor:
    settings = settings_with(pins_with(TWO_RELAYS), **sensor)
    sensed = ReedSensor(settings.sensor, factory, put=inbox.put, fail=inbox.failures.append)
    sensed.watch()
    return sensed


def switches_on(rig: Rig, inbox: Inbox, **pins: Any) -> None:
    for switch in build_switches(
        pins_with(TWO_RELAYS, **pins),
        rig.factory,
        drive=rig.drive,
        put=inbox.put,
        fail=inbox.failures.append,
    ):
        switch.watch()


@pytest.mark.parametrize(
    ("pull_up", "closed_is_low", "pull"),
    [(True, True, "up"), (True, False, "up"), (False, False, "down"), (False, True, "floating")],
)
def test_the_pull_keeps_an_open_contact_on_the_open_level(
    inbox: Inbox, pull_up: bool, closed_is_low: bool, pull: str
) -> None:
    factory = MockFactory()
    sensor = reed(factory, inbox, pull_up=pull_up, closed_is_low=closed_is_low)
    assert factory.pin(SENSOR_PIN).pull == pull
    sensor.close()


@pytest.mark.parametrize("closed_is_low", [True, False])
def test_every_edge_is_told_raw_with_its_own_time(inbox: Inbox, closed_is_low: bool) -> None:
    factory = MockFactory()
    reed(factory, inbox, closed_is_low=closed_is_low, pull_up=closed_is_low)
    before_s = time.monotonic()
    pin = factory.pin(SENSOR_PIN)
    close, release = (
        (pin.drive_low, pin.drive_high) if closed_is_low else (pin.drive_high, pin.drive_low)
    )
    for _ in range(3):  # a bounce, far faster than any debounce would let through
        close()
        release()
    assert [edge.closed for edge in inbox.events] == [False, *[True, False] * 3]
    times_s = [edge.at_s for edge in inbox.events[1:]]
    assert times_s == sorted(times_s)
    assert before_s <= times_s[0] <= times_s[-1] <= time.monotonic()
    assert inbox.failures == []


@pytest.mark.parametrize("closed", [True, False])
def test_the_level_found_is_told_at_start(inbox: Inbox, closed: bool) -> None:
    factory = MockFactory()
    sensor = reed(factory, inbox, pull_up=not closed, closed_is_low=True)  # floating stays low
    assert [(edge.closed, edge.lost_edges, edge.second_closed) for edge in inbox.events] == [
        (closed, 0, None)
    ]
    assert sensor.closed is closed


def test_an_edge_carries_the_level_of_the_second_sensor(inbox: Inbox) -> None:
    factory = MockFactory()
    reed(factory, inbox, second_pin=SECOND_PIN)
    main, second = factory.pin(SENSOR_PIN), factory.pin(SECOND_PIN)
    # One turn one way, then back: main leads, then second leads.
    for line, low in [(main, 1), (second, 1), (main, 0), (second, 0), (second, 1), (main, 1)]:
        line.drive_low() if low else line.drive_high()
    told = [(edge.closed, edge.second_closed) for edge in inbox.events]
    assert told == [(False, False), (True, False), (False, True), (True, True)]


def test_edges_that_the_pin_knows_were_lost_are_told(inbox: Inbox) -> None:
    factory = MockFactory()
    reed(factory, inbox)
    pin = factory.pin(SENSOR_PIN)
    pin.lost_edges = 7
    pin.drive_low()
    pin.lost_edges = 0
    pin.drive_high()
    assert [edge.lost_edges for edge in inbox.events] == [0, 7, 0]


def test_ticks_of_another_clock_become_monotonic_seconds(inbox: Inbox) -> None:
    class Microseconds(MockFactory):  # type: ignore[misc]  # gpiozero has no types
        """Counts ticks as some factories do: whole microseconds from a zero of its own."""

        @staticmethod
        def ticks() -> int:
            return int((time.monotonic() + 1e6) * 1e6)

        @staticmethod
        def ticks_diff(later: int, earlier: int) -> float:
            return (later - earlier) / 1e6

    factory = Microseconds()
    told: list[float] = []
    contact = Contact(
        "sensor",
        SENSOR_PIN,
        active_is_low=True,
        factory=factory,
        tell=lambda at_s, _active: told.append(at_s),
        fail=inbox.failures.append,
    )
    now_s = time.monotonic()
    contact._changed(factory.ticks() - 2_000_000, 0)
    assert told[0] == pytest.approx(now_s - 2.0, abs=1.0)
    contact.close()


def test_a_callback_never_raises_and_tells_its_failure(inbox: Inbox) -> None:
    factory = MockFactory()
    sensor = reed(factory, inbox)

    def full(_event: Event) -> None:
        raise MemoryError("no room")

    sensor._put = full
    factory.pin(SENSOR_PIN).drive_low()
    assert inbox.failures == ["sensor: an edge could not be told: no room"]


def test_a_closed_sensor_tells_nothing_and_closes_twice(inbox: Inbox) -> None:
    factory = MockFactory()
    sensor = reed(factory, inbox, second_pin=SECOND_PIN)
    sensor.close()
    sensor.close()
    inbox.taken()
    factory.pin(SENSOR_PIN).drive_low()
    assert inbox.events == []


def test_a_sensor_that_cannot_have_its_second_line_keeps_neither(inbox: Inbox) -> None:
    factory = MockFactory()
    with pytest.raises(DoorError, match=r"line 17 cannot be claimed as second sensor"):
        reed(factory, inbox, second_pin=SENSOR_PIN)
    reed(factory, inbox).close()


def test_an_open_wire_at_the_stop_input_is_a_stop(rig: Rig, inbox: Inbox) -> None:
    wire = rig.factory.pin(STOP_PIN)
    switches_on(rig, inbox, stop_pin=STOP_PIN)
    assert [event.active for event in inbox.taken()] == [True]  # nothing is connected yet
    assert rig.drive.halted
    wire.drive_low()
    assert [event.active for event in inbox.taken()] == [False]


def test_the_stop_input_opens_the_relays_before_it_tells(rig: Rig) -> None:
    seen: list[tuple[bool, object]] = []

    class Looking(Inbox):
        def put(self, event: Any) -> None:
            seen.append((event.active, rig.powered()))

    switches_on(rig, Looking(), stop_pin=STOP_PIN, stop_active_low=True)
    rig.run(Direction.EAST)
    assert rig.powered() is Direction.EAST
    rig.factory.pin(STOP_PIN).drive_low()
    assert seen == [(False, None), (True, None)]


def test_a_bouncing_stop_halts_as_often_as_it_tells(rig: Rig, inbox: Inbox) -> None:
    switches_on(rig, inbox, stop_pin=STOP_PIN, stop_active_low=True)
    inbox.taken()
    wire = rig.factory.pin(STOP_PIN)
    for _ in range(5):
        wire.drive_low()
        wire.drive_high()
    wire.drive_low()
    pressed_n = sum(event.active for event in inbox.taken())
    assert pressed_n == 6
    for _ in range(pressed_n - 1):
        rig.drive.rearm()
    assert rig.drive.halted
    rig.drive.rearm()
    assert not rig.drive.halted


@pytest.mark.parametrize(
    ("pins", "event", "found"),
    [
        ({"hold_pin": HOLD_PIN}, HoldInputChanged, False),
        ({"hold_pin": HOLD_PIN, "hold_active_low": False}, HoldInputChanged, True),
        ({"stop_pin": HOLD_PIN}, StopInputChanged, True),
        ({"stop_pin": HOLD_PIN, "stop_active_low": True}, StopInputChanged, False),
        ({"limit_switches": {"west_pin": HOLD_PIN}}, LimitSwitchChanged, False),
        (
            {"limit_switches": {"west_pin": HOLD_PIN, "active_low": False}},
            LimitSwitchChanged,
            True,
        ),
    ],
)
def test_a_switch_tells_what_it_finds_and_each_change(
    rig: Rig, inbox: Inbox, pins: dict[str, Any], event: type, found: bool
) -> None:
    switches_on(rig, inbox, **pins)
    wire = rig.factory.pin(HOLD_PIN)
    wire.drive_low()
    wire.drive_high()
    assert [type(told) for told in inbox.events] == [event] * 3
    assert [told.active for told in inbox.events] == [found, not found, found]


def test_each_limit_switch_tells_its_own_side(rig: Rig, inbox: Inbox) -> None:
    switches_on(rig, inbox, limit_switches={"east_pin": END_PIN, "west_pin": HOLD_PIN})
    inbox.taken()
    rig.factory.pin(HOLD_PIN).drive_low()
    rig.factory.pin(END_PIN).drive_low()
    assert [(event.side, event.active) for event in inbox.events] == [
        (Direction.WEST, True),
        (Direction.EAST, True),
    ]


def test_a_switch_that_cannot_be_claimed_is_named_and_none_is_kept(rig: Rig, inbox: Inbox) -> None:
    with pytest.raises(DoorError, match=r"line 23 cannot be claimed as east limit switch"):
        switches_on(rig, inbox, hold_pin=HOLD_PIN, limit_switches={"east_pin": HOLD_PIN})
    switches_on(rig, inbox, hold_pin=HOLD_PIN)


class Shunt(gpiozero.AnalogInputDevice):  # type: ignore[misc]  # gpiozero has no types
    """An analogue device that shows what the test sets."""

    reading: float | Exception = 0.0
    closed_n = 0

    def __init__(self, *, channel: int, pin_factory: MockFactory) -> None:
        self.channel = channel

    @property
    def value(self) -> float:
        if isinstance(Shunt.reading, Exception):
            raise Shunt.reading
        return Shunt.reading

    def close(self) -> None:
        Shunt.closed_n += 1


@pytest.fixture
def shunt(monkeypatch: pytest.MonkeyPatch) -> type[Shunt]:
    monkeypatch.setattr(gpiozero, "Shunt", Shunt, raising=False)
    monkeypatch.setattr(Shunt, "reading", 0.0)
    return Shunt


def meter(rig: Rig, inbox: Inbox, **wiring: Any) -> CurrentMeter:
    return CurrentMeter(
        CurrentInput.model_validate({"device": "Shunt", "amperes_at_full_scale": 10.0, **wiring}),
        rig.factory,
        drive=rig.drive,
        put=inbox.put,
        fail=inbox.failures.append,
        clock=rig.clock,
    )


@pytest.mark.parametrize(
    ("reading", "zero_a", "current_a"),
    [(0.0, 0.0, 0.0), (0.25, 0.0, 2.5), (1.0, 0.0, 10.0), (0.75, 5.0, 2.5), (0.25, 5.0, 2.5)],
)
def test_a_reading_becomes_amperes(
    rig: Rig, shunt: type[Shunt], reading: float, zero_a: float, current_a: float
) -> None:
    inbox = Inbox()
    measured = meter(rig, inbox, offset_a=zero_a)
    measured.close()
    rig.run(Direction.WEST)
    shunt.reading = reading
    assert measured.advance() == rig.clock.now_s + PERIOD_S
    assert inbox.events == [CurrentRead(at_s=rig.clock.now_s, current_a=current_a)]


def test_nothing_is_read_at_rest(rig: Rig, inbox: Inbox, shunt: type[Shunt]) -> None:
    measured = meter(rig, inbox)
    measured.advance()
    measured.close()
    assert inbox.events == []


def test_a_current_that_cannot_be_read_is_told_once_until_it_can(
    rig: Rig, inbox: Inbox, shunt: type[Shunt]
) -> None:
    measured = meter(rig, inbox)
    measured.close()
    rig.run(Direction.WEST)
    for reading in (OSError("no answer"), OSError("no answer"), 0.5, OSError("gone")):
        shunt.reading = reading
        measured.advance()
    assert inbox.failures == [
        "the current cannot be read: no answer",
        "the current cannot be read: gone",
    ]


def test_the_meter_reads_by_itself(rig: Rig, shunt: type[Shunt]) -> None:
    queue: SimpleQueue[CurrentRead] = SimpleQueue()
    rig.run(Direction.WEST)
    measured = CurrentMeter(
        CurrentInput(device="Shunt", amperes_at_full_scale=10.0),
        rig.factory,
        drive=rig.drive,
        put=queue.put,
        fail=lambda _reason: None,
    )
    assert queue.get(timeout=10.0).current_a == 0.0
    assert queue.get(timeout=10.0).current_a == 0.0
    measured.close()


@pytest.mark.parametrize("device", ["LED", "NoSuchThing", "Device"])
def test_a_device_that_measures_nothing_is_refused(rig: Rig, inbox: Inbox, device: str) -> None:
    with pytest.raises(DoorError, match=f"{device} is no analogue device of gpiozero"):
        meter(rig, inbox, device=device)


def test_an_edge_is_a_reed_edge(inbox: Inbox) -> None:
    factory = MockFactory()
    reed(factory, inbox)
    factory.pin(SENSOR_PIN).drive_low()
    assert {type(event) for event in inbox.events} == {ReedEdge}
