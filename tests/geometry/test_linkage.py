"""The actuator triangle: against books, exact triangles and pins turned in space."""

from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller.errors import GeometryError
from controller.geometry.linkage import DEAD_POINT_MARGIN_DEG, Linkage, Side

quick = settings(deadline=None, max_examples=100)
arms = st.floats(min_value=150, max_value=900)
offsets = st.floats(min_value=-120, max_value=120)
openings = st.floats(min_value=60, max_value=120)
sides = st.sampled_from(Side)
# From 5 deg to 175 deg between the arms.
shares = st.floats(min_value=0, max_value=1)


@st.composite
def linkages(draw: st.DrawFn) -> Linkage:
    return Linkage(
        dish_arm_mm=draw(arms),
        mast_arm_mm=draw(arms),
        opening_at_top_deg=draw(openings),
        axial_offset_mm=draw(offsets),
        side=draw(sides),
    )


def triangle(a_mm: float, b_mm: float, opening_deg: float = 90.0, **more: Any) -> Linkage:
    side = more.pop("side", Side.EAST)
    return Linkage(
        dish_arm_mm=a_mm, mast_arm_mm=b_mm, opening_at_top_deg=opening_deg, side=side, **more
    )


def hour_angle_of(linkage: Linkage, share: float) -> float:
    return linkage.side.sign * (5 + 170 * share - linkage.opening_at_top_deg)


# M. Corral, Trigonometry, examples 2.5 and 2.10 (two sides and the angle between them).
@pytest.mark.parametrize(
    ("a_mm", "b_mm", "angle_deg", "third_mm", "rounding_mm"),
    [(4, 5, 30, 2.52, 0.005), (5, 3, 96, 6.09, 0.005)],
)
def test_rod_spans_the_third_side_of_the_book(
    a_mm: float, b_mm: float, angle_deg: float, third_mm: float, rounding_mm: float
) -> None:
    rod_mm = triangle(a_mm, b_mm, angle_deg).rod_mm(0.0)
    assert rod_mm == pytest.approx(third_mm, abs=rounding_mm)


# M. Corral, Trigonometry, example 2.6 (sides 2, 3, 4): A 28.9, B 46.6, C 104.5 deg. The book takes
# A from the other two, rounded: it is 28.955.
@pytest.mark.parametrize(
    ("a_mm", "b_mm", "rod_mm", "angle_deg"), [(3, 4, 2, 28.9), (2, 4, 3, 46.6), (2, 3, 4, 104.5)]
)
def test_rod_length_gives_the_angle_of_the_book(
    a_mm: float, b_mm: float, rod_mm: float, angle_deg: float
) -> None:
    linkage = triangle(a_mm, b_mm)
    turned_deg = linkage.hour_angle_deg(rod_mm)
    assert linkage.opening_deg(turned_deg) == pytest.approx(angle_deg, abs=0.06)


# M. Corral, Trigonometry, example 2.7: sides 2, 3 and 6 make no triangle.
def test_impossible_triangle_of_the_book_is_refused() -> None:
    with pytest.raises(GeometryError, match=r"cannot close.*1\.0 to 5\.0 mm.*not 6\.0 mm"):
        triangle(2, 3).hour_angle_deg(6.0)


# Triangles with whole sides and an angle of 60, 120 or 90 deg, exact.
@pytest.mark.parametrize(
    ("a_mm", "b_mm", "angle_deg", "third_mm"),
    [(5, 8, 60, 7), (3, 8, 60, 7), (3, 5, 120, 7), (3, 4, 90, 5)],
)
def test_whole_triangles_are_exact(
    a_mm: float, b_mm: float, angle_deg: float, third_mm: float
) -> None:
    linkage = triangle(a_mm, b_mm, angle_deg)
    assert linkage.rod_mm(0.0) == pytest.approx(third_mm, rel=1e-12)
    assert linkage.hour_angle_deg(third_mm) == pytest.approx(0.0, abs=1e-12)


