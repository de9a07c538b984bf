import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import GeometryError
from controller.geometry.slots import format_slot, parse_slot, wrap_deg


@pytest.mark.parametrize(
    ("text", "slot_deg"),
    [
        ("124.0E", 124.0),
        ("30.5 W", -30.5),
        ("-30.5", -30.5),
        ("178,5 e", 178.5),
        ("  7w ", -7.0),
        ("+12", 12.0),
        ("-0", 0.0),
        ("0W", 0.0),
        (".5E", 0.5),
        ("5.E", 5.0),
        ("30.5°W", -30.5),
        ("30.5 deg W", -30.5),
        ("\N{MINUS SIGN}30.5", -30.5),
        ("- 30.5", -30.5),
        ("180E", 180.0),
        ("180W", 180.0),
        ("-180", 180.0),
    ],
)
def test_a_slot_is_read_as_people_write_it(text: str, slot_deg: float) -> None:
    assert parse_slot(text) == slot_deg


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "slot '' is not understood; write 124.0E, 30.5W or -30.5"),
        ("E", "is not understood"),
        ("Heron", "is not understood"),
        ("nan", "is not understood"),
        ("inf", "is not understood"),
        ("1e2", "is not understood"),
        ("30.5N", "is not understood"),
        ("30.5EE", "is not understood"),
        ("1.2.3E", "is not understood"),
        ("30 5E", "is not understood"),
        ("\N{ARABIC-INDIC DIGIT THREE}E", "is not understood"),
        ("-30.5W", r"'-30.5W' has a sign and a letter; write 30.5W or -30.5"),
        ("+30.5E", "has a sign and a letter"),
        ("180.1E", r"'180.1E' is past 180 degrees; count .* as W, 200E is 160W"),
        ("-180.1", "is past 180 degrees"),
        ("330", "is past 180 degrees"),
    ],
)
def test_what_is_no_slot_is_refused(text: str, message: str) -> None:
    with pytest.raises(GeometryError, match=message):
        parse_slot(text)


@pytest.mark.parametrize(
    ("slot_deg", "decimals", "text"),
    [
        (124.0, 1, "124.0E"),
        (-30.5, 1, "30.5W"),
        (0.0, 1, "0.0E"),
        (-0.04, 1, "0.0E"),
        (-0.06, 1, "0.1W"),
        (180.0, 1, "180.0E"),
        (-179.96, 1, "180.0E"),
        (190.0, 1, "170.0W"),
        (-0.25, 2, "0.25W"),
        (12.6, 0, "13E"),
    ],
)
def test_a_slot_is_written_with_its_side(slot_deg: float, decimals: int, text: str) -> None:
    assert format_slot(slot_deg, decimals=decimals) == text


def test_one_decimal_is_written_unless_said_otherwise() -> None:
    assert format_slot(30.26) == "30.3E"


@pytest.mark.parametrize("slot_deg", [float("nan"), float("inf")])
def test_no_number_is_no_slot(slot_deg: float) -> None:
    with pytest.raises(GeometryError, match="slot must be a number of degrees"):
        format_slot(slot_deg)


@given(st.integers(min_value=-1799, max_value=1800))
def test_what_is_written_is_read_back(tenths: int) -> None:
    assert parse_slot(format_slot(tenths / 10)) == tenths / 10


@pytest.mark.parametrize(
    ("angle_deg", "expected_deg"),
    [
        (180.0, 180.0),
        (-180.0, 180.0),
        (180.5, -179.5),
        (-180.5, 179.5),
        (540.0, 180.0),
        (359.0, -1.0),
        (720.0, 0.0),
    ],
)
def test_an_angle_is_brought_into_one_turn(angle_deg: float, expected_deg: float) -> None:
    assert wrap_deg(angle_deg) == expected_deg


@given(st.floats(min_value=-1e6, max_value=1e6))
def test_a_wrapped_angle_is_the_same_direction(angle_deg: float) -> None:
    wrapped_deg = wrap_deg(angle_deg)
    assert -180 < wrapped_deg <= 180
    turns = (angle_deg - wrapped_deg) / 360
    assert turns == pytest.approx(round(turns), abs=1e-9)


@given(st.floats(min_value=-180, max_value=180, exclude_min=True))
def test_what_is_inside_a_turn_stays_as_it_is(angle_deg: float) -> None:
    assert wrap_deg(angle_deg) == angle_deg


@pytest.mark.parametrize("limit_deg", [180.0, -180.0, 540.0])
def test_the_numbers_beside_the_seam_stay_inside(limit_deg: float) -> None:
    beside_deg = np.nextafter(limit_deg, [-1e9, 1e9])
    wrapped_deg = wrap_deg(beside_deg)
    assert np.all((wrapped_deg > -180) & (wrapped_deg <= 180))


def test_many_angles_keep_their_shape() -> None:
    wrapped_deg = wrap_deg(np.array([[0.0, 190.0], [-190.0, 360.0]]))
    assert wrapped_deg.tolist() == [[0.0, -170.0], [170.0, 0.0]]
    assert isinstance(wrap_deg(190.0), float)
