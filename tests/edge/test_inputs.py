"""Edges, switches and the current, from pins to events."""

import time
from collections.abc import Iterator
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory, MockPin

from controller.core.events import (
    Event,
    HoldInputChanged,
    LimitSwitchChanged,
    ReedEdge,
    StopInputChanged,
)
from controller.core.motion import Direction
from controller.edge.inputs import Contact, ReedSensor, build_switches
from controller.errors import DoorError
from tests.edge.recording import (
    SENSOR_PIN,
    TWO_RELAYS,
    Inbox,
    Rig,
    pins_with,
    settings_with,
)

SECOND_PIN, STOP_PIN, HOLD_PIN, END_PIN = 27, 22, 23, 24


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


def test_ticks_of_the_monotonic_clock_are_kept_to_the_last_digit(inbox: Inbox) -> None:
    told: list[float] = []
    contact = Contact(
        "sensor",
        SENSOR_PIN,
        active_is_low=True,
        factory=MockFactory(),
        tell=lambda at_s, _active: told.append(at_s),
        fail=inbox.failures.append,
    )
    contact._changed(123.456789, 0)
    assert told == [123.456789]
    contact.close()


def test_a_line_is_watched_raw_at_both_edges_whatever_it_was_before(inbox: Inbox) -> None:
    factory = MockFactory()
    pin = factory.pin(SENSOR_PIN)
    pin.bounce, pin.edges = 0.1, "rising"
    reed(factory, inbox)
    assert (pin.bounce, pin.edges) == (None, "both")


def test_an_edge_between_the_look_and_the_subscription_is_told(inbox: Inbox) -> None:
    class Hasty(MockPin):  # type: ignore[misc]  # gpiozero has no types
        """Falls just before anybody listens."""

        def _set_edges(self, value: str) -> None:
            super()._set_edges(value)
            self._state = False

    factory = MockFactory(pin_class=Hasty)
    reed(factory, inbox)
    assert [edge.closed for edge in inbox.events] == [False, True]


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
    reed(factory, inbox, second_pin=SECOND_PIN).close()


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


def test_a_level_that_was_told_is_not_told_again(rig: Rig, inbox: Inbox) -> None:
    # Some factories call back for both edges of a spike that was over when they looked.
    (switch,) = build_switches(
        pins_with(TWO_RELAYS, stop_pin=STOP_PIN),
        rig.factory,
        drive=rig.drive,
        put=inbox.put,
        fail=inbox.failures.append,
    )
    for at_s, level in ((1.0, 1), (2.0, 1), (3.0, 0), (4.0, 0), (5.0, 1)):
        switch._contact._changed(at_s, level)
    assert [(event.at_s, event.active) for event in inbox.events] == [
        (1.0, True),
        (3.0, False),
        (5.0, True),
    ]
    switch.close()


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


def test_an_edge_is_a_reed_edge(inbox: Inbox) -> None:
    factory = MockFactory()
    reed(factory, inbox)
    factory.pin(SENSOR_PIN).drive_low()
    assert {type(event) for event in inbox.events} == {ReedEdge}
