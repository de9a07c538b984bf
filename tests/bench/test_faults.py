from dataclasses import replace

import pytest

from controller.bench.contact import Source
from controller.bench.faults import BY_NAME, Faults
from controller.bench.scenario import ALDER_FEN, TUSSOCK_DOWNS
from controller.bench.yard import Yard
from controller.errors import ConfigError


def running(**changes: object) -> Yard:
    """Return a yard that has been going west for a second."""
    yard = Yard(replace(TUSSOCK_DOWNS, **changes), seed=5)  # type: ignore[arg-type]
    yard.set_drive(west=True)
    yard.step(1.0)
    return yard


def closings(yard: Yard, s: float) -> int:
    return sum(e.closed for e in yard.step(s) if e.source is Source.REED)


def test_jam_stops_the_screw_and_draws_the_stall_current() -> None:
    yard = running()
    yard.apply("jam")
    at_mm = yard.actuator.screw_mm
    yard.step(1.0)
    assert yard.actuator.screw_mm == at_mm
    assert yard.truth().current_a == pytest.approx(8.0)
    yard.clear("jam")
    yard.step(1.0)
    assert yard.actuator.screw_mm > at_mm + 3


@pytest.mark.parametrize("relay", ["east", "west"])
def test_welded_relay_keeps_the_motor_on_after_the_board_let_go(relay: str) -> None:
    yard = Yard(TUSSOCK_DOWNS)
    yard.set_drive(east=relay == "east", west=relay == "west")
    yard.step(1.0)
    yard.apply("welded-relay", relay=relay)
    yard.set_drive()
    at_mm = yard.actuator.screw_mm
    yard.step(2.0)
    assert (yard.actuator.screw_mm - at_mm) * (1 if relay == "west" else -1) > 5
    yard.clear("welded-relay")
    yard.step(2.0)
    assert not yard.moving


@pytest.mark.parametrize("relay", ["power", "reverse", "main"])
def test_every_relay_of_a_reversing_pair_can_weld(relay: str) -> None:
    yard = Yard(ALDER_FEN)
    yard.apply("welded-relay", relay=relay)
    yard.set_drive(west=True)
    yard.step(0.5)
    yard.set_drive()
    yard.step(1.0)
    assert not yard.moving  # each alone cannot keep this motor running: main and power in series
    assert yard.truth().relays[relay] is True
    assert (yard.hour_angle_deg < Yard(ALDER_FEN).hour_angle_deg) is (relay == "reverse")


def test_main_and_power_relay_both_welded_run_away() -> None:
    yard = Yard(ALDER_FEN)
    yard.apply("welded-relay", relay="power")
    yard.apply("welded-relay", relay="main")
    yard.step(1.0)
    assert yard.moving


@pytest.mark.parametrize(("stuck", "level"), [("open", 1), ("closed", 0)])
def test_dead_sensor_shows_one_level_for_ever(stuck: str, level: int) -> None:
    yard = running()
    yard.apply("dead-sensor", stuck=stuck)
    yard.step(0.0)
    assert yard.step(5.0) == []
    assert yard.input_level(17) == level
    assert yard.moving


def test_missing_pulses_are_missing_as_often_as_asked() -> None:
    yard = running(bounce_s=0.0)
    yard.apply("missing-pulses", probability=0.25)
    before = yard.count_pulses
    seen = closings(yard, 40.0)
    passed = yard.count_pulses - before
    assert passed > 350
    assert seen / passed == pytest.approx(0.75, abs=0.07)  # 3 sigma of 400 draws


def test_all_pulses_missing_is_silence_although_the_screw_turns() -> None:
    yard = running(bounce_s=0.0)
    yard.apply("missing-pulses", probability=1.0)
    yard.step(1.0)
    assert closings(yard, 3.0) == 0
    assert yard.moving


def test_extra_pulses_come_on_top_and_only_while_moving() -> None:
    yard = running(bounce_s=0.0)
    yard.apply("extra-pulses", rate_per_s=2.0, width_s=0.006)
    before = yard.count_pulses
    seen = closings(yard, 40.0)
    extra = seen - (yard.count_pulses - before)
    assert extra == pytest.approx(80, abs=30)
    yard.set_drive()
    yard.step(2.0)
    assert yard.step(20.0) == []


def test_noise_comes_at_rest_as_well_in_short_spikes() -> None:
    yard = Yard(TUSSOCK_DOWNS)
    yard.apply("sensor-noise", rate_per_s=20.0, width_s=0.0003)
    edges = yard.step(10.0)
    assert len(edges) == pytest.approx(400, abs=100)
    widths = [b.at_s - a.at_s for a, b in zip(edges[::2], edges[1::2], strict=True)]
    assert max(widths) == pytest.approx(0.0003)


def test_long_bounce_lasts_longer_and_clears() -> None:
    yard = running(bounce_s=0.0)
    yard.apply("long-bounce", bounce_s=0.02)
    assert closings(yard, 3.0) > 50
    yard.clear("long-bounce")
    yard.step(0.1)
    before = yard.count_pulses
    assert closings(yard, 3.0) == yard.count_pulses - before


