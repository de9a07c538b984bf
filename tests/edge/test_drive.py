"""What every drive has in common, on each of the wirings."""

import math
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from controller.core.motion import Direction
from controller.edge.drive import LEASE_MAX_S
from controller.errors import DoorError
from tests.edge.recording import (
    EAST_PIN,
    MAIN_PIN,
    REVERSING,
    TWO_RELAYS,
    WEST_PIN,
    WIRINGS,
    BrokenPin,
    Rig,
    pins_with,
)

EAST, WEST = Direction.EAST, Direction.WEST


@pytest.fixture(params=WIRINGS, ids=lambda wiring: f"{wiring['kind']}-{len(wiring)}")
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    with Rig(pins_with(request.param, main_relay_pin=MAIN_PIN)) as rig:
        yield rig


@pytest.mark.parametrize("direction", list(Direction))
def test_a_run_powers_the_motor_that_way_and_a_stop_opens_everything(
    rig: Rig, direction: Direction
) -> None:
    rig.run(direction)
    rig.later(0.5)
    assert (rig.powered(), rig.drive.running) == (direction, direction)
    rig.drive.stop()
    assert (rig.powered(), rig.drive.running) == (None, None)
    rig.later(0.5)
    assert rig.all_open()


@pytest.mark.parametrize(("after_s", "still"), [(0.875, EAST), (1.0, None)])
def test_a_run_ends_at_its_end_and_not_before(
    rig: Rig, after_s: float, still: Direction | None
) -> None:
    rig.run(EAST, for_s=1.0)
    rig.later(0.5)
    rig.later(after_s - 0.5)
    assert (rig.drive.running, rig.powered()) == (still, still)


def test_an_end_that_nobody_renewed_is_told_once(rig: Rig) -> None:
    rig.run(EAST, for_s=1.0)
    rig.later(1.0)
    rig.later(1.0)
    assert rig.expired_at_s == [1001.0]


def test_a_renewed_run_goes_on(rig: Rig) -> None:
    rig.run(WEST, for_s=0.5)
    for _ in range(8):
        rig.later(0.25)
        rig.run(WEST, for_s=0.5)
    assert (rig.powered(), rig.expired_at_s) == (WEST, [])


def test_a_permission_that_is_past_closes_nothing_and_is_told(rig: Rig) -> None:
    before = list(rig.factory.journal)
    rig.run(EAST, for_s=0.0)
    assert rig.factory.journal == before
    assert (rig.drive.running, rig.expired_at_s) == (None, [1000.0])


def test_no_permission_is_longer_than_the_ceiling(rig: Rig) -> None:
    rig.run(EAST, for_s=3600.0)
    rig.later(LEASE_MAX_S - 0.125)
    assert rig.drive.running is EAST
    rig.later(0.125)
    assert rig.drive.running is None


@pytest.mark.parametrize("until_s", [math.nan, math.inf, -math.inf])
def test_a_run_without_a_real_end_is_refused(rig: Rig, until_s: float) -> None:
    with pytest.raises(DoorError, match="needs an end"):
        rig.drive.run(EAST, until_s=until_s)
    assert rig.all_open()


def test_the_other_direction_while_running_stops_and_is_refused(rig: Rig) -> None:
    rig.run(EAST)
    rig.later(0.5)
    with pytest.raises(DoorError, match=r"west while running east: stopped"):
        rig.run(WEST)
    assert (rig.drive.running, rig.powered()) == (None, None)


def test_the_other_direction_is_refused_just_inside_the_dead_time(rig: Rig) -> None:
    rig.run(EAST)
    rig.later(0.5)
    rig.drive.stop()
    rig.later(0.25 - 2**-10)
    with pytest.raises(DoorError, match=r"the dead time is 0\.25 s"):
        rig.run(WEST)
    assert rig.powered() is None


def test_the_other_direction_is_taken_at_the_dead_time(rig: Rig) -> None:
    rig.run(EAST)
    rig.later(0.5)
    rig.drive.stop()
    rig.later(0.25)
    rig.run(WEST)
    rig.later(0.5)
    assert rig.powered() is WEST


def test_the_same_direction_needs_no_dead_time(rig: Rig) -> None:
    rig.run(EAST)
    rig.later(0.5)
    rig.drive.stop()
    rig.run(EAST)
    rig.later(0.5)
    assert rig.powered() is EAST


def test_a_halt_opens_at_once_and_bars_every_run(rig: Rig) -> None:
    rig.run(EAST)
    rig.later(0.5)
    rig.drive.halt()
    assert rig.powered() is None
    rig.later(1.0)
    journal = list(rig.factory.journal)
    rig.run(EAST)
    rig.run(WEST)
    rig.later(0.5)
    assert rig.factory.journal == journal


