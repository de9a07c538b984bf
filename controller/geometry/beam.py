"""How wide a dish sees, and what it costs to look beside the satellite.

The loss is 12 (offset / beamwidth) ** 2 dB: the main lobe of Resolution 553 of the ITU's radio
conferences, which states it up to half the beamwidth (3 dB). Farther out a real beam falls faster,
so what is returned there is the least that is lost. It stays at the level of the first sidelobe
from where the curve meets it: more offset never costs less, and a sidelobe is never called better
than it is.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from controller.errors import GeometryError
from controller.geometry.slots import Array, Numbers

LIGHT_M_PER_S: Final = 299_792_458.0
# Rule of the trade, +-10 %: 58.9 for an evenly lit aperture, about 75 for a strong taper (both from
# memory). R. Blake, Electronic Communication Systems, Example 20.9, uses 70.
BEAM_FACTOR_DEG: Final = 70.0
EFFICIENCY: Final = 0.6  # common practice, no source: 0.5 to 0.7
# Chosen: the first sidelobe of an evenly lit round aperture, 17.57 dB below the peak, rounded to
# the careful side; a taper makes it lower.
SIDELOBE_DB: Final = 17.5


def wavelength_m(frequency_ghz: Numbers) -> Numbers:
    """Return the wavelength in vacuum."""
    _require_positive(frequency_ghz, "frequency_ghz")
    return LIGHT_M_PER_S / (frequency_ghz * 1e9)


def beamwidth_deg(
    diameter_m: Numbers, wavelength_m: Numbers, *, factor_deg: float = BEAM_FACTOR_DEG
) -> Numbers:
    """Return the full width of the beam between its half-power points."""
    _require_positive(diameter_m, "diameter_m")
    _require_positive(wavelength_m, "wavelength_m")
    _require_positive(factor_deg, "factor_deg")
    return factor_deg * wavelength_m / diameter_m


def gain_db(
    diameter_m: Numbers, wavelength_m: Numbers, *, efficiency: float = EFFICIENCY
) -> Numbers:
    """Return the gain over an isotropic antenna, dBi."""
    _require_positive(diameter_m, "diameter_m")
    _require_positive(wavelength_m, "wavelength_m")
    if not 0 < efficiency <= 1:
        raise GeometryError(
            f"beam: efficiency must be above 0 and at most 1, not {efficiency:g}; 0.6 is usual"
        )
    amplitude: Numbers = np.pi * diameter_m / wavelength_m
    gain: Numbers = 10 * np.log10(efficiency * np.square(amplitude))
    return gain


def pointing_loss_db(
    offset_deg: npt.ArrayLike, beamwidth_deg: Numbers, *, sidelobe_db: float = SIDELOBE_DB
) -> Array:
    """Return the signal lost by looking `offset_deg` beside the satellite, 0 or more.

    Good to half the beamwidth; from there to the sidelobe level the real loss is larger.
    """
    _require_positive(beamwidth_deg, "beamwidth_deg")
    _require_positive(sidelobe_db, "sidelobe_db")
    main_lobe_db = 12 * np.square(np.divide(offset_deg, beamwidth_deg))
    return np.asarray(np.minimum(main_lobe_db, sidelobe_db))


def offset_for_loss_deg(
    loss_db: npt.ArrayLike, beamwidth_deg: Numbers, *, sidelobe_db: float = SIDELOBE_DB
) -> Array:
    """Return how far beside the satellite a loss means, as the inverse of `pointing_loss_db`."""
    _require_positive(beamwidth_deg, "beamwidth_deg")
    _require_positive(sidelobe_db, "sidelobe_db")
    losses_db = np.asarray(loss_db, dtype=np.float64)
    possible = (losses_db >= 0) & (losses_db <= sidelobe_db)
    if not np.all(possible):
        raise GeometryError(
            f"beam: a loss must lie from 0 to {sidelobe_db:g} dB to tell an offset, not "
            f"{losses_db[~possible].flat[0]:g} dB; beyond the main lobe it tells none"
        )
    return np.asarray(beamwidth_deg * np.sqrt(losses_db / 12))


def _require_positive(value: Numbers, name: str) -> None:
    positive = np.isfinite(value) & np.greater(value, 0)
    if not np.all(positive):
        wrong = np.asarray(value)[~np.asarray(positive)].flat[0]
        raise GeometryError(f"beam: {name} must be finite and above 0, not {wrong:g}")
