"""What physics leaves over: a Gaussian process along the rod, and each satellite's own peak.

1. A smooth part: pitch and straightness of the screw, bending of the frame. Neighbours share it.
2. A fine part that changes within one turn of the screw. Nothing else shares it.
3. The own peak: within `own_width_deg` of a reference the count is drawn toward it, and there it is
   exact. The width keeps the count growing toward west: it never turns back to meet a peak.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from controller.geometry.earth import Array

OWN_WIDTH_DEG: Final = 0.3  # chosen: a fifth of the beam of a 3 m dish at 4 GHz
SAME_SLOT_DEG: Final = 1e-3


@dataclass(frozen=True)
class Residual:
    """How far physics may be off along the rod: one standard deviation of each part, in mm."""

    smooth_mm: float = 0.06  # chosen: a screw is held to 0.15 mm, and swings inside that
    length_mm: float = 150.0  # chosen: a part of the stroke in which the smooth part changes
    fine_mm: float = 0.05

    def shared_mm2(self, rod_mm: Array, other_mm: Array) -> Array:
        """Return the covariance of the smooth part between two sets of places."""
        apart = (rod_mm[:, None] - other_mm[None, :]) / self.length_mm
        return np.asarray(self.smooth_mm**2 * np.exp(-0.5 * apart**2))


@dataclass(frozen=True)
class OwnPeaks:
    """How far each reference's own peak stands from the smooth model, and how far that reaches."""

    slot_deg: Array
    weight_pulses: Array
    width_deg: float

    def pulses(self, slot_deg: Array) -> Array:
        """Return what is added to the count at each slot."""
        return np.asarray(_tent(slot_deg, self.slot_deg, self.width_deg) @ self.weight_pulses)

    @property
    def corners_deg(self) -> Array:
        """Return the slots between which `pulses` runs straight."""
        reach_deg = self.width_deg * np.array([-1.0, 0.0, 1.0])
        return (self.slot_deg[:, None] + reach_deg).ravel()


def own_peaks(
    slot_deg: Array, excess_pulses: Array, weight: Array, *, pulses_per_deg: Array
) -> OwnPeaks:
    """Return the peaks that pass through every excess; several on one slot are averaged."""
    slots_deg, excess = _merged(slot_deg, excess_pulses, weight)
    if not len(slots_deg):
        return OwnPeaks(slots_deg, excess, OWN_WIDTH_DEG)
    # Twice the way that the count needs to make up for the largest excess.
    width_deg = max(OWN_WIDTH_DEG, float(np.max(2 * np.abs(excess_pulses) / pulses_per_deg)))
    tent = _tent(slots_deg, slots_deg, width_deg)
    return OwnPeaks(
        slots_deg, np.asarray(np.linalg.solve(tent, excess), dtype=np.float64), width_deg
    )


def _merged(slot_deg: Array, excess_pulses: Array, weight: Array) -> tuple[Array, Array]:
    order = np.argsort(slot_deg)
    starts_new = np.diff(slot_deg[order], prepend=-np.inf) > SAME_SLOT_DEG
    group = np.cumsum(starts_new) - 1
    total = np.bincount(group, weight[order])
    mean = np.bincount(group, (weight * excess_pulses)[order]) / total
    return slot_deg[order][starts_new], mean


def _tent(slot_deg: Array, other_deg: Array, width_deg: float) -> Array:
    apart_deg = np.abs((slot_deg[:, None] - other_deg[None, :] + 180) % 360 - 180)
    return np.asarray(np.maximum(0.0, 1 - apart_deg / width_deg))