def test_every_halt_needs_its_own_rearm(rig: Rig) -> None:
    rig.drive.halt()
    rig.drive.halt()
    rig.drive.rearm()
    rig.run(EAST)
    assert (rig.drive.running, rig.drive.halted) == (None, True)
    rig.drive.rearm()
    rig.run(EAST)
    assert (rig.drive.running, rig.drive.halted) == (EAST, False)


def test_a_rearm_too_many_does_not_swallow_the_next_halt(rig: Rig) -> None:
    rig.drive.rearm()
    rig.drive.rearm()
    rig.drive.halt()
    rig.run(EAST)
    assert rig.drive.running is None


def test_a_halt_that_a_closing_contact_brings_about_wins(rig: Rig) -> None:
    # A level that is set may call back in the same thread, as a stop input beside it would.
    def press(number: int, level: float) -> None:
        if level:
            rig.drive.halt()

    for number in (EAST_PIN, WEST_PIN, MAIN_PIN):
        rig.factory.pin(number).when_level = press
    rig.run(EAST)
    rig.later(0.5)
    assert rig.powered() is None
    assert rig.drive.running is None


def test_the_main_relay_closes_first_and_opens_last(rig: Rig) -> None:
    del rig.factory.journal[:]
    rig.run(WEST)
    rig.later(0.5)
    rig.drive.stop()
    ends = [number for number, _ in rig.factory.journal]
    assert (ends[0], ends[-1]) == (MAIN_PIN, MAIN_PIN)
    assert [level for number, level in rig.factory.journal if number == MAIN_PIN] == [1.0, 0.0]


def test_dropping_the_main_relay_opens_everything(rig: Rig) -> None:
    rig.run(EAST)
    rig.later(0.5)
    rig.drive.drop_main()
    assert (rig.level(MAIN_PIN), rig.powered()) == (0.0, None)


def test_a_second_close_does_nothing_and_a_run_after_it_is_refused(rig: Rig) -> None:
    rig.run(EAST)
    rig.drive.close()
    rig.drive.close()
    rig.drive.stop()
    assert [rig.factory.pin(n).function for n in (EAST_PIN, WEST_PIN, MAIN_PIN)] == ["input"] * 3
    with pytest.raises(DoorError, match="closed"):
        rig.run(EAST)


def test_a_close_ends_the_thread_of_the_lease(rig: Rig) -> None:
    before = set(threading.enumerate())
    rig.drive.close()
    ended = before - set(threading.enumerate())
    assert [thread.name for thread in ended] == ["drive-lease"]


def test_a_line_that_cannot_be_given_back_is_told_and_the_others_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with Rig(pins_with(TWO_RELAYS, main_relay_pin=MAIN_PIN), pin_class=BrokenPin) as rig:
        rig.factory.pin(EAST_PIN).refuses = False
        rig.drive.close()
        assert rig.failures == ["east relay could not be opened: [Errno 5] Input/output error"]
        assert [rig.factory.pin(n).function for n in (WEST_PIN, MAIN_PIN)] == ["input"] * 2


def test_the_drive_lets_go_by_itself_in_real_time() -> None:
    import time  # noqa: PLC0415  only this test may look at a real clock

    gone = threading.Event()
    with Rig(pins_with(TWO_RELAYS)) as rig:
        rig.drive._clock = time.monotonic
        rig.drive._errand._clock = time.monotonic
        rig.drive._on_expired = lambda _at_s: gone.set()
        rig.drive.run(EAST, until_s=time.monotonic() + 0.05)
        assert rig.powered() is EAST
        assert gone.wait(10.0)
        assert (rig.powered(), rig.drive.running) == (None, None)


@pytest.mark.parametrize("kind", ["stop", "halt", "expire"])
def test_a_relay_that_cannot_be_opened_is_told_once_and_bars_the_next_run(kind: str) -> None:
    with Rig(pins_with(TWO_RELAYS, main_relay_pin=MAIN_PIN), pin_class=BrokenPin) as rig:
        rig.run(EAST)
        rig.factory.pin(EAST_PIN).refuses = False
        if kind == "expire":
            rig.later(1.0)
        else:
            getattr(rig.drive, kind)()
        assert len(rig.failures) == 1
        rig.drive.stop()
        rig.drive.rearm()
        assert rig.failures == ["east relay could not be opened: [Errno 5] Input/output error"]
        assert rig.level(MAIN_PIN) == 0.0  # the others are tried all the same
        with pytest.raises(DoorError, match="east relay could not be opened"):
            rig.run(EAST)
        rig.factory.pin(EAST_PIN).refuses = None
        rig.drive.stop()
        rig.run(EAST)
        assert rig.powered() is EAST


