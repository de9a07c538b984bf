from dataclasses import replace
from itertools import pairwise, zip_longest
from math import inf

import pytest

from controller.bench.contact import Edge, Source
from controller.bench.drawn import plan_from, yard_from
from controller.bench.scenario import ALDER_FEN, SCENARIOS, TUSSOCK_DOWNS, scenario
from controller.bench.wires import TwoRelays, Wires
from controller.bench.yard import Yard

STABLE_S = 0.003


def settled(edges: list[Edge], source: Source = Source.REED) -> list[Edge]:
    """Return the first edge of every change that lasts for `STABLE_S`."""
    changes: list[Edge] = []
    own = [e for e in edges if e.source is source]
    first = None
    for edge, after in zip_longest(own, own[1:]):
        first = first or edge
        if after is None or after.at_s - edge.at_s >= STABLE_S:
            if not changes or changes[-1].closed != edge.closed:
                changes.append(replace(edge, at_s=first.at_s))
            first = None
    return changes


def counted(edges: list[Edge], way: int) -> int:
    """Count as the ring does: closings toward west, openings toward east."""
    return way * sum(e.closed == (way > 0) for e in settled(edges))


@pytest.mark.parametrize("seed", range(25))
def test_settled_edges_of_any_yard_add_up_to_its_true_count(seed: int) -> None:
    yard = yard_from(seed)
    count = yard.count_pulses
    for east, west, run_s in [(0, 1, 3.0), (1, 0, 4.0), (0, 1, 0.15), (1, 0, 0.1), (0, 1, 2.0)]:
        yard.set_drive(east=bool(east), west=bool(west))
        edges = yard.step(run_s)
        yard.set_drive()
        edges += yard.step(3.0)
        count += counted(edges, 1 if west else -1)
        assert count == yard.count_pulses


@pytest.mark.parametrize("name", SCENARIOS)
def test_edges_come_in_order_of_time_and_change_something(name: str) -> None:
    yard = Yard(scenario(name), seed=4)
    yard.set_drive(west=True)
    edges = yard.step(20.0)
    assert len(edges) > 100
    assert [e.at_s for e in edges] == sorted(e.at_s for e in edges)
    for source in {e.source for e in edges}:
        levels = [e.closed for e in edges if e.source is source]
        assert all(a != b for a, b in pairwise(levels))


def test_same_seed_gives_the_same_edges_and_another_seed_others() -> None:
    def run(seed: int) -> list[Edge]:
        yard = Yard(TUSSOCK_DOWNS, seed=seed)
        yard.set_drive(east=True)
        return yard.step(5.0)

    assert run(7) == run(7)
    assert run(7) != run(8)
    assert plan_from(3) == plan_from(3)


def test_steps_of_any_size_lead_to_the_same_edges() -> None:
    def run(step_s: float) -> list[tuple[float, bool]]:
        yard, edges = Yard(TUSSOCK_DOWNS, seed=1), []
        yard.set_drive(west=True)
        while yard.now_s < 4.0 - 1e-9:
            edges += yard.step_to(min(4.0, yard.now_s + step_s))
        return [(round(e.at_s, 6), e.closed) for e in edges if e.at_s < 3.9]

    # A step begins a new stretch, at whose start the load is looked up anew.
    coarse, fine = run(4.0), run(0.0137)
    assert len(coarse) == len(fine)
    assert [t for t, _ in fine] == pytest.approx([t for t, _ in coarse], abs=1e-4)


def test_next_edge_stops_at_the_edge_so_that_an_answer_takes_effect_there() -> None:
    yard = Yard(replace(TUSSOCK_DOWNS, bounce_s=0.0))
    yard.set_drive(west=True)
    edge = yard.next_edge(inf)
    assert edge is not None
    assert yard.now_s == edge.at_s
    yard.set_drive()
    speed = yard.actuator.speed_mm_per_s
    yard.step(0.003)  # less than the relay needs to let go
    assert yard.actuator.speed_mm_per_s >= speed
    yard.step(2.0)
    assert not yard.moving


