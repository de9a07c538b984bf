"""What is particular to each wiring, and how lines come up."""

import threading
import time

import pytest
from gpiozero.pins.mock import MockFactory, MockPin

from controller.core.motion import Direction
from controller.edge.drive import LEASE_MAX_S
from controller.edge.drives import RAMP_FROM, build_drive
from controller.edge.outputs import Line, Output, PwmLine, motor_outputs
from controller.errors import DoorError
from tests.edge.recording import (
    BRIDGE,
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
    Rig,
    pins_with,
)

EAST, WEST = Direction.EAST, Direction.WEST


@pytest.mark.parametrize("wiring", WIRINGS, ids=lambda w: f"{w['kind']}-{len(w)}")
@pytest.mark.parametrize("found", [0.0, 1.0], ids=["found low", "found high"])
@pytest.mark.parametrize("active_low", [False, True], ids=["active high", "active low"])
def test_no_line_ever_shows_a_wrong_level_while_it_comes_up(
    wiring: dict[str, object], found: float, active_low: bool
) -> None:
    pins = pins_with(wiring, active_low=active_low, main_relay_pin=MAIN_PIN)
    with Rig(pins, found=found) as rig:
        relay_rest = 1.0 if active_low else 0.0
        bridge_rest = 0.0 if wiring["kind"] == "h-bridge" else relay_rest
        wanted = {MAIN_PIN: relay_rest}
        wanted |= {int(str(o.pin)): bridge_rest for o in motor_outputs(pins).values()}
        assert sorted(rig.factory.journal) == sorted(wanted.items())


def test_closing_leaves_no_active_level_behind() -> None:
    with Rig(pins_with(TWO_RELAYS, active_low=True, main_relay_pin=MAIN_PIN)) as rig:
        rig.run(EAST)
        rig.drive.close()
        last = dict(rig.factory.journal)
        assert last == {EAST_PIN: 1.0, WEST_PIN: 1.0, MAIN_PIN: 1.0}


def test_two_relays_close_in_the_order_main_then_motor() -> None:
    with Rig(pins_with(TWO_RELAYS, main_relay_pin=MAIN_PIN)) as rig:
        del rig.factory.journal[:]
        rig.run(EAST)
        rig.drive.stop()
        assert rig.factory.journal == [
            (MAIN_PIN, 1.0),
            (EAST_PIN, 1.0),
            (EAST_PIN, 0.0),
            (MAIN_PIN, 0.0),
        ]


def test_the_reversing_relay_moves_without_power_and_settles_before_it() -> None:
    with Rig(pins_with(REVERSING)) as rig:
        del rig.factory.journal[:]
        rig.run(EAST)
        assert rig.factory.journal == [(WEST_PIN, 1.0)]  # the reversing relay alone
        rig.later(0.125 - 2**-10)
        assert rig.level(EAST_PIN) == 0.0
        rig.later(2**-10)
        assert rig.level(EAST_PIN) == 1.0
        rig.drive.stop()
        assert (rig.level(EAST_PIN), rig.level(WEST_PIN)) == (0.0, 1.0)
        rig.later(0.125 - 2**-10)
        assert rig.level(WEST_PIN) == 1.0
        rig.later(2**-10)
        assert rig.all_open()


def test_the_direction_without_the_reversing_relay_starts_at_once() -> None:
    with Rig(pins_with(REVERSING)) as rig:
        rig.run(WEST)
        assert rig.powered() is WEST


def test_a_new_run_the_same_way_keeps_the_reversing_relay_where_it_is() -> None:
    with Rig(pins_with(REVERSING)) as rig:
        rig.run(EAST)
        rig.later(0.125)
        rig.drive.stop()
        rig.later(0.0625)
        rig.run(EAST)
        assert rig.powered() is EAST
        rig.later(0.5)
        assert rig.level(WEST_PIN) == 1.0


def test_the_reversing_relay_waits_for_the_power_to_be_off_long_enough() -> None:
    slow = {**REVERSING, "settle_s": 0.5}
    with Rig(pins_with(slow)) as rig:
        rig.run(WEST)
        rig.drive.stop()
        rig.later(0.25)
        rig.run(EAST, for_s=4.0)
        assert rig.level(WEST_PIN) == 0.0
        rig.later(0.25)
        assert rig.level(WEST_PIN) == 1.0
        assert rig.powered() is None
        rig.later(0.5)
        assert rig.powered() is EAST


def test_a_stop_while_the_reversing_relay_settles_never_brings_the_power() -> None:
    with Rig(pins_with(REVERSING)) as rig:
        rig.run(EAST)
        rig.drive.stop()
        rig.later(1.0)
        assert (EAST_PIN, 1.0) not in rig.factory.journal
        assert rig.all_open()


def test_a_close_keeps_the_pause_before_the_reversing_relay_falls() -> None:
    with Rig(pins_with(REVERSING)) as rig:
        rig.run(EAST)
        rig.later(0.125)
        fell_s: dict[int, float] = {}
        for number in (EAST_PIN, WEST_PIN):
            rig.factory.pin(number).when_level = lambda pin, _level: fell_s.setdefault(
                pin, time.monotonic()
            )
        rig.drive.close()
        assert fell_s[WEST_PIN] - fell_s[EAST_PIN] >= 0.125


