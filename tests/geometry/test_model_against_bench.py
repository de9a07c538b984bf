"""The model against the yard in software, which shares no formula with it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest

from controller.bench.mount import Crookedness
from controller.bench.mount import Mount as BenchMount
from controller.bench.peaking import best_hour_angle_deg
from controller.bench.rod import Screw, Triangle
from controller.bench.sky import Site as BenchSite
from controller.geometry.fit import fit
from controller.geometry.linkage import Linkage, Side
from controller.geometry.mount import Mount
from controller.geometry.priors import Reference
from tests.geometry.calibration import BIRDS, DOWNS

Array = npt.NDArray[np.float64]
PULSES_PER_MM = 1.96
SITE = BenchSite(latitude_deg=-45.10, longitude_deg=169.40, height_m=280.0)


def bench_mount(**crooked: float) -> BenchMount:
    return BenchMount(
        SITE,
        axis_elevation_deg=45.796,
        declination_offset_deg=6.11,
        crooked=Crookedness(**crooked),
    )


@dataclass(frozen=True)
class BenchArc:
    mount: BenchMount
    triangle: Triangle
    screw: Screw

    def counts(self, slots_deg: Array) -> Array:
        rods_mm = [
            self.triangle.rod_mm(best_hour_angle_deg(self.mount, float(slot))) for slot in slots_deg
        ]
        way = 1 if self.triangle.side == "east" else -1
        start_mm = self.screw.retracted_mm + (0 if way > 0 else self.screw.stroke_mm)
        travels_mm = [way * (rod_mm - start_mm) for rod_mm in rods_mm]
        # The screw's own error is far smaller than a pulse: one step inverts it.
        return np.array([(2 * t - self.screw.travel_mm(t)) * PULSES_PER_MM for t in travels_mm])


@pytest.mark.parametrize("azimuth_deg", [-2.0, 0.0, 1.3])
def test_hour_angle_is_where_the_bench_turns_to(azimuth_deg: float) -> None:
    crooked = bench_mount(axis_azimuth_deg=azimuth_deg, axis_elevation_deg=0.4)
    ours = Mount(
        site=DOWNS.site,
        axis_elevation_deg=46.196,
        axis_azimuth_error_deg=azimuth_deg,
        declination_offset_deg=6.11,
    )
    slots_deg = np.linspace(115, 220, 8)
    theirs_deg = [best_hour_angle_deg(crooked, float(slot)) for slot in slots_deg]
    np.testing.assert_allclose(ours.hour_angle_deg(slots_deg), theirs_deg, atol=1e-5)


@pytest.mark.parametrize("side", Side)
def test_rod_is_as_long_as_on_the_bench(side: Side) -> None:
    theirs = Triangle(
        side=side.value,
        dish_arm_mm=520.0,
        mast_arm_mm=560.0,
        opening_at_top_deg=88.0,
        axial_offset_mm=35.0,
    )
    ours = Linkage(
        side=side,
        dish_arm_mm=520.0,
        mast_arm_mm=560.0,
        opening_at_top_deg=88.0,
        axial_offset_mm=35.0,
    )
    for turned_deg in (-50.0, -10.0, 0.0, 30.0, 55.0):
        assert ours.rod_mm(turned_deg) == pytest.approx(theirs.rod_mm(turned_deg), rel=1e-12)


@pytest.mark.parametrize(("birds", "worst_deg"), [(3, 0.35), (5, 0.25), (7, 0.2)])
def test_few_peaks_on_the_bench_find_its_whole_arc(birds: int, worst_deg: float) -> None:
    arc = BenchArc(
        bench_mount(
            axis_azimuth_deg=0.9,
            axis_elevation_deg=-0.3,
            declination_deg=0.2,
            collimation_deg=0.15,
            post_leans_north_deg=0.2,
            post_leans_east_deg=-0.3,
        ),
        Triangle(
            side="east",
            dish_arm_mm=526.0,
            mast_arm_mm=551.0,
            opening_at_top_deg=92.4,
            axial_offset_mm=33.0,
        ),
        Screw(retracted_mm=425.0, stroke_mm=606.0, periodic_mm=0.12),
    )
    at = np.round(np.linspace(0, len(BIRDS) - 1, birds)).astype(int)
    names, slots_deg = list(BIRDS), np.array(list(BIRDS.values()))
    peaks = np.round(arc.counts(slots_deg[at]))  # nobody counts parts of a pulse
    references = [
        Reference(names[i], float(slots_deg[i]), float(peak), 1.0)
        for i, peak in zip(at, peaks, strict=True)
    ]
    model = fit(DOWNS, references, west_limit_pulses=round(606.0 * PULSES_PER_MM))
    wanted_deg = 169.4 + np.arange(-38.0, 33.0, 3.3)
    said = model.predict_many(wanted_deg)
    off = said.count_pulses - arc.counts(wanted_deg)
    assert np.abs(off / said.sigma_pulses).max() < 3.5
    assert np.abs(off * said.sigma_deg / said.sigma_pulses).max() < worst_deg