def test_motor_wired_backwards_goes_the_other_way() -> None:
    yard = Yard(TUSSOCK_DOWNS)
    yard.apply("motor-backwards")
    before = yard.count_pulses
    yard.set_drive(west=True)
    yard.step(2.0)
    assert yard.count_pulses < before - 10


def test_inverted_sensor_reads_closed_where_it_should_be_open() -> None:
    yard = Yard(TUSSOCK_DOWNS)
    before = yard.input_level(17)
    yard.apply("sensor-inverted")
    yard.step(0.1)
    assert yard.input_level(17) == 1 - before


def test_swapped_sensors_show_each_others_edges() -> None:
    def times(source: Source, *, swapped: bool) -> list[float]:
        yard = Yard(replace(ALDER_FEN, bounce_s=0.0))
        if swapped:
            yard.apply("sensors-swapped")
        yard.set_drive(west=True)
        yard.step(0.2)
        return [e.at_s for e in yard.step(2.0) if e.source is source]

    assert times(Source.REED, swapped=True) == times(Source.SECOND, swapped=False)
    assert times(Source.SECOND, swapped=True) == times(Source.REED, swapped=False)


def test_dead_limit_switch_stays_open_at_the_end() -> None:
    yard = Yard(replace(ALDER_FEN, start_mm=20.0))
    yard.apply("limit-switch-dead", side="east", stuck="open")
    yard.set_drive(east=True)
    yard.step(20.0)
    assert yard.truth().at_east_end
    assert yard.input_level(20) == 1
    yard.clear()
    yard.step(0.1)
    assert yard.input_level(20) == 0


def test_slipping_turns_the_screw_and_leaves_the_dish() -> None:
    yard = running()
    yard.step(1.0)
    yard.apply("slipping")
    rod_mm, count = yard.rod_mm, yard.count_pulses
    yard.step(3.0)
    assert yard.rod_mm == pytest.approx(rod_mm)
    assert yard.count_pulses > count + 20
    yard.clear("slipping")
    yard.step(1.0)
    assert yard.rod_mm != pytest.approx(rod_mm, abs=2.0)


def test_stiff_screw_is_slower_and_hungrier() -> None:
    yard = running()
    speed, current = yard.actuator.speed_mm_per_s, yard.truth().current_a
    yard.apply("stiff", speed_factor=0.5)
    yard.step(2.0)
    assert yard.actuator.speed_mm_per_s == pytest.approx(speed / 2, rel=0.05)
    assert yard.truth().current_a > 1.5 * current


def test_power_cut_stops_the_motor_and_its_current() -> None:
    yard = running()
    yard.apply("power-cut")
    yard.step(2.0)
    assert not yard.moving
    assert yard.truth().current_a == 0.0
    yard.clear("power-cut")
    yard.step(1.0)
    assert yard.moving


@pytest.mark.parametrize(
    ("name", "parameters", "message"),
    [
        ("gremlins", {}, "no fault is called 'gremlins'; there are: jam, "),
        ("jam", {"at_mm": 3}, "fault jam takes nothing; not at_mm"),
        ("welded-relay", {}, "fault welded-relay: .*relay"),
        ("welded-relay", {"relay": "west", "position": "ajar"}, "position must be closed or open"),
        ("dead-sensor", {"stuck": "half"}, "stuck must be open or closed, not 'half'"),
        ("missing-pulses", {"probability": 1.5}, "probability must be 0 to 1, not 1.5"),
        ("stiff", {"speed_factor": 0}, "speed_factor must be 0.05 to 1, not 0"),
        ("stiff", {"speed_factor": "slow"}, "speed_factor"),
    ],
)
def test_what_cannot_be_broken_is_refused(
    name: str, parameters: dict[str, object], message: str
) -> None:
    with pytest.raises(ConfigError, match=message):
        Faults().apply(name, **parameters)


def test_a_fault_that_does_not_fit_the_yard_leaves_nothing_broken() -> None:
    yard = Yard(TUSSOCK_DOWNS)
    with pytest.raises(ConfigError, match="no relay 'main'"):
        yard.apply("welded-relay", relay="main")
    assert yard.truth().broken == ()
    yard.apply("jam")


def test_clearing_mends_one_kind_or_all() -> None:
    faults = Faults()
    faults.apply("jam")
    faults.apply("welded-relay", relay="east")
    faults.apply("welded-relay", relay="west")
    faults.clear("welded-relay")
    assert [f.key for f in faults] == ["jam"]
    faults.clear()
    assert list(faults) == []
    with pytest.raises(ConfigError, match="no fault is called"):
        faults.clear("gremlins")


def test_every_fault_has_a_name_of_its_own() -> None:
    assert len(BY_NAME) == 16
    assert all(kind.name == name for name, kind in BY_NAME.items())
