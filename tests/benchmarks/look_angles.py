"""Measure how fast a million look angles are, beside pymap3d in arrays and row by row.

Run `python tests/benchmarks/look_angles.py`; `--pairs`, `--runs` and `--rows` change the sizes.
Every way starts from the same arrays of latitude, longitude, height and slot, and ends with
azimuth, elevation and range.
"""

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pymap3d

from controller.geometry.earth import WGS84, Site, look_angles

Array: TypeAlias = npt.NDArray[np.float64]
Pairs: TypeAlias = tuple[Array, Array, Array, Array]  # latitude, longitude, height, slot
Sky: TypeAlias = tuple[Array, Array, Array]  # azimuth, elevation, range

ALTITUDE_M = WGS84.geostationary_radius_m - WGS84.equatorial_radius_m
SEED = 20


@dataclass(frozen=True)
class Comparison:
    """Median seconds for all pairs, and how far the answers lie apart."""

    pairs: int
    rows: int
    ours_s: float
    vectorised_s: float
    row_by_row_s: float  # measured on `rows` pairs and scaled up
    worst_deg: float
    worst_m: float

    @property
    def times_vectorised(self) -> float:
        """Return how many times faster than pymap3d in arrays."""
        return self.vectorised_s / self.ours_s

    @property
    def times_row_by_row(self) -> float:
        """Return how many times faster than pymap3d row by row."""
        return self.row_by_row_s / self.ours_s


def compare(*, pairs: int, runs: int, rows: int) -> Comparison:
    """Time the three ways on the same pairs, in turns, and compare what they return."""
    everything = _pairs(pairs)
    some: Pairs = tuple(field[:rows] for field in everything)  # type: ignore[assignment]
    ours_s, vectorised_s, row_by_row_s = [], [], []
    for _ in range(runs):
        ours_s.append(_seconds(_ours, everything))
        vectorised_s.append(_seconds(_vectorised, everything))
        row_by_row_s.append(_seconds(_row_by_row, some) * pairs / len(some[0]))
    worst_deg, worst_m = _difference(_ours(everything), _vectorised(everything))
    rows_deg, rows_m = _difference(_ours(some), _row_by_row(some))
    return Comparison(
        pairs=pairs,
        rows=len(some[0]),
        ours_s=statistics.median(ours_s),
        vectorised_s=statistics.median(vectorised_s),
        row_by_row_s=statistics.median(row_by_row_s),
        worst_deg=max(worst_deg, rows_deg),
        worst_m=max(worst_m, rows_m),
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Measure and print; return 1 where the answers disagree."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--pairs", type=int, default=1_000_000)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--rows", type=int, default=20_000)
    wanted = parser.parse_args(argv)
    result = compare(pairs=wanted.pairs, runs=wanted.runs, rows=wanted.rows)
    print(_table(result, runs=wanted.runs))
    return 0 if result.worst_deg < 1e-4 and result.worst_m < 0.01 else 1


def _pairs(count: int) -> Pairs:
    chance = np.random.default_rng(SEED)
    latitude_deg = chance.uniform(-70, 70, count)
    longitude_deg = chance.uniform(-180, 180, count)
    # Inside the visible arc, so that every pair is one that somebody would ask for.
    slot_deg = (longitude_deg + chance.uniform(-60, 60, count) + 180) % 360 - 180
    return latitude_deg, longitude_deg, chance.uniform(0, 3000, count), slot_deg


def _ours(pairs: Pairs) -> Sky:
    latitude_deg, longitude_deg, height_m, slot_deg = pairs
    sky = look_angles(Site(latitude_deg, longitude_deg, height_m), slot_deg)
    return sky.azimuth_deg, sky.elevation_deg, sky.range_m


def _vectorised(pairs: Pairs) -> Sky:
    latitude_deg, longitude_deg, height_m, slot_deg = pairs
    place = pymap3d.geodetic2ecef(np.zeros_like(slot_deg), slot_deg, ALTITUDE_M)
    azimuth_deg, elevation_deg, range_m = pymap3d.ecef2aer(
        *place, latitude_deg, longitude_deg, height_m
    )
    return azimuth_deg, elevation_deg, range_m


def _row_by_row(pairs: Pairs) -> Sky:
    sky = []
    for latitude_deg, longitude_deg, height_m, slot_deg in zip(
        *(field.tolist() for field in pairs), strict=True
    ):
        place = pymap3d.geodetic2ecef(0.0, slot_deg, ALTITUDE_M)
        sky.append(pymap3d.ecef2aer(*place, latitude_deg, longitude_deg, height_m))
    azimuth_deg, elevation_deg, range_m = np.array(sky, dtype=np.float64).T
    return azimuth_deg, elevation_deg, range_m


def _seconds(way: Callable[[Pairs], Sky], pairs: Pairs) -> float:
    start_s = time.perf_counter()
    way(pairs)
    return time.perf_counter() - start_s


def _difference(ours: Sky, theirs: Sky) -> tuple[float, float]:
    turn_deg = np.abs((ours[0] - theirs[0] + 180) % 360 - 180)
    # An azimuth close to the zenith turns fast: compare what it is worth in the sky.
    across_deg = turn_deg * np.cos(np.radians(ours[1]))
    worst_deg = max(across_deg.max(), np.abs(ours[1] - theirs[1]).max())
    return float(worst_deg), float(np.abs(ours[2] - theirs[2]).max())


def _table(result: Comparison, *, runs: int) -> str:
    ways = [
        ("arckeeper look_angles", result.ours_s, 1.0),
        ("pymap3d, arrays", result.vectorised_s, result.times_vectorised),
        ("pymap3d, row by row", result.row_by_row_s, result.times_row_by_row),
    ]
    lines = [f"{result.pairs:,} pairs of site and slot, median of {runs} runs, one thread", ""]
    lines += [f"{'way':<24}{'seconds':>10}{'ns a pair':>12}{'ratio':>9}"]
    lines += [
        f"{name:<24}{seconds:>10.4f}{seconds / result.pairs * 1e9:>12.1f}{ratio:>9.2f}"
        for name, seconds, ratio in ways
    ]
    return "\n".join(
        [
            *lines,
            "",
            f"Row by row was measured on {result.rows:,} pairs and scaled to {result.pairs:,}.",
            f"Greatest difference: {result.worst_deg:.1e} deg, {result.worst_m:.1e} m.",
        ]
    )


if __name__ == "__main__":
    sys.exit(main())
