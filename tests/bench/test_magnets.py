from math import floor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.bench.magnets import Reed, Ring

RING = Ring(pulses_per_mm=2.0, closed_part=0.4, hysteresis_part=0.03, first_pulses=0.75)


def go(reed: Reed, from_mm: float, to_mm: float) -> int:
    """Pass every edge up to a place; return how many there were."""
    way, passed = (1 if to_mm > from_mm else -1), 0
    while (reed.next_place_mm(way) - to_mm) * way < 0:
        reed.pass_edge(way)
        passed += 1
    return passed


def test_count_is_zero_at_the_east_end_and_one_behind_the_first_magnet() -> None:
    assert Reed(RING, 0.0).count_pulses == 0
    assert Reed(RING, 0.374).count_pulses == 0  # first magnet at 0.75 of 0.5 mm
    assert Reed(RING, 0.376).count_pulses == 1


@pytest.mark.parametrize(
    ("place", "closed"), [(7.01, True), (7.39, True), (7.41, False), (7.99, False)]
)
def test_reed_put_over_a_magnet_is_closed(place: float, closed: bool) -> None:
    assert Reed(RING, RING.place_mm(place)).is_closed is closed


def test_every_pitch_closes_the_reed_once() -> None:
    reed = Reed(RING, 0.0)
    go(reed, 0.0, 100.0)
    assert reed.count_pulses == 200  # 100 mm at 2 per mm, the first at 0.375 mm


def test_reed_is_closed_over_its_part_of_the_pitch() -> None:
    # Toward west it closes late by the hysteresis and opens late by the same.
    reed = Reed(RING, 0.3)
    closes_mm = reed.next_place_mm(1)
    reed.pass_edge(1)
    assert reed.is_closed
    assert reed.next_place_mm(1) - closes_mm == pytest.approx(0.4 * 0.5)


def test_reed_lets_go_later_than_it_pulls_in() -> None:
    reed = Reed(RING, 0.3)
    pulls_in_mm = reed.next_place_mm(1)
    reed.pass_edge(1)
    assert pulls_in_mm - reed.next_place_mm(-1) == pytest.approx(2 * 0.03 * 0.5)


def test_turning_round_on_a_magnet_leaves_the_count_as_it_was() -> None:
    reed = Reed(RING, 10.0)
    before = reed.count_pulses
    go(reed, 10.0, 10.4)
    assert reed.is_closed
    assert reed.count_pulses == before + 1
    go(reed, 10.4, 10.0)
    assert reed.count_pulses == before


@given(st.lists(st.floats(5.0, 295.0), min_size=1, max_size=12))
def test_count_depends_on_the_place_and_not_on_the_way_there(places_mm: list[float]) -> None:
    reed, at_mm = Reed(RING, 150.0), 150.0
    for place_mm in places_mm:
        go(reed, at_mm, place_mm)
        at_mm = place_mm
    pulses = RING.pulses_at(at_mm)
    near_an_edge = abs(pulses - round(pulses)) <= RING.hysteresis_part + 1e-9
    assert near_an_edge or reed.count_pulses == floor(pulses)
    assert abs(reed.count_pulses - floor(pulses)) <= 1


def test_second_reed_follows_a_quarter_pitch_later_going_west() -> None:
    first, second = Reed(RING, 10.0), Reed(RING, 10.0, shift_pulses=0.25)
    gap_mm = second.next_place_mm(1) - first.next_place_mm(1)
    assert gap_mm % 0.5 == pytest.approx(0.25 * 0.5)
