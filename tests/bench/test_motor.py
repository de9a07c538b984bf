from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.bench.motor import Motor, Stretch

BOTH_KINDS = [True, False]


def small_steps(stretch: Stretch, s: float, n: int = 20_000) -> tuple[float, float]:
    """Integrate the law of motion by the midpoint rule, without its solution."""
    v, x, dt = stretch.speed_mm_per_s, 0.0, s / n
    for _ in range(n):
        middle = v + (stretch.target_mm_per_s - v) / stretch.constant_s * dt / 2
        v += (stretch.target_mm_per_s - middle) / stretch.constant_s * dt
        x += middle * dt
    return v, x


@pytest.mark.parametrize(
    "stretch",
    [
        Stretch(speed_mm_per_s=0.0, target_mm_per_s=6.0, constant_s=0.1),
        Stretch(speed_mm_per_s=5.0, target_mm_per_s=-50.0, constant_s=2.0),
        Stretch(speed_mm_per_s=-4.0, target_mm_per_s=6.0, constant_s=0.05),
    ],
)
def test_solved_motion_is_the_same_as_many_small_steps(stretch: Stretch) -> None:
    v, x = small_steps(stretch, 0.15)
    assert stretch.speed_after(0.15) == pytest.approx(v, abs=1e-5)
    assert stretch.way_mm(0.15) == pytest.approx(x, abs=1e-6)


def test_motor_has_two_thirds_of_its_speed_after_one_time_constant() -> None:
    stretch = Stretch(speed_mm_per_s=0.0, target_mm_per_s=8.0, constant_s=0.1)
    assert stretch.speed_after(0.1) == pytest.approx(8.0 * (1 - exp(-1)), rel=1e-12)


def coasting(motor: Motor, part: float = 1.0) -> Stretch:
    return Stretch(
        speed_mm_per_s=part * motor.speed_mm_per_s,
        target_mm_per_s=-motor.drag * motor.speed_mm_per_s,
        constant_s=motor.coast_s,
    )


@pytest.mark.parametrize("brakes", BOTH_KINDS)
@pytest.mark.parametrize("coast_mm", [0.01, 1.0, 3.2])
def test_motor_coasts_as_far_as_it_says(brakes: bool, coast_mm: float) -> None:
    stretch = coasting(Motor(speed_mm_per_s=5.0, coast_mm=coast_mm, brakes=brakes))
    stops_s = stretch.turning_s()
    assert stops_s is not None
    assert stretch.way_mm(stops_s) == pytest.approx(coast_mm, rel=1e-9)
    assert stretch.speed_after(stops_s) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("brakes", "part_of_way"), [(True, 0.5), (False, 0.25)])
def test_half_the_speed_coasts_half_as_far_braked_and_a_quarter_by_friction(
    brakes: bool, part_of_way: float
) -> None:
    # A braking winding takes speed off in proportion to it, dry friction at a constant rate.
    stretch = coasting(Motor(speed_mm_per_s=5.0, coast_mm=2.0, brakes=brakes), part=0.5)
    stops_s = stretch.turning_s()
    assert stops_s is not None
    rest_of_the_other_kind = 0.12  # neither kind is pure
    assert stretch.way_mm(stops_s) / 2.0 == pytest.approx(part_of_way, rel=rest_of_the_other_kind)


@given(
    v=st.floats(0, 12),
    target=st.floats(0.5, 12),
    constant=st.floats(0.02, 0.3),
    part=st.floats(0.001, 1.0),
)
def test_time_of_a_way_is_when_the_way_is_covered(
    v: float, target: float, constant: float, part: float
) -> None:
    stretch = Stretch(speed_mm_per_s=v, target_mm_per_s=target, constant_s=constant)
    way_mm = part * stretch.way_mm(1.0)
    assert stretch.way_mm(stretch.time_of_s(way_mm, 1.0)) == pytest.approx(way_mm, abs=1e-9)


def test_a_motor_that_is_not_turned_back_never_passes_zero() -> None:
    driven = Stretch(speed_mm_per_s=5.0, target_mm_per_s=3.0, constant_s=0.1)
    assert driven.turning_s() is None
