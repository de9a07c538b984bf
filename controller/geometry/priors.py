"""What is known before any satellite is peaked, and the peaks themselves."""

from dataclasses import dataclass, fields

import numpy as np

from controller.errors import GeometryError
from controller.geometry.earth import Site
from controller.geometry.linkage import Linkage, Side
from controller.geometry.mount import Mount


@dataclass(frozen=True)
class Taped:
    """A length or angle somebody measured, and how well (one standard deviation)."""

    value: float
    sigma: float


@dataclass(frozen=True)
class Reference:
    """A satellite that was peaked: its slot with the count at the best signal."""

    name: str
    slot_deg: float
    count_pulses: float
    sigma_pulses: float


@dataclass(frozen=True, kw_only=True)
class Priors:
    """Site, dish, mount and actuator as taped, and how well each is known.

    Raises `GeometryError` for numbers that no yard has: a sigma of 0 claims that something is
    known without error, and would bend everything else.
    """

    site: Site
    side: Side
    axis_elevation_deg: Taped
    axis_azimuth_error_deg: Taped = Taped(0.0, 1.0)  # clockwise from above
    declination_offset_deg: Taped
    dish_arm_mm: Taped
    mast_arm_mm: Taped
    axial_offset_mm: Taped = Taped(0.0, 20.0)
    opening_at_top_deg: Taped = Taped(90.0, 4.0)
    retracted_mm: Taped  # pin to pin with the rod fully in
    stroke_mm: Taped
    pulses_per_mm: Taped
    dish_diameter_m: float
    frequency_ghz: float
    plumb_sigma_deg: float = 0.3  # how far the post may lean, each way
    collimation_sigma_deg: float = 0.15  # how far the beam may look beside the dish's own axis

    def __post_init__(self) -> None:
        for name, taped in self.taped().items():
            if not np.isfinite(taped.value):
                raise GeometryError(f"priors: {name} must be a number, not {taped.value}")
            if not 0 < taped.sigma < np.inf:
                raise GeometryError(
                    f"priors: the sigma of {name} must be above 0, not {taped.sigma:g}; "
                    f"nothing is known without error: say how far off it may be"
                )
        for name in ("retracted_mm", "stroke_mm", "pulses_per_mm"):
            if not self.taped()[name].value > 0:
                raise GeometryError(
                    f"priors: {name} must be above 0, not {self.taped()[name].value:g}"
                )
        for name in ("plumb_sigma_deg", "collimation_sigma_deg"):
            if not 0 <= getattr(self, name) < 45:
                raise GeometryError(
                    f"priors: {name} must lie between 0 and 45, not {getattr(self, name):g}"
                )
        for name in ("dish_diameter_m", "frequency_ghz"):
            if not 0 < getattr(self, name) < np.inf:
                raise GeometryError(f"priors: {name} must be above 0, not {getattr(self, name):g}")
        self._require_reach()

    def taped(self) -> dict[str, Taped]:
        """Return everything that has a sigma, by name."""
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: value for name, value in values.items() if isinstance(value, Taped)}

    @property
    def linkage(self) -> Linkage:
        """Return the triangle as taped."""
        return Linkage(
            dish_arm_mm=self.dish_arm_mm.value,
            mast_arm_mm=self.mast_arm_mm.value,
            opening_at_top_deg=self.opening_at_top_deg.value,
            axial_offset_mm=self.axial_offset_mm.value,
            side=self.side,
        )

    @property
    def mount(self) -> Mount:
        """Return the mount as set."""
        return Mount(
            site=self.site,
            axis_elevation_deg=self.axis_elevation_deg.value,
            axis_azimuth_error_deg=self.axis_azimuth_error_deg.value,
            declination_offset_deg=self.declination_offset_deg.value,
        )

    def _require_reach(self) -> None:
        """Refuse a triangle that does not close even when every tape was three sigmas off."""
        linkage = self.linkage
        lengths = (self.dish_arm_mm, self.mast_arm_mm, self.retracted_mm, self.stroke_mm)
        slack_mm = 3 * float(np.linalg.norm([taped.sigma for taped in lengths]))
        fully_in_mm = self.retracted_mm.value
        fully_out_mm = fully_in_mm + self.stroke_mm.value
        if (
            fully_in_mm < linkage.shortest_mm - slack_mm
            or fully_out_mm > linkage.longest_mm + slack_mm
        ):
            raise GeometryError(
                f"priors: the triangle cannot close: arms of {linkage.dish_arm_mm:g} and "
                f"{linkage.mast_arm_mm:g} mm span {linkage.shortest_mm:.0f} to "
                f"{linkage.longest_mm:.0f} mm, not the {fully_in_mm:.0f} to {fully_out_mm:.0f} mm "
                f"of the rod, even if the tape was {slack_mm:.0f} mm off; measure arms, retracted "
                f"length and stroke again"
            )
