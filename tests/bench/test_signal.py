from dataclasses import replace
from itertools import pairwise
from math import floor

import pytest

from controller.bench.beam import Beam, level_db
from controller.bench.drawn import yard_from
from controller.bench.scenario import (
    SCENARIOS,
    TAPES,
    TUSSOCK_DOWNS,
    scenario,
)
from controller.bench.wind import Wind
from controller.bench.yard import Yard
from controller.errors import ConfigError


def test_beam_is_three_db_down_at_half_its_width() -> None:
    # The definition of the half-power width.
    beam = Beam(diameter_m=3.0)
    assert beam.loss_db(beam.width_deg / 2) == pytest.approx(3.0, abs=0.02)


def test_beam_of_three_metres_at_four_gigahertz_has_the_usual_width() -> None:
    # 70 wavelengths over the diameter, common practice: 70 * 0.07495 / 3.
    assert Beam(diameter_m=3.0).width_deg == pytest.approx(1.749, abs=0.001)


def test_pattern_falls_all_the_way_and_has_no_step() -> None:
    beam = Beam(diameter_m=2.4)
    losses = [beam.loss_db(0.01 * i) for i in range(2000)]
    steps = [b - a for a, b in pairwise(losses)]
    assert min(steps) > 0
    assert max(steps) < 0.2


def test_two_equal_sources_are_three_db_more_than_one() -> None:
    assert level_db([30.0, 30.0]) - level_db([30.0]) == pytest.approx(3.01, abs=0.01)
    assert level_db([]) == 0.0


def still(name: str) -> Yard:
    return Yard(replace(scenario(name), wind=Wind(), receiver_noise_db=0.0))


def drive_to(yard: Yard, pulses: float, *, way: str) -> None:
    """Drive to a place in small runs, arriving from one side."""
    sign = 1 if way == "west" else -1
    yard.set_drive(east=sign > 0, west=sign < 0)
    while (yard.truth().place_pulses - pulses) * sign > -15:
        yard.step(0.05)
    yard.set_drive()
    yard.step(3.0)
    yard.set_drive(east=sign < 0, west=sign > 0)
    while (yard.truth().place_pulses - pulses) * sign < 0:
        yard.step(0.002)
    yard.set_drive()


@pytest.mark.parametrize("way", ["west", "east"])
@pytest.mark.parametrize(
    ("name", "satellite"),
    [("tussock-downs", "Heron"), ("tussock-downs", "Skua"), ("alder-fen", "Avocet")],
)
def test_signal_is_best_where_the_peak_is_said_to_be(name: str, satellite: str, way: str) -> None:
    yard = still(name)
    peak = yard.peak_pulses(satellite, arriving=way)
    assert peak is not None
    seen = {}
    for beside in (-6, -3, 0, 3, 6):
        place_mm = yard.plan.ring.place_mm(peak + beside)
        half_mm = yard.plan.screw.backlash_mm / 2
        lag_mm = -half_mm if way == "west" else half_mm
        yard.actuator.place(place_mm, dish_mm=yard.plan.screw.travel_mm(place_mm) + lag_mm)
        seen[beside] = (yard.off_deg(satellite), -yard.signal_db())
    assert min(seen, key=lambda k: seen[k][0]) == 0
    assert min(seen, key=lambda k: seen[k][1]) == 0


def test_motor_brings_the_dish_to_the_peak_from_the_side_that_was_asked_for() -> None:
    yard = still("tussock-downs")
    peak = yard.peak_pulses("Whimbrel", arriving="west")
    assert peak is not None
    drive_to(yard, peak, way="west")
    arrived_deg = yard.off_deg("Whimbrel")
    for name, beside in (("before", -8.0), ("behind", 8.0)):
        drive_to(yard, peak + beside, way="west")
        assert yard.off_deg("Whimbrel") > arrived_deg, name


def test_peaks_from_the_two_sides_are_apart_by_the_backlash() -> None:
    yard = still("tussock-downs")
    west = yard.peak_pulses("Heron", arriving="west")
    east = yard.peak_pulses("Heron", arriving="east")
    assert west is not None
    assert east is not None
    play_pulses = TUSSOCK_DOWNS.screw.backlash_mm * TUSSOCK_DOWNS.ring.pulses_per_mm
    periodic_pulses = 4 * TUSSOCK_DOWNS.screw.periodic_mm * TUSSOCK_DOWNS.ring.pulses_per_mm
    assert west - east == pytest.approx(play_pulses, abs=periodic_pulses)
    assert yard.peak_count("Heron") == floor(west)


