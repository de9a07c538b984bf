"""The motor's current, from an analogue device to events."""

import threading
from collections.abc import Iterator
from queue import SimpleQueue
from typing import Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory

from controller.config import CurrentInput
from controller.core.events import CurrentRead
from controller.core.motion import Direction
from controller.edge.current import PERIOD_S, CurrentMeter
from controller.errors import DoorError
from tests.edge.recording import TWO_RELAYS, Inbox, Rig, pins_with


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(pins_with(TWO_RELAYS)) as rig:
        yield rig


@pytest.fixture
def inbox() -> Inbox:
    return Inbox()


class Shunt(gpiozero.AnalogInputDevice):  # type: ignore[misc]  # gpiozero has no types
    """An analogue device that shows what the test sets."""

    reading: float | Exception = 0.0

    def __init__(self, *, channel: int, pin_factory: MockFactory) -> None:
        self.channel = channel
        self.given_back = False

    @property
    def value(self) -> float:
        if isinstance(Shunt.reading, Exception):
            raise Shunt.reading
        return Shunt.reading

    def close(self) -> None:
        self.given_back = True


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


def test_a_closed_meter_has_ended_its_thread_and_given_its_device_back(
    rig: Rig, inbox: Inbox, shunt: type[Shunt]
) -> None:
    measured = meter(rig, inbox)
    assert "current-meter" in {thread.name for thread in threading.enumerate()}
    assert not measured._device.given_back
    measured.close()
    assert "current-meter" not in {thread.name for thread in threading.enumerate()}
    assert measured._device.given_back


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
