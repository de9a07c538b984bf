"""The dish's beam and what a receiver behind it would say."""

from dataclasses import dataclass
from math import log10

WAVE_M = 0.299792458 / 4.0  # 4 GHz, the middle of what these dishes receive
WIDTH_DEG = 70.0  # half-power width of a parabola is about 70 wavelengths over its diameter
PATTERN_KNEE_DB = 18.0  # chosen: below this the sidelobes carry on instead of the main lobe
PATTERN_SLOPE_DB = 25.0  # per decade of angle, the usual envelope of sidelobes


@dataclass(frozen=True, kw_only=True)
class Beam:
    """A dish's pattern."""

    diameter_m: float

    @property
    def width_deg(self) -> float:
        """Return the whole angle between the two half-power points."""
        return WIDTH_DEG * WAVE_M / self.diameter_m

    def loss_db(self, off_deg: float) -> float:
        """Return how much weaker a source is at an angle from the beam's centre."""
        main_db = 12.0 * (off_deg / self.width_deg) ** 2
        if main_db <= PATTERN_KNEE_DB:
            return main_db
        knee_deg = self.width_deg * (PATTERN_KNEE_DB / 12.0) ** 0.5
        return PATTERN_KNEE_DB + PATTERN_SLOPE_DB * log10(off_deg / knee_deg)


def level_db(strengths_db: list[float]) -> float:
    """Return what a receiver shows: all sources and its own noise (0 dB) together."""
    return 10 * log10(1 + sum(10 ** (db / 10) for db in strengths_db))