# Calculated apart from this program for arms of 500 and 800 mm, printed to four decimals.
@pytest.mark.parametrize(
    ("angle_deg", "rod_mm", "mm_per_deg"),
    [
        (30, 444.0492, 7.8610),
        (45, 569.4862, 8.6684),
        (60, 700.0000, 8.6371),
        (75, 826.4047, 8.1600),
        (90, 943.3981, 7.4002),
        (105, 1047.4040, 6.4382),
        (120, 1135.7817, 5.3232),
    ],
)
def test_length_and_slope_agree_with_the_table(
    angle_deg: float, rod_mm: float, mm_per_deg: float
) -> None:
    linkage = triangle(500, 800)
    turned_deg = angle_deg - 90.0
    assert linkage.rod_mm(turned_deg) == pytest.approx(rod_mm, abs=6e-5)
    assert linkage.mm_per_deg(turned_deg) == pytest.approx(mm_per_deg, abs=6e-5)
    assert np.radians(linkage.lever_arm_mm(turned_deg)) == pytest.approx(mm_per_deg, abs=6e-5)


@quick
@given(linkages(), shares)
def test_rod_length_leads_back_to_the_hour_angle(linkage: Linkage, share: float) -> None:
    turned_deg = hour_angle_of(linkage, share)
    assert linkage.hour_angle_deg(linkage.rod_mm(turned_deg)) == pytest.approx(turned_deg, abs=1e-9)


@quick
@given(linkages(), shares)
def test_stated_slope_is_the_actual_motion(linkage: Linkage, share: float) -> None:
    turned_deg, step_deg = hour_angle_of(linkage, share), 1e-4
    ahead_mm, behind_mm = linkage.rod_mm(np.array([turned_deg + step_deg, turned_deg - step_deg]))
    actual = (ahead_mm - behind_mm) / (2 * step_deg)
    assert linkage.mm_per_deg(turned_deg) == pytest.approx(actual, rel=1e-5)


@quick
@given(linkages(), shares)
def test_rod_is_the_distance_of_two_pins_in_space(linkage: Linkage, share: float) -> None:
    turned_deg = hour_angle_of(linkage, share)
    way = linkage.side.sign
    dish_rad = np.radians(turned_deg)  # x is the highest line, y is west, z the axis
    mast_rad = np.radians(-way * linkage.opening_at_top_deg)
    a, b, z = linkage.dish_arm_mm, linkage.mast_arm_mm, linkage.axial_offset_mm
    dish_pin = np.array([a * np.cos(dish_rad), a * np.sin(dish_rad), z])
    mast_pin = np.array([b * np.cos(mast_rad), b * np.sin(mast_rad), 0.0])
    assert linkage.rod_mm(turned_deg) == pytest.approx(np.linalg.norm(dish_pin - mast_pin))


@quick
@given(linkages(), shares)
def test_rod_grows_toward_west_on_side_east_and_shrinks_on_side_west(
    linkage: Linkage, share: float
) -> None:
    slope = linkage.mm_per_deg(hour_angle_of(linkage, share))
    assert slope > 0 if linkage.side is Side.EAST else slope < 0


def test_sides_are_mirror_images() -> None:
    east, west = (triangle(450, 610, 84, axial_offset_mm=35, side=side) for side in Side)
    turned_deg = np.linspace(-60, 60, 7)
    np.testing.assert_allclose(east.rod_mm(turned_deg), west.rod_mm(-turned_deg), rtol=1e-14)
    assert east.dead_points_deg == (-84, 96)
    assert west.dead_points_deg == (-96, 84)


@quick
@given(linkages())
def test_rod_turns_nothing_at_a_dead_point(linkage: Linkage) -> None:
    assume(linkage.shortest_mm > 1)  # equal arms in one plane fold to nothing
    ends_deg = linkage.dead_points_deg
    assert np.abs(linkage.lever_arm_mm(np.array(ends_deg))).max() < 1e-6
    lengths_mm = sorted(float(linkage.rod_mm(end_deg)) for end_deg in ends_deg)
    assert lengths_mm == pytest.approx([linkage.shortest_mm, linkage.longest_mm], abs=1e-6)


