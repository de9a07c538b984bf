from dataclasses import replace

import pytest

from controller.bench.wires import HBridge, ReversingRelay, TwoRelays, Wires
from controller.bench.wiring import Wiring
from controller.errors import ConfigError

AT_ONCE = Wires(operate_s=0.0, release_s=0.0)
TWO = replace(AT_ONCE, drive=TwoRelays(east_pin=5, west_pin=6))
REVERSING = replace(AT_ONCE, drive=ReversingRelay(power_pin=5, reverse_pin=6, reverse_is="east"))
BRIDGE = replace(AT_ONCE, drive=HBridge(east_pin=5, west_pin=6, enable_pin=7))


def wired(wires: Wires, **levels: float) -> Wiring:
    wiring = Wiring(wires)
    for i, (pin, level) in enumerate(levels.items()):
        wiring.set_level(int(pin.removeprefix("pin")), level, at_s=float(i))
    return wiring


@pytest.mark.parametrize(
    ("wires", "levels", "voltage"),
    [
        (TWO, {}, 0.0),
        (TWO, {"pin5": 1}, -1.0),
        (TWO, {"pin6": 1}, 1.0),
        (REVERSING, {"pin6": 1}, 0.0),
        (REVERSING, {"pin5": 1}, 1.0),
        (REVERSING, {"pin6": 1, "pin5": 1}, -1.0),
        (BRIDGE, {"pin6": 1}, 0.0),
        (BRIDGE, {"pin7": 1, "pin6": 0.4}, 0.4),
        (BRIDGE, {"pin7": 1, "pin5": 1.0}, -1.0),
    ],
)
def test_levels_give_the_voltage(wires: Wires, levels: dict[str, float], voltage: float) -> None:
    wiring = wired(wires, **levels)
    assert wiring.voltage == pytest.approx(voltage)
    assert wiring.crimes == []


def test_active_low_relays_are_open_until_their_line_is_pulled_down() -> None:
    wires = replace(AT_ONCE, drive=TwoRelays(east_pin=5, west_pin=6), active_low=True)
    assert wired(wires).voltage == 0.0
    assert wired(wires, pin5=1, pin6=1).voltage == 0.0
    assert wired(wires, pin5=1, pin6=0).voltage == 1.0


def test_both_directions_at_once_are_written_down_once_with_their_time() -> None:
    wiring = wired(TWO, pin5=1, pin6=1)
    assert [(c.at_s, c.what) for c in wiring.crimes] == [
        (1.0, "both directions commanded at once"),
        (1.0, "short circuit: both directions closed at once"),
    ]
    wiring.settle(9.0)
    assert len(wiring.crimes) == 2
    assert wiring.voltage == 0.0


def test_commanding_both_for_less_than_a_relay_needs_is_no_short_but_still_a_crime() -> None:
    wiring = Wiring(Wires(drive=TwoRelays(east_pin=5, west_pin=6), operate_s=0.01))
    wiring.set_level(5, 1, at_s=0.0)
    wiring.set_level(6, 1, at_s=0.001)
    wiring.set_level(6, 0, at_s=0.002)
    wiring.settle(1.0)
    assert [c.what for c in wiring.crimes] == ["both directions commanded at once"]


def test_a_welded_relay_shorts_when_the_other_closes() -> None:
    wiring = Wiring(TWO)
    wiring.weld({"east": "closed"})
    assert wiring.voltage == -1.0
    wiring.set_level(6, 1, at_s=2.0)
    assert [c.what for c in wiring.crimes] == ["short circuit: both directions closed at once"]


def test_a_burnt_contact_never_closes_and_mends() -> None:
    wiring = wired(TWO, pin6=1)
    wiring.weld({"west": "open"})
    assert wiring.voltage == 0.0
    wiring.weld({})
    assert wiring.voltage == 1.0


def test_welding_a_relay_that_is_not_there_is_refused() -> None:
    with pytest.raises(ConfigError, match="no relay 'power'; it has: east, west"):
        Wiring(TWO).weld({"power": "closed"})


def test_reversing_under_power_is_a_crime_and_without_power_is_not() -> None:
    assert wired(REVERSING, pin6=1, pin5=1).crimes == []
    wiring = wired(REVERSING, pin5=1, pin6=1)
    assert [(c.at_s, c.what) for c in wiring.crimes] == [(1.0, "reversed under power")]


@pytest.mark.parametrize("bridge_enabled", [True, False])
def test_a_bridge_shorts_only_while_enabled(bridge_enabled: bool) -> None:
    wiring = wired(BRIDGE, pin7=float(bridge_enabled), pin5=1, pin6=1)
    assert wiring.voltage == 0.0
    shorts = [c for c in wiring.crimes if "short" in c.what]
    assert len(shorts) == int(bridge_enabled)


def test_contacts_follow_after_the_relays_own_time() -> None:
    wiring = Wiring(Wires(operate_s=0.008, release_s=0.004))
    wiring.set_level(6, 1, at_s=1.0)
    assert wiring.next_change_s == pytest.approx(1.008)
    wiring.settle(1.0079)
    assert wiring.voltage == 0.0
    wiring.settle(1.0081)
    assert wiring.voltage == 1.0
    wiring.set_level(6, 0, at_s=2.0)
    assert wiring.next_change_s == pytest.approx(2.004)
    wiring.settle(2.005)
    assert wiring.voltage == 0.0


def test_main_relay_lies_in_series() -> None:
    wiring = wired(replace(AT_ONCE, main_relay_pin=13), pin6=1)
    assert wiring.voltage == 0.0
    wiring.set_level(13, 1, at_s=1.0)
    assert wiring.voltage == 1.0


def test_heartbeat_that_stands_still_cuts_the_power() -> None:
    wiring = wired(replace(AT_ONCE, heartbeat_pin=19, heartbeat_hold_s=1.0), pin6=1)
    assert wiring.voltage == 0.0
    wiring.set_level(19, 1, at_s=10.0)
    wiring.settle(10.9)
    assert wiring.voltage == 1.0
    assert wiring.next_change_s == 11.0
    wiring.set_level(19, 1, at_s=10.9)  # the same level again is no beat
    wiring.settle(11.0)
    assert wiring.voltage == 0.0


def test_swapped_motor_wires_turn_it_round() -> None:
    wiring = wired(TWO, pin6=1)
    wiring.swapped = True
    assert wiring.voltage == -1.0


@pytest.mark.parametrize("wires", [TWO, REVERSING, BRIDGE], ids=["two", "reversing", "bridge"])
@pytest.mark.parametrize(
    ("east", "west", "voltage"), [(True, False, -1), (False, True, 1), (False, False, 0)]
)
def test_asking_for_a_direction_gives_it(
    wires: Wires, east: bool, west: bool, voltage: float
) -> None:
    wiring = Wiring(wires)
    for pin, level in wiring.levels_for(east=east, west=west).items():
        wiring.set_level(pin, level, at_s=0.0)
    assert wiring.voltage == voltage
    assert wiring.crimes == []


def test_a_line_that_is_let_go_opens_its_relay() -> None:
    wiring = wired(TWO, pin6=1)
    wiring.set_level(6, None, at_s=3.0)
    assert wiring.voltage == 0.0


def test_two_things_on_one_line_are_refused() -> None:
    with pytest.raises(ConfigError, match="line 5 is soldered to two things"):
        Wires(drive=TwoRelays(east_pin=5, west_pin=6), sensor_pin=5)