def test_next_edge_without_motion_only_takes_the_time() -> None:
    yard = Yard(TUSSOCK_DOWNS, now_s=100.0)
    assert yard.next_edge(500.0) is None
    assert yard.now_s == 500.0
    assert yard.asleep_until_s() == inf


def run_into(yard: Yard, end: str) -> None:
    yard.set_drive(east=end == "east", west=end == "west")
    yard.step(yard.plan.screw.stroke_mm / yard.plan.motor.speed_mm_per_s * 1.3 + 5.0)


@pytest.mark.parametrize("seed", range(12))
def test_east_end_is_count_zero(seed: int) -> None:
    yard = yard_from(seed)
    run_into(yard, "east")
    truth = yard.truth()
    assert (truth.count_pulses, truth.at_east_end, truth.moving) == (0, True, False)


@pytest.mark.parametrize("end", ["east", "west"])
@pytest.mark.parametrize("name", SCENARIOS)
def test_end_switch_takes_the_current_and_lets_the_screw_go_back(name: str, end: str) -> None:
    yard = Yard(scenario(name))
    run_into(yard, end)
    assert abs(yard.truth().voltage_ratio) == 1.0
    assert yard.truth().current_a == 0.0
    at_end = yard.count_pulses
    yard.set_drive()
    yard.step(1.0)
    yard.set_drive(east=end == "west", west=end == "east")
    yard.step(1.0)
    assert yard.truth().current_a > 0.5
    assert (yard.count_pulses - at_end) * (1 if end == "east" else -1) > 3
    assert yard.truth().crimes == ()


def test_screw_stops_at_the_mechanical_end_when_the_end_switch_is_dead() -> None:
    yard = Yard(TUSSOCK_DOWNS)
    yard.apply("end-switch-dead", side="west")
    run_into(yard, "west")
    truth = yard.truth()
    assert truth.screw_mm == TUSSOCK_DOWNS.screw.stroke_mm
    assert truth.current_a == pytest.approx(TUSSOCK_DOWNS.motor.stall_a)
    assert not truth.moving


def test_dish_waits_until_the_play_is_taken_up() -> None:
    yard = Yard(TUSSOCK_DOWNS)
    play_mm = TUSSOCK_DOWNS.screw.backlash_mm
    yard.set_drive(west=True)
    yard.step(2.0)
    yard.set_drive()
    yard.step(2.0)
    rod_mm, screw_mm = yard.rod_mm, yard.actuator.screw_mm
    yard.set_drive(east=True)
    while screw_mm - yard.actuator.screw_mm < 0.9 * play_mm:
        assert yard.rod_mm == rod_mm
        yard.step(0.002)
    yard.step(1.0)
    assert yard.rod_mm != rod_mm


def test_rod_on_the_west_side_pulls_in_when_the_count_grows() -> None:
    yard = Yard(TUSSOCK_DOWNS)
    rod_mm, hour_deg = yard.rod_mm, yard.hour_angle_deg
    yard.set_drive(west=True)
    yard.step(5.0)
    assert yard.rod_mm < rod_mm - 15
    assert yard.hour_angle_deg > hour_deg + 2


@pytest.mark.parametrize(("way", "leads"), [("west", Source.REED), ("east", Source.SECOND)])
def test_first_sensor_leads_toward_west_and_second_toward_east(way: str, leads: Source) -> None:
    wires = replace(ALDER_FEN.wires, second_pin=27)
    yard = Yard(replace(ALDER_FEN, wires=wires, bounce_s=0.0))
    yard.set_drive(east=way == "east", west=way == "west")
    yard.step(1.0)
    edges = [e for e in yard.step(3.0) if e.source in {Source.REED, Source.SECOND}]
    for before, edge in pairwise(edges):
        if edge.closed and before.closed:
            assert before.source is leads
    assert sum(e.source is Source.SECOND for e in edges) > 20


