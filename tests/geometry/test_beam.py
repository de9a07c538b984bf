from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import j1

from controller.errors import GeometryError
from controller.geometry.beam import (
    LIGHT_M_PER_S,
    SIDELOBE_DB,
    beamwidth_deg,
    gain_db,
    offset_for_loss_deg,
    pointing_loss_db,
    wavelength_m,
)

quick = settings(deadline=None, max_examples=100)
beamwidths = st.floats(min_value=0.1, max_value=10)

arithmetic_db, arithmetic_deg = 0.005, 0.001
BOOK_LIGHT = 3e8  # the books round the speed of light; ours would be 0.07 % off theirs


def test_a_dish_of_3_m_at_4_ghz_is_that_of_the_book() -> None:
    # R. Blake, Electronic Communication Systems, Example 20.9, p. 769 (companion).
    wave_m = BOOK_LIGHT / 4e9
    assert gain_db(3.0, wave_m, efficiency=0.55) == pytest.approx(39.39, abs=arithmetic_db)
    assert beamwidth_deg(3.0, wave_m) == pytest.approx(1.75, abs=arithmetic_deg)


def test_a_beam_of_8_deg_is_that_of_the_book() -> None:
    # Stanley & Jeffords, Electronic Communications, Example 17.3, p. 552 (companion): from 3.7 GHz
    # and 8 deg follow 8.1081 cm, 0.7095 m and 26.565 dB.
    wave_m = BOOK_LIGHT / 3.7e9
    assert beamwidth_deg(0.7095, wave_m) == pytest.approx(8, abs=arithmetic_deg)
    assert gain_db(0.7095, wave_m, efficiency=0.6) == pytest.approx(26.565, abs=arithmetic_db)


def test_gain_by_beamwidth_is_that_of_the_book() -> None:
    # The same, Example 17.4, p. 553: 40.51 dB (11250) for 1.6 deg. The book rounds (70 pi) ** 2 =
    # 48361 to 48000, which is 0.0325 dB.
    across = 70 / 1.6  # wavelengths in the diameter
    found = gain_db(across, 1.0, efficiency=0.6)
    assert found - 10 * np.log10(48361 / 48000) == pytest.approx(40.5115, abs=arithmetic_db)


def test_a_dish_of_12_m_is_that_of_the_book() -> None:
    # The same, Example 15-1, p. 511: 10 GHz, 0.7.
    wave_m = BOOK_LIGHT / 10e9
    assert beamwidth_deg(12.0, wave_m) == pytest.approx(0.175, abs=arithmetic_deg)
    assert gain_db(12.0, wave_m, efficiency=0.7) == pytest.approx(60.4, abs=0.05)


def test_a_dish_of_30_m_is_that_of_the_book() -> None:
    # D. C. Agarwal, Satellite Communications, solved problem 15 (companion): G/T 41.6 dB at a
    # noise temperature of 19 dB.
    wave_m = BOOK_LIGHT / 4.15e9
    assert gain_db(30.0, wave_m, efficiency=0.68) - 19 == pytest.approx(41.6, abs=0.05)
    assert gain_db(30.0, wave_m, efficiency=0.68) == pytest.approx(60.629, abs=arithmetic_db)


# Efficiency 0.60, exact speed of light, by an independent calculation: gain and beamwidth.
@pytest.mark.parametrize(
    ("diameter", "rows"),
    [
        (1.8, [(33.92, 3.429), (34.66, 3.151), (35.33, 2.915), (35.76, 2.776)]),
        (2.4, [(36.42, 2.572), (37.16, 2.363), (37.83, 2.186), (38.26, 2.082)]),
        (3.0, [(38.36, 2.057), (39.09, 1.891), (39.77, 1.749), (40.20, 1.666)]),
        (3.7, [(40.18, 1.668), (40.92, 1.533), (41.59, 1.418), (42.02, 1.350)]),
        (4.5, [(41.88, 1.372), (42.62, 1.260), (43.29, 1.166), (43.72, 1.110)]),
    ],
)
def test_gain_and_beamwidth_are_as_tabled(diameter: float, rows: list[tuple[float, float]]) -> None:
    waves_m = wavelength_m(np.array([3.4, 3.7, 4.0, 4.2]))
    gains, widths = zip(*rows, strict=True)
    assert gain_db(diameter, waves_m) == pytest.approx(gains, abs=0.0051)
    assert beamwidth_deg(diameter, waves_m) == pytest.approx(widths, abs=0.00051)


@pytest.mark.parametrize(
    ("width", "offset", "loss", "tolerance"),
    [
        # rfessentials.com, antenna pointing loss: 1.2 m at 12 GHz, beamwidth 1.46 deg.
        (70 * 0.025 / 1.2, 0.1, 0.056, 0.0005),
        (70 * 0.025 / 1.2, 0.5, 1.41, 0.005),
        (70 * 0.025 / 1.2, 1.0, 5.6, 0.05),
        # ITU, World Radiocommunication Conference 2015, Final Acts, Resolution 553, Fig. 1 curve A.
        (1.0, 0.5, 3.0, 1e-9),
        # 3 m at 4 GHz, by an independent calculation.
        (1.75, 0.10, 0.039, 0.0005),
        (1.75, 0.25, 0.245, 0.0005),
        (1.75, 0.55, 1.185, 0.0005),
        (1.75, 0.875, 3.000, 0.0005),
    ],
)
def test_pointing_loss_is_the_published_one(
    width: float, offset: float, loss: float, tolerance: float
) -> None:
    assert pointing_loss_db([offset, -offset], width) == pytest.approx([loss] * 2, abs=tolerance)


