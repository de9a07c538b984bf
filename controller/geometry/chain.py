"""From slot to count: mount, actuator triangle and sensor as one chain with known slopes.

The parameters are a vector in the order of `PARAMETERS`; slopes are per prior sigma of each, so
that a step of 1 is as likely in one as in another.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.geometry.earth import Array
from controller.geometry.linkage import Linkage
from controller.geometry.mount import Mount
from controller.geometry.priors import Priors

PARAMETERS: Final = (
    "dish_arm_mm",
    "mast_arm_mm",
    "axial_offset_mm",
    "opening_at_top_deg",
    "retracted_mm",
    "stroke_mm",
    "pulses_per_mm",
    "axis_azimuth_error_deg",
    "axis_elevation_deg",
)
STROKE, PITCH = PARAMETERS.index("stroke_mm"), PARAMETERS.index("pulses_per_mm")


@dataclass(frozen=True)
class Links:
    """What the chain does at some slots: arrays over the slots, `slopes` (slots, parameters)."""

    count_pulses: Array
    hour_angle_deg: Array
    pulses_per_deg: Array  # 0 and below past a dead point
    declination_deg: Array
    slopes: Array  # pulses per prior sigma


class Chain:
    """Slot to count for any parameters, around the priors."""

    def __init__(self, priors: Priors) -> None:
        taped = priors.taped()
        self.priors = priors
        self.centre = np.array([taped[name].value for name in PARAMETERS])
        sigma = {name: taped[name].sigma for name in PARAMETERS}
        self.scale = np.array(list((sigma | _with_the_post(priors)).values()))

    def parameters(self, steps: Array) -> Array:
        """Return parameters so many prior sigmas from the prior's centre."""
        return self.centre + self.scale * steps

    def at(self, parameters: Array) -> "Setup":
        """Return the chain with these parameters.

        Raises `GeometryError` for parameters that no mount or triangle can have.
        """
        a, b, z, opening_deg = parameters[:4].tolist()
        azimuth_deg, elevation_deg = parameters[7:9].tolist()
        linkage = Linkage(
            dish_arm_mm=a,
            mast_arm_mm=b,
            axial_offset_mm=z,
            opening_at_top_deg=opening_deg,
            side=self.priors.side,
        )
        mount = Mount(
            site=self.priors.site,
            axis_azimuth_error_deg=azimuth_deg,
            axis_elevation_deg=elevation_deg,
            declination_offset_deg=self.priors.declination_offset_deg.value,
        )
        return Setup(parameters, self.scale, mount, linkage)


@dataclass(frozen=True)
class Setup:
    """The chain with one set of parameters."""

    parameters: Array
    scale: Array  # what one step of each is
    mount: Mount
    linkage: Linkage

    def links(self, slot_deg: npt.ArrayLike) -> Links:
        """Follow the chain at each slot."""
        linkage, way = self.linkage, self.linkage.side.sign
        swing = self.mount.swing(np.atleast_1d(slot_deg))
        a, b, z, _, retracted_mm, stroke_mm, pulses_per_mm = self.parameters[:7].tolist()
        rod_mm = linkage.rod_mm(swing.hour_angle_deg)
        cos = np.cos(np.radians(linkage.opening_deg(swing.hour_angle_deg)))
        mm_per_deg = linkage.mm_per_deg(swing.hour_angle_deg)
        start_mm = retracted_mm if way > 0 else retracted_mm + stroke_mm
        travel_mm = way * (rod_mm - start_mm)
        slopes_mm = np.empty((len(rod_mm), len(PARAMETERS)))
        slopes_mm[:, 0] = way * (a - b * cos) / rod_mm
        slopes_mm[:, 1] = way * (b - a * cos) / rod_mm
        slopes_mm[:, 2] = way * z / rod_mm
        slopes_mm[:, 3] = mm_per_deg  # opening the arms lengthens the rod on either side
        slopes_mm[:, 4] = -way
        slopes_mm[:, STROKE] = 0 if way > 0 else 1
        slopes_mm[:, PITCH] = travel_mm / pulses_per_mm
        slopes_mm[:, 7] = way * mm_per_deg * swing.by_azimuth
        slopes_mm[:, 8] = way * mm_per_deg * swing.by_elevation
        return Links(
            pulses_per_mm * travel_mm,
            swing.hour_angle_deg,
            pulses_per_mm * way * mm_per_deg,
            swing.declination_deg,
            slopes_mm * (pulses_per_mm * self.scale),
        )

    def travel(self) -> tuple[float, Array]:
        """Return the pulses of the whole stroke, and its slopes."""
        stroke_mm, pulses_per_mm = self.parameters[[STROKE, PITCH]].tolist()
        slopes = np.zeros(len(PARAMETERS))
        slopes[STROKE] = pulses_per_mm * self.scale[STROKE]
        slopes[PITCH] = stroke_mm * self.scale[PITCH]
        return stroke_mm * pulses_per_mm, slopes


def _with_the_post(priors: Priors) -> dict[str, float]:
    """Return the sigmas that a leaning post and a beam off the dish's axis make larger.

    A lean to the side is an azimuth error of tan(elevation) times as much, and a turn about the
    axis, as an opening angle is, of 1/cos(elevation) times; a lean forward tips the axis.
    """
    elevation_rad = np.radians(np.clip(priors.axis_elevation_deg.value, 0, 75))
    lean_deg, aside_deg = priors.plumb_sigma_deg, priors.collimation_sigma_deg
    more_deg = {
        "opening_at_top_deg": np.hypot(lean_deg / np.cos(elevation_rad), aside_deg),
        "axis_azimuth_error_deg": lean_deg * np.tan(elevation_rad),
        "axis_elevation_deg": lean_deg,
    }
    taped = priors.taped()
    return {name: float(np.hypot(taped[name].sigma, more)) for name, more in more_deg.items()}
