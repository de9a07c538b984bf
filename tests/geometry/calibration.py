"""Two invented yards as taped, and references that their true triangles would give."""

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.geometry.earth import Site
from controller.geometry.linkage import Linkage, Side
from controller.geometry.mount import Mount
from controller.geometry.priors import Priors, Reference, Taped

BIRDS = {
    "Heron": 130.0,
    "Petrel": 138.0,
    "Curlew": 152.0,
    "Gannet": 166.0,
    "Plover": 178.5,
    "Dotterel": -172.0,
    "Shag": -158.0,
}

DOWNS = Priors(
    site=Site(-45.10, 169.40, 280.0),
    side=Side.EAST,
    axis_elevation_deg=Taped(45.796, 0.4),
    declination_offset_deg=Taped(6.11, 0.3),
    dish_arm_mm=Taped(520.0, 8.0),
    mast_arm_mm=Taped(560.0, 8.0),
    axial_offset_mm=Taped(40.0, 8.0),
    opening_at_top_deg=Taped(90.0, 3.0),
    retracted_mm=Taped(420.0, 8.0),
    stroke_mm=Taped(610.0, 8.0),
    pulses_per_mm=Taped(1.89, 0.11),
    dish_diameter_m=3.0,
    frequency_ghz=4.0,
)
FEN = replace(DOWNS, site=Site(52.60, 0.30), side=Side.WEST, axis_elevation_deg=Taped(53.26, 0.4))


def true_counts(priors: Priors, slot_deg: npt.ArrayLike, **off: float) -> npt.NDArray[np.float64]:
    """Return the counts of a yard that is `off` from what was taped, straight from its parts."""

    def true(name: str) -> float:
        taped: Taped = getattr(priors, name)
        return taped.value + off.get(name, 0.0)

    mount = Mount(
        site=priors.site,
        axis_elevation_deg=true("axis_elevation_deg"),
        axis_azimuth_error_deg=true("axis_azimuth_error_deg"),
    )
    names = ("dish_arm_mm", "mast_arm_mm", "opening_at_top_deg", "axial_offset_mm")
    linkage = Linkage(side=priors.side, **{name: true(name) for name in names})
    rod_mm = linkage.rod_mm(mount.hour_angle_deg(slot_deg))
    if priors.side is Side.EAST:
        travel_mm = rod_mm - true("retracted_mm")
    else:
        travel_mm = true("retracted_mm") + true("stroke_mm") - rod_mm
    return np.asarray(travel_mm * true("pulses_per_mm"))


TRAVEL_PULSES = 1188  # of the stroke and the pulses per mm that OFF makes
OFF: dict[str, float] = {
    "dish_arm_mm": 6.0,
    "mast_arm_mm": -9.0,
    "axial_offset_mm": -7.0,
    "opening_at_top_deg": 2.4,
    "retracted_mm": 5.0,
    "stroke_mm": -4.0,
    "pulses_per_mm": 0.07,
    "axis_azimuth_error_deg": 1.2,
    "axis_elevation_deg": -0.3,
}


def peaked(
    priors: Priors,
    birds: dict[str, float],
    *,
    noise: float | npt.NDArray[np.float64] = 0.0,
    **off: Any,
) -> list[Reference]:
    """Return references at the true counts plus `noise`, in pulses."""
    counts = true_counts(priors, list(birds.values()), **(OFF | off)) + noise
    return [
        Reference(name, slot_deg, float(count), 1.0)
        for (name, slot_deg), count in zip(birds.items(), counts, strict=True)
    ]


def birds_of(priors: Priors) -> dict[str, float]:
    """Return the birds over a site, moved along with its longitude."""
    moved = float(np.asarray(priors.site.longitude_deg)) - 169.40
    return {name: (slot + moved + 180) % 360 - 180 for name, slot in BIRDS.items()}