def test_crooked_mount_costs_some_signal_and_leaves_the_satellites_findable() -> None:
    for plan in SCENARIOS.values():
        yard = still(plan.name)
        missed = []
        for satellite in plan.satellites:
            peak = yard.peak_pulses(satellite.name)
            if peak is not None:
                yard.actuator.place(plan.ring.place_mm(peak))
                missed.append(yard.off_deg(satellite.name))
        assert len(missed) >= 10
        assert 0.2 < max(missed) < plan.beam.width_deg


def test_signal_noise_has_the_size_it_should() -> None:
    yard = Yard(replace(TUSSOCK_DOWNS, wind=Wind(), receiver_noise_db=0.2), seed=2)
    levels = [yard.signal_db() for _ in range(400)]
    mean = sum(levels) / 400
    spread = (sum((x - mean) ** 2 for x in levels) / 400) ** 0.5
    assert spread == pytest.approx(0.2, rel=0.15)


def test_wind_shakes_the_signal_and_still_air_does_not() -> None:
    def spread_db(wind: Wind) -> float:
        yard = Yard(replace(TUSSOCK_DOWNS, wind=wind))
        peak = yard.peak_pulses("Heron")
        assert peak is not None
        yard.actuator.place(yard.plan.ring.place_mm(peak + 12))
        levels = []
        for _ in range(60):
            yard.step(0.25)
            levels.append(yard.signal_db(noisy=False))
        return max(levels) - min(levels)

    assert spread_db(Wind()) == 0.0
    assert spread_db(Wind(shake_deg=0.3)) > 0.1


@pytest.mark.parametrize("name", SCENARIOS)
def test_hidden_lengths_differ_from_the_tape_but_not_by_much(name: str) -> None:
    plan, tape = SCENARIOS[name], TAPES[name]
    pairs = [
        (plan.triangle.dish_arm_mm, tape.dish_arm_mm),
        (plan.triangle.mast_arm_mm, tape.mast_arm_mm),
        (plan.screw.retracted_mm, tape.retracted_mm),
        (plan.screw.stroke_mm, tape.stroke_mm),
    ]
    assert all(0.1 < abs(true - taped) < 4.0 for true, taped in pairs)
    assert 0.001 < abs(plan.ring.pulses_per_mm - tape.pulses_per_mm) < 0.02


@pytest.mark.parametrize("name", SCENARIOS)
def test_each_scenario_has_ten_birds_in_reach_and_one_beyond(name: str) -> None:
    yard = still(name)
    reach = [yard.peak_count(s.name) is not None for s in yard.plan.satellites]
    assert 10 <= len(reach) <= 14
    assert sum(reach) >= 10
    assert not all(reach)
    assert len({s.name for s in yard.plan.satellites}) == len(reach)


def test_scenario_takes_another_motor_speed_and_start() -> None:
    plan = scenario("tussock-downs", speed_mm_per_s=25.0, start_mm=40.0)
    assert Yard(plan).actuator.screw_mm == 40.0
    assert plan.motor.speed_mm_per_s == 25.0
    assert plan.motor.coast_mm == TUSSOCK_DOWNS.motor.coast_mm


def test_unknown_scenario_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ConfigError, match="there are: tussock-downs, alder-fen"):
        scenario("elsewhere")


DRAWN = range(60)


@pytest.mark.parametrize("seed", DRAWN)
def test_drawn_yards_stay_within_their_ranges(seed: int) -> None:
    plan = yard_from(seed).plan
    per_mm = plan.ring.pulses_per_mm
    per_deg = abs(plan.triangle.rod_mm(0.5) - plan.triangle.rod_mm(-0.5)) * per_mm
    assert 8 <= per_deg <= 20
    assert 3 <= plan.motor.speed_mm_per_s <= 12
    assert plan.motor.speed_mm_per_s * per_mm <= 50.001
    assert 0 <= plan.motor.coast_mm * per_mm <= 6
    assert 0 <= plan.screw.backlash_mm * per_mm <= 4
    assert 0 <= plan.bounce_s <= 0.002
    assert 380 <= plan.triangle.dish_arm_mm <= plan.triangle.mast_arm_mm * 1.06
    assert plan.triangle.mast_arm_mm <= 680
    assert 450 <= plan.screw.stroke_mm <= 630
    assert all(-180 < s.slot_deg <= 180 for s in plan.satellites)


def test_drawn_yards_come_from_both_hemispheres_and_sides() -> None:
    plans = [yard_from(seed).plan for seed in DRAWN]
    kinds = {(p.site.latitude_deg > 0, p.triangle.side, p.motor.brakes) for p in plans}
    assert len(kinds) == 8


@pytest.mark.parametrize("seed", range(20))
def test_drawn_yards_reach_most_of_their_sky(seed: int) -> None:
    yard = yard_from(seed)
    assert sum(yard.peak_count(s.name) is not None for s in yard.plan.satellites) >= 7
