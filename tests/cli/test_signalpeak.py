import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.cli.signalpeak import HEARD_DB, peak_pulses
from controller.errors import CommandRefused


class Sky:
    """A beam of 12 (x / width) ** 2 decibels over a floor of noise, and where it was looked at."""

    def __init__(self, peak: float, *, width: float = 20.0, peak_db: float = 13.0) -> None:
        self.peak, self.width, self.peak_db = peak, width, peak_db
        self.looked: list[int] = []

    def level_at(self, count: int) -> float:
        self.looked.append(count)
        return max(0.0, self.peak_db - 12.0 * ((count - self.peak) / self.width) ** 2)


@given(peak=st.floats(-40, 40), width=st.floats(18, 40))
def test_a_peak_within_the_search_is_found_to_a_fraction_of_a_pulse(
    peak: float, width: float
) -> None:
    sky = Sky(500 + peak, width=width)
    assert peak_pulses(500, sky.level_at) == pytest.approx(500 + peak, abs=0.5)


def test_silence_is_told_and_not_searched_for_ever() -> None:
    sky = Sky(500, peak_db=HEARD_DB - 0.1)
    with pytest.raises(CommandRefused, match="nothing is heard near count 500"):
        peak_pulses(500, sky.level_at)
    assert len(sky.looked) == 7


def test_a_level_that_only_grows_is_given_up() -> None:
    with pytest.raises(CommandRefused, match="no peak was found near count 500"):
        peak_pulses(500, lambda count: 10.0 + count / 100)