def test_main_lobe_is_that_of_the_fixed_service_pattern() -> None:
    # Rec. ITU-R F.699: 2.5e-3 (D offset / wavelength) ** 2 (the constant from memory); 12 / 70 ** 2
    # is 2 % from it.
    diameter_m, wave_m, offset_deg = 3.0, 0.075, 0.5
    expected_db = 2.5e-3 * (diameter_m * offset_deg / wave_m) ** 2
    found_db = pointing_loss_db(offset_deg, beamwidth_deg(diameter_m, wave_m))
    assert found_db == pytest.approx(expected_db, rel=0.025)


def airy_loss_db(offset_of_beamwidth: float) -> float:
    # An evenly lit round aperture, (2 J1(u) / u) ** 2, half power at u = 1.61634 (Born & Wolf,
    # Principles of Optics; from memory, and checked below).
    u = 2 * 1.61634 * offset_of_beamwidth
    return float(-20 * np.log10(abs(2 * j1(u) / u)))


def test_the_loss_follows_a_real_aperture_to_half_the_beamwidth() -> None:
    assert airy_loss_db(0.5) == pytest.approx(3.0103, abs=1e-3)
    for part in np.linspace(0.01, 0.5, 50):
        assert pointing_loss_db(part, 1.0) == pytest.approx(airy_loss_db(part), abs=0.1)


def test_beyond_half_the_beamwidth_the_loss_is_at_least_what_is_returned() -> None:
    for part in np.linspace(0.5, 5, 400):
        assert pointing_loss_db(part, 1.0) <= airy_loss_db(part) + 1e-3


@quick
@given(
    beamwidths, st.floats(min_value=-180, max_value=180), st.floats(min_value=-180, max_value=180)
)
def test_more_offset_never_costs_less(width: float, one: float, other: float) -> None:
    near, far = sorted((one, other), key=abs)
    assert 0 <= pointing_loss_db(near, width) <= pointing_loss_db(far, width) <= SIDELOBE_DB


@quick
@given(beamwidths, st.floats(min_value=0, max_value=SIDELOBE_DB))
def test_an_offset_is_found_back_from_its_loss(width: float, loss: float) -> None:
    offset = offset_for_loss_deg(loss, width)
    assert offset >= 0
    assert pointing_loss_db(offset, width) == pytest.approx(loss, abs=1e-9)


def test_many_offsets_keep_their_shape() -> None:
    losses = pointing_loss_db(np.array([[0.0, 0.5], [1.0, 40.0]]), 1.0)
    assert losses.tolist() == [[0, 3], [12, SIDELOBE_DB]]
    assert offset_for_loss_deg([0.0, 3.0, 12.0], 2.0).tolist() == [0, 1, 2]


@pytest.mark.parametrize(("loss", "shown"), [(-0.01, "-0.01"), (17.51, "17.51"), (np.nan, "nan")])
def test_a_loss_that_tells_no_offset_is_refused(loss: float, shown: str) -> None:
    with pytest.raises(
        GeometryError, match=rf"from 0 to 17\.5 dB to tell an offset, not {shown} dB"
    ):
        offset_for_loss_deg([1.0, loss], 1.0)


def test_a_deeper_sidelobe_tells_more() -> None:
    assert pointing_loss_db(90, 1.0, sidelobe_db=25) == 25
    assert offset_for_loss_deg(25, 1.0, sidelobe_db=25) == pytest.approx(np.sqrt(25 / 12))


POSITIVE: list[tuple[str, Callable[[float], object]]] = [
    ("frequency_ghz", wavelength_m),
    ("diameter_m", lambda wrong: beamwidth_deg(wrong, 0.075)),
    ("wavelength_m", lambda wrong: beamwidth_deg(3.0, wrong)),
    ("factor_deg", lambda wrong: beamwidth_deg(3.0, 0.075, factor_deg=wrong)),
    ("diameter_m", lambda wrong: gain_db(wrong, 0.075)),
    ("wavelength_m", lambda wrong: gain_db(3.0, wrong)),
    ("beamwidth_deg", lambda wrong: pointing_loss_db(0.1, wrong)),
    ("sidelobe_db", lambda wrong: pointing_loss_db(0.1, 1.0, sidelobe_db=wrong)),
    ("beamwidth_deg", lambda wrong: offset_for_loss_deg(0.1, wrong)),
    ("sidelobe_db", lambda wrong: offset_for_loss_deg(0.1, 1.0, sidelobe_db=wrong)),
]


@pytest.mark.parametrize("wrong", [0.0, -1.0, float("nan"), float("inf")])
@pytest.mark.parametrize(("name", "call"), POSITIVE)
def test_what_must_be_positive_is_refused_otherwise(
    name: str, call: Callable[[float], object], wrong: float
) -> None:
    with pytest.raises(
        GeometryError, match=rf"beam: {name} must be finite and above 0, not {wrong:g}$"
    ):
        call(wrong)


@pytest.mark.parametrize("efficiency", [0.0, -0.1, 1.01, float("nan")])
def test_an_impossible_efficiency_is_refused(efficiency: float) -> None:
    with pytest.raises(GeometryError, match=f"above 0 and at most 1, not {efficiency:g}"):
        gain_db(3.0, 0.075, efficiency=efficiency)


def test_a_perfect_dish_is_accepted() -> None:
    assert gain_db(1.0, np.pi, efficiency=1.0) == pytest.approx(0, abs=1e-12)


def test_wavelength_is_that_of_light() -> None:
    assert wavelength_m(LIGHT_M_PER_S / 1e9) == pytest.approx(1.0)
    assert wavelength_m(4.0) == pytest.approx(0.0749481145, abs=1e-10)  # c, exact in the SI
