import pytest

from controller.core.motion import Direction
from controller.core.orders import Outcome
from controller.core.safety import SoftLimits
from controller.core.tasks import Asked, Finish, Journey, Leg, LimitSearch

EAST, WEST = Direction.EAST, Direction.WEST
SOFT = SoftLimits(east_pulses=10, west_pulses=990)


def journey(target: int, arrive: Direction = WEST, overshoot: int = 8) -> Journey:
    return Journey(
        Asked(command_id="a", what="test"),
        target_pulses=target,
        arrive=arrive,
        overshoot_pulses=overshoot,
        corrections_max=2,
        soft=SOFT,
    )


@pytest.mark.parametrize(
    ("target", "arrive", "count", "last", "leg"),
    [
        (500, WEST, 100, WEST, Leg(direction=WEST, target_pulses=500)),
        (500, WEST, 100, EAST, Leg(direction=WEST, target_pulses=500)),
        (500, WEST, 900, WEST, Leg(direction=EAST, target_pulses=492)),
        (500, WEST, 500, EAST, Leg(direction=EAST, target_pulses=492)),
        (500, WEST, 497, EAST, Leg(direction=EAST, target_pulses=492)),
        (500, WEST, 497, WEST, Leg(direction=WEST, target_pulses=500)),
        (500, WEST, 492, EAST, Leg(direction=WEST, target_pulses=500)),
        (500, EAST, 900, WEST, Leg(direction=EAST, target_pulses=500)),
        (500, EAST, 100, EAST, Leg(direction=WEST, target_pulses=508)),
        (12, WEST, 300, WEST, Leg(direction=EAST, target_pulses=10)),
        (988, EAST, 300, EAST, Leg(direction=WEST, target_pulses=990)),
    ],
)
def test_the_first_leg(
    target: int, arrive: Direction, count: int, last: Direction, leg: Leg
) -> None:
    assert journey(target, arrive).next_step(count, last) == leg


def test_it_ends_on_the_target_only_from_the_right_side() -> None:
    assert journey(500).next_step(500, WEST) == Finish(outcome=Outcome.ARRIVED, text="at count 500")
    assert isinstance(journey(500).next_step(500, EAST), Leg)
    assert isinstance(journey(500).next_step(500, None), Leg)


def test_a_back_off_that_stops_short_is_not_repeated() -> None:
    trip = journey(500)
    assert trip.next_step(900, WEST) == Leg(direction=EAST, target_pulses=492)
    assert trip.next_step(494, EAST) == Leg(direction=WEST, target_pulses=500)


def test_corrections_are_counted_and_given_up_with_the_truth() -> None:
    trip = journey(500)
    assert isinstance(trip.next_step(100, WEST), Leg)
    assert isinstance(trip.next_step(503, WEST), Leg)
    assert isinstance(trip.next_step(503, WEST), Leg)
    assert trip.next_step(503, WEST) == Finish(
        outcome=Outcome.STOPPED, text="at count 503, 3 pulse(s) west of the target"
    )
    assert trip.corrections == 3


@pytest.mark.parametrize(("count", "corrections"), [(480, 1), (479, 0)])
def test_going_on_after_an_interruption_is_no_correction(count: int, corrections: int) -> None:
    trip = journey(500)
    trip.next_step(100, WEST)
    trip.next_step(count, WEST)
    assert trip.corrections == corrections


def test_one_pulse_beside_after_all_corrections_still_counts_as_arrived() -> None:
    trip = journey(500)
    for _ in range(3):
        trip.next_step(499, WEST)
    end = trip.next_step(499, WEST)
    assert end == Finish(
        outcome=Outcome.ARRIVED, text="at count 499, 1 pulse(s) east of the target"
    )


def test_without_overshoot_any_side_is_right() -> None:
    assert journey(500, overshoot=0).next_step(600, WEST) == Leg(direction=EAST, target_pulses=500)
    assert isinstance(journey(500, overshoot=0).next_step(500, EAST), Finish)


def test_a_limit_search_goes_east_then_west_then_inside() -> None:
    search = LimitSearch(Asked(command_id="a", what="limits"), margin_pulses=12)
    assert search.next_step(0, None) == Leg(direction=EAST, target_pulses=None)
    search.east_found = True
    assert search.next_step(0, EAST) == Leg(direction=WEST, target_pulses=None)
    search.west_limit_pulses = 1000
    assert search.next_step(1000, WEST) == Leg(direction=EAST, target_pulses=986)
    assert search.next_step(986, EAST) == Finish(
        outcome=Outcome.ARRIVED, text="both ends found, 1000 pulses apart"
    )