def test_axial_offset_lengthens_every_rod() -> None:
    # 3-4-5 across the axis and 12 along it: 13.
    assert triangle(3, 4, axial_offset_mm=12).rod_mm(0.0) == pytest.approx(13.0, rel=1e-14)
    assert triangle(3, 4, axial_offset_mm=12).hour_angle_deg(13.0) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("side", "ends_deg"), [(Side.EAST, (-30, 30)), (Side.WEST, (-30, 30))])
def test_travel_runs_from_the_east_to_the_west_limit(
    side: Side, ends_deg: tuple[float, float]
) -> None:
    linkage = triangle(500, 800, side=side)
    # 60 and 120 deg between the arms, from the table above.
    travel_deg = linkage.travel_deg(retracted_mm=700.0, stroke_mm=435.7817)
    assert travel_deg == pytest.approx(ends_deg, abs=1e-4)


@pytest.mark.parametrize("end", ["near", "far"])
@pytest.mark.parametrize(("beside_deg", "refused"), [(0.001, False), (-0.001, True)])
def test_travel_keeps_away_from_dead_points(end: str, beside_deg: float, refused: bool) -> None:
    linkage = triangle(500, 800)
    from_dead_deg = DEAD_POINT_MARGIN_DEG + beside_deg
    near_deg = from_dead_deg if end == "near" else 60.0
    far_deg = 180 - from_dead_deg if end == "far" else 120.0
    near_mm, far_mm = linkage.rod_mm(np.array([near_deg, far_deg]) - 90)
    if refused:
        with pytest.raises(GeometryError, match=r"pulls through the pivot.*move a pin"):
            linkage.travel_deg(retracted_mm=near_mm, stroke_mm=far_mm - near_mm)
    else:
        east_deg, west_deg = linkage.travel_deg(retracted_mm=near_mm, stroke_mm=far_mm - near_mm)
        assert (east_deg, west_deg) == pytest.approx((near_deg - 90, far_deg - 90), abs=1e-6)


@pytest.mark.parametrize("retracted_mm", [299.0, 1150.0])
def test_travel_that_no_triangle_spans_is_refused_with_bound_and_remedy(
    retracted_mm: float,
) -> None:
    with pytest.raises(GeometryError, match=r"300\.0 to 1300\.0 mm.*measure arms"):
        triangle(500, 800).travel_deg(retracted_mm=retracted_mm, stroke_mm=151.0)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"dish_arm_mm": 0.0}, "dish_arm_mm must be above 0, not 0"),
        ({"dish_arm_mm": np.nan}, "dish_arm_mm must be above 0, not nan"),
        ({"mast_arm_mm": -5.0}, "mast_arm_mm must be above 0, not -5"),
        ({"mast_arm_mm": np.inf}, "mast_arm_mm must be above 0, not inf"),
        ({"axial_offset_mm": np.nan}, "axial_offset_mm must be a number, not nan"),
        ({"opening_at_top_deg": 0.0}, "opening_at_top_deg must lie between 0 and 180, not 0"),
        ({"opening_at_top_deg": 180.0}, "opening_at_top_deg must lie between 0 and 180, not 180"),
    ],
)
def test_what_no_triangle_has_is_refused(changed: dict[str, float], said: str) -> None:
    good: dict[str, Any] = {"dish_arm_mm": 500.0, "mast_arm_mm": 600.0, "opening_at_top_deg": 90.0}
    with pytest.raises(GeometryError, match=said):
        Linkage(**(good | changed), side=Side.EAST)


@pytest.mark.parametrize(("retracted_mm", "stroke_mm"), [(0, 100), (400, 0), (np.nan, 100)])
def test_rod_without_a_length_is_refused(retracted_mm: float, stroke_mm: float) -> None:
    with pytest.raises(GeometryError, match="must both be above 0"):
        triangle(500, 600).travel_deg(retracted_mm=retracted_mm, stroke_mm=stroke_mm)