def test_the_reversing_relay_falls_by_itself_in_real_time() -> None:
    factory = RecordingFactory()
    fallen = threading.Event()
    drive = build_drive(
        pins_with(REVERSING), factory, on_expired=lambda _at_s: None, on_failed=print
    )
    drive.run(EAST, until_s=time.monotonic() + 60.0)
    factory.pin(WEST_PIN).when_level = lambda _pin, level: None if level else fallen.set()
    drive.stop()
    # Sooner than the permission would have run out, which brings the thread back anyway.
    assert fallen.wait(LEASE_MAX_S - 1.0)
    drive.close()


def test_the_reversing_relay_can_stand_for_west() -> None:
    with Rig(pins_with({**REVERSING, "reverse_is": "west"})) as rig:
        rig.run(WEST)
        rig.later(0.125)
        assert (rig.level(EAST_PIN), rig.level(WEST_PIN)) == (1.0, 1.0)


@pytest.mark.parametrize(
    ("wiring", "ramped"), [(BRIDGE, WEST_PIN), (BRIDGE_WITH_ENABLE, THIRD_PIN)]
)
def test_a_bridge_starts_softly(wiring: dict[str, object], ramped: int) -> None:
    with Rig(pins_with(wiring)) as rig:
        del rig.factory.journal[:]
        rig.run(WEST)
        for _ in range(26):
            rig.later(0.01)
        duties = [level for number, level in rig.factory.journal if number == ramped]
        assert duties[0] == RAMP_FROM
        assert duties == sorted(set(duties))
        assert duties[-1] == 1.0
        assert len(duties) >= 20
        assert rig.factory.pin(ramped).frequency == 200.0


def test_half_way_through_its_soft_start_a_bridge_has_half_its_duty() -> None:
    with Rig(pins_with(BRIDGE)) as rig:
        rig.run(EAST)
        rig.later(0.125)
        assert rig.level(EAST_PIN) == pytest.approx(0.5, abs=0.05)  # one step of 25


def test_a_stop_in_the_soft_start_leaves_nothing_on() -> None:
    with Rig(pins_with(BRIDGE_WITH_ENABLE)) as rig:
        rig.run(EAST)
        rig.later(0.05)
        rig.drive.stop()
        rig.later(1.0)
        assert rig.all_open()


def test_closing_a_line_with_pwm_ends_it_low_and_gives_it_back() -> None:
    factory = RecordingFactory()
    line = PwmLine(Output(role="bridge east", pin=EAST_PIN), factory, frequency_hz=100.0)
    line.duty(0.5)
    levels_when_ended: list[float] = []
    pin = factory.pin(EAST_PIN)
    pin.when_ended = levels_when_ended.append
    line.close()
    line.close()
    assert levels_when_ended == [0.0]
    assert (pin.frequency, pin.function) == (None, "input")
    other = PwmLine(Output(role="another", pin=EAST_PIN), factory, frequency_hz=100.0)
    other.close()


def test_a_bridge_without_soft_start_needs_no_pwm() -> None:
    factory = MockFactory(pin_class=MockPin)
    drive = build_drive(
        pins_with({**BRIDGE, "soft_start_s": 0}), factory, on_expired=print, on_failed=print
    )
    drive.close()


def test_pins_without_pwm_say_what_to_set_and_keep_no_line() -> None:
    factory = MockFactory(pin_class=MockPin)
    with pytest.raises(DoorError, match=r"line 5 .* bridge east: .*soft_start_s: 0"):
        build_drive(pins_with(BRIDGE), factory, on_expired=print, on_failed=print)
    Line(Output(role="another", pin=EAST_PIN), factory).close()


def test_a_line_in_use_is_named_with_its_role_and_the_others_are_given_back() -> None:
    factory = RecordingFactory()
    other = Line(Output(role="another", pin=WEST_PIN), factory)
    with pytest.raises(DoorError, match=r"line 6 cannot be claimed as west relay: .*in use"):
        build_drive(pins_with(TWO_RELAYS), factory, on_expired=print, on_failed=print)
    Line(Output(role="another", pin=EAST_PIN), factory).close()
    other.close()


def test_a_line_that_does_not_exist_is_named() -> None:
    with pytest.raises(DoorError, match=r"line 99 cannot be claimed as east relay"):
        Line(Output(role="east relay", pin=99), RecordingFactory())


def test_active_low_relays_are_refused_on_a_factory_that_starts_low() -> None:
    class LGPIOFactory(RecordingFactory):
        """Carries the name of the one that drives a line low when it claims it."""

    factory = LGPIOFactory()
    with pytest.raises(DoorError, match="lgpio drives a line low"):
        Line(Output(role="east relay", pin=EAST_PIN, active_low=True), factory)
    assert factory.journal == []
    Line(Output(role="east relay", pin=EAST_PIN), factory).close()


def test_a_line_that_cannot_be_switched_off_is_given_back_all_the_same() -> None:
    factory = RecordingFactory()
    factory.pin_class = BrokenPin
    line = Line(Output(role="east relay", pin=EAST_PIN), factory)
    factory.pin(EAST_PIN).refuses = False
    with pytest.raises(OSError, match="Input/output"):
        line.close()
    assert factory.pin(EAST_PIN).function == "input"