def test_limit_switches_that_the_board_sees_close_a_few_pulses_before_the_end() -> None:
    yard = Yard(ALDER_FEN)
    run_into(yard, "east")
    assert yard.input_level(20) == 0
    assert yard.input_level(21) == 1
    yard.set_drive()
    yard.step(1.0)
    yard.set_drive(west=True)
    edge = next(e for e in yard.run_until(yard.now_s + 5) if e.source is Source.EAST_LIMIT)
    assert not edge.closed
    assert yard.count_pulses in {3, 4}


def test_contacts_read_low_when_closed_and_follow_the_pull_when_open() -> None:
    yard = Yard(replace(TUSSOCK_DOWNS, wires=Wires(hold_pin=24)))
    assert yard.input_level(24, pull="up") == 1
    assert yard.input_level(24, pull="down") == 0
    yard.press(Source.HOLD)
    yard.step(0.1)
    assert yard.input_level(24, pull="up") == 0
    supplied = Yard(replace(TUSSOCK_DOWNS, wires=Wires(hold_pin=24, contacts_to_supply=True)))
    supplied.press(Source.HOLD)
    supplied.step(0.1)
    assert supplied.input_level(24, pull="down") == 1


def test_stop_contact_is_closed_until_somebody_presses() -> None:
    yard = Yard(replace(TUSSOCK_DOWNS, wires=Wires(stop_pin=23)))
    assert yard.input_level(23) == 0
    yard.press(Source.STOP)
    assert yard.step(0.1)[0] == Edge(at_s=0.0, source=Source.STOP, closed=False)
    assert yard.input_level(23) == 1
    yard.press(Source.STOP, down=False)
    yard.step(0.1)
    assert yard.input_level(23) == 0


def test_reversing_a_turning_motor_is_written_down() -> None:
    yard = Yard(TUSSOCK_DOWNS)
    yard.set_drive(west=True)
    yard.step(1.0)
    yard.set_drive(east=True)
    yard.step(1.0)
    assert "reversed while still moving" in [c.what for c in yard.truth().crimes]


def test_soft_start_by_duty_turns_the_screw_slower() -> None:
    def way_mm(duty: float) -> float:
        yard = Yard(replace(TUSSOCK_DOWNS, wires=Wires(drive=TwoRelays())))
        yard.wiring.supply = duty
        start_mm = yard.actuator.screw_mm
        yard.set_drive(west=True)
        yard.step(4.0)
        return yard.actuator.screw_mm - start_mm

    assert way_mm(0.5) == pytest.approx(way_mm(1.0) / 2, rel=0.02)


def test_kept_yard_resumes_where_it_stood_with_its_levels() -> None:
    yard = Yard(TUSSOCK_DOWNS)
    yard.set_drive(west=True)
    yard.step(3.0)
    again = Yard(TUSSOCK_DOWNS, now_s=50.0)
    again.resume(yard.kept())
    assert again.rod_mm == yard.rod_mm
    assert again.count_pulses == yard.count_pulses
    assert again.wiring.levels == yard.wiring.levels
    again.step(1.0)
    assert again.count_pulses > yard.count_pulses  # the relay was left on


def test_a_loose_screw_creeps_in_gusts_and_a_held_one_does_not() -> None:
    def way_mm(push: float) -> float:
        yard = Yard(replace(TUSSOCK_DOWNS, wind=replace(TUSSOCK_DOWNS.wind, push_mm_per_s=push)))
        start_mm, furthest_mm = yard.actuator.screw_mm, 0.0
        for _ in range(120):
            yard.step(1.0)
            furthest_mm = max(furthest_mm, abs(yard.actuator.screw_mm - start_mm))
        return furthest_mm

    assert way_mm(0.0) == 0.0
    assert 0.2 < way_mm(0.5) < 20.0
