from math import acos, degrees, hypot

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.bench.rod import Screw, Triangle
from controller.errors import GeometryError

SIDES = ["east", "west"]

# Eisenstein triples (number theory): two arms, the angle between them, the side opposite.
INTEGER_TRIANGLES = [(5, 8, 60, 7), (3, 8, 60, 7), (3, 5, 120, 7), (3, 4, 90, 5)]

# Law of cosines for arms of 500 and 800 mm: angle, rod to four decimals.
TABLE = [(30, 444.0492), (60, 700.0), (75, 826.4047), (105, 1047.4040), (120, 1135.7817)]


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(("a", "b", "angle", "c"), INTEGER_TRIANGLES)
def test_rod_of_a_plain_triangle_is_exact(side: str, a: int, b: int, angle: int, c: int) -> None:
    triangle = Triangle(side=side, dish_arm_mm=a, mast_arm_mm=b, opening_at_top_deg=angle)
    assert triangle.rod_mm(0.0) == pytest.approx(c, rel=1e-12)


@pytest.mark.parametrize(("side", "way"), [("east", 1), ("west", -1)])
@pytest.mark.parametrize(("angle", "rod"), TABLE)
def test_rod_grows_away_from_the_side_where_it_is_fixed(
    side: str, way: int, angle: float, rod: float
) -> None:
    triangle = Triangle(side=side, dish_arm_mm=500, mast_arm_mm=800, opening_at_top_deg=90)
    assert triangle.rod_mm(way * (angle - 90)) == pytest.approx(rod, abs=5e-5)
    assert triangle.hour_angle_deg(rod) == pytest.approx(way * (angle - 90), abs=1e-5)


def test_angle_of_three_sides_is_the_books() -> None:
    # M. Corral, "Trigonometry", Example 2.6: sides 2, 3, 4 give 104.5 degrees opposite 4.
    triangle = Triangle(side="east", dish_arm_mm=2, mast_arm_mm=3, opening_at_top_deg=90)
    assert 90 + triangle.hour_angle_deg(4.0) == pytest.approx(104.5, abs=0.05)
    assert 90 + triangle.hour_angle_deg(4.0) == pytest.approx(degrees(acos(-0.25)), abs=1e-9)


def test_pins_at_different_heights_lengthen_the_rod_as_pythagoras_says() -> None:
    triangle = Triangle(
        side="west", dish_arm_mm=300, mast_arm_mm=400, opening_at_top_deg=90, axial_offset_mm=1200
    )
    assert triangle.rod_mm(0.0) == pytest.approx(hypot(300, 400, 1200), rel=1e-12)  # 1300


@pytest.mark.parametrize("rod", [99.0, 900.5, 2000.0])
def test_a_rod_that_cannot_close_the_triangle_is_refused(rod: float) -> None:
    # Same case as M. Corral, "Trigonometry", Example 2.7: one side longer than the others.
    triangle = Triangle(side="east", dish_arm_mm=400, mast_arm_mm=500)
    with pytest.raises(GeometryError, match="does not reach between the two pins"):
        triangle.hour_angle_deg(rod)


@given(
    side=st.sampled_from(SIDES),
    dish=st.floats(380, 680),
    mast=st.floats(380, 680),
    offset=st.floats(-80, 80),
    hour=st.floats(-60, 60),
)
def test_hour_angle_and_rod_lead_back_to_each_other(
    side: str, dish: float, mast: float, offset: float, hour: float
) -> None:
    triangle = Triangle(side=side, dish_arm_mm=dish, mast_arm_mm=mast, axial_offset_mm=offset)
    assert triangle.hour_angle_deg(triangle.rod_mm(hour)) == pytest.approx(hour, abs=1e-6)


def test_screw_errs_the_same_in_every_turn() -> None:
    screw = Screw(retracted_mm=300, stroke_mm=600, lead_mm=4.0, periodic_mm=0.1)
    errors = [screw.travel_mm(x) - x for x in (1.0, 5.0, 201.0)]
    assert errors == pytest.approx([0.1, 0.1, 0.1], abs=1e-9)
    assert screw.travel_mm(3.0) - 3.0 == pytest.approx(-0.1, abs=1e-9)


@pytest.mark.parametrize(
    ("side", "at_east_mm", "at_west_mm"), [("east", 300, 900), ("west", 900, 300)]
)
def test_rod_is_in_at_the_end_beside_its_fixing(
    side: str, at_east_mm: float, at_west_mm: float
) -> None:
    screw = Screw(retracted_mm=300, stroke_mm=600)
    assert screw.rod_mm(0.0, side=side) == at_east_mm
    assert screw.rod_mm(600.0, side=side) == at_west_mm