def test_a_relay_that_cannot_be_closed_opens_everything_and_is_refused() -> None:
    with Rig(pins_with(TWO_RELAYS, main_relay_pin=MAIN_PIN), pin_class=BrokenPin) as rig:
        rig.factory.pin(EAST_PIN).refuses = True
        with pytest.raises(DoorError, match=r"cannot run east: .*Input/output error"):
            rig.run(EAST)
        assert rig.all_open()
        assert rig.drive.running is None


def test_a_step_that_fails_later_is_told_and_opens_everything() -> None:
    with Rig(pins_with(REVERSING), pin_class=BrokenPin) as rig:
        rig.factory.pin(EAST_PIN).refuses = True
        rig.run(EAST)
        rig.later(0.125)
        assert rig.failures == ["an output failed, all are open now: [Errno 5] Input/output error"]
        assert (rig.drive.running, rig.powered()) == (None, None)


def test_halts_from_many_threads_are_all_counted() -> None:
    with Rig(pins_with(TWO_RELAYS)) as rig:

        def halt_often() -> None:
            for _ in range(200):
                rig.drive.halt()

        threads = [threading.Thread(target=halt_often) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        for _ in range(799):
            rig.drive.rearm()
        assert rig.drive.halted
        rig.drive.rearm()
        assert not rig.drive.halted


class AnyOrder(RuleBasedStateMachine):
    """Whatever is asked in whatever order, the copper keeps the rules."""

    wiring: dict[str, Any] = TWO_RELAYS

    def __init__(self) -> None:
        super().__init__()
        self.rig = Rig(pins_with(self.wiring, main_relay_pin=MAIN_PIN))
        self.halts_n = 0
        self.until_s = 0.0
        self.last: dict[Direction, float] = {}
        for number in (EAST_PIN, WEST_PIN):
            self.rig.factory.pin(number).when_level = self.look
        self.rig.factory.pin(13).when_level = self.look

    def look(self, number: int, level: float) -> None:
        """At every level that changes: the other way was off for the dead time."""
        way = self.rig.powered()
        if way is not None:
            now_s = self.rig.clock.now_s
            self.last[way] = now_s
            assert now_s - self.last.get(way.opposite, 0.0) >= 0.25
        if self.wiring is REVERSING and number == WEST_PIN:
            assert not self.rig.level(EAST_PIN), "reversed under power"

    @rule(direction=st.sampled_from(Direction), quarters=st.integers(0, 4))
    def run(self, direction: Direction, quarters: int) -> None:
        self.note()
        before = self.rig.drive.running
        try:
            self.rig.run(direction, for_s=quarters * 0.25)
        except DoorError:
            assert self.rig.drive.running is None
            return
        if self.halts_n == 0:
            self.until_s = self.rig.clock.now_s + quarters * 0.25
        else:
            assert self.rig.drive.running is None or self.rig.drive.running is before

    @rule()
    def stop(self) -> None:
        self.note()
        self.rig.drive.stop()

    @rule()
    def halt(self) -> None:
        self.note()
        self.rig.drive.halt()
        self.halts_n += 1

    @precondition(lambda self: self.halts_n)
    @rule()
    def rearm(self) -> None:
        self.rig.drive.rearm()
        self.halts_n -= 1

    @rule(eighths=st.integers(1, 6))
    def wait(self, eighths: int) -> None:
        for _ in range(eighths):
            self.note()
            self.rig.later(0.125)

    def note(self) -> None:
        way = self.rig.powered()
        if way is not None:
            self.last[way] = self.rig.clock.now_s

    @invariant()
    def nothing_runs_while_halted_or_past_its_end(self) -> None:
        if self.halts_n or self.rig.clock.now_s >= self.until_s:
            assert self.rig.powered() is None
            assert self.rig.level(MAIN_PIN) == 0.0

    @invariant()
    def the_copper_follows_the_word(self) -> None:
        assert self.rig.powered() in (None, self.rig.drive.running)

    def teardown(self) -> None:
        self.rig.drive.close()


@pytest.mark.parametrize("wiring", WIRINGS, ids=lambda wiring: f"{wiring['kind']}-{len(wiring)}")
def test_asked_anything_in_any_order_the_copper_keeps_the_rules(wiring: dict[str, Any]) -> None:
    from hypothesis.stateful import run_state_machine_as_test  # noqa: PLC0415

    class OfThisWiring(AnyOrder):
        pass

    OfThisWiring.wiring = wiring
    run_state_machine_as_test(
        OfThisWiring, settings=settings(max_examples=60, stateful_step_count=30, deadline=None)
    )
