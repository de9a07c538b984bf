"""What can be said against references before any fit."""

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Final

import numpy as np

from controller.errors import GeometryError
from controller.geometry.earth import look_angles
from controller.geometry.priors import Priors, Reference

LOWEST_DEG: Final = -1.0  # refraction lifts a satellite by half a degree at the horizon
BEYOND_PULSES: Final = 30.0  # a limit switch may stand inside the mechanical end
APART_DEG: Final = 1.0


def checked(
    priors: Priors, references: Sequence[Reference], *, west_limit_pulses: int | None
) -> tuple[Reference, ...]:
    """Return the references without repetitions; raise `GeometryError` for impossible ones."""
    if west_limit_pulses is not None and not 0 < west_limit_pulses < np.inf:
        raise GeometryError(
            f"west_limit_pulses must be above 0, not {west_limit_pulses}; the east limit is 0"
        )
    for reference in references:
        for objection in _objections(priors, reference, west_limit_pulses):
            raise GeometryError(f"reference {reference.name!r}: {objection}")
    once = tuple(dict.fromkeys(references))
    _require_order(priors, once)
    return once


def _objections(
    priors: Priors, reference: Reference, west_limit_pulses: int | None
) -> Iterator[str]:
    slot_deg, count_pulses = reference.slot_deg, reference.count_pulses
    if not np.isfinite([slot_deg, count_pulses, reference.sigma_pulses]).all():
        yield (
            f"slot ({slot_deg}), count ({count_pulses}) and sigma ({reference.sigma_pulses}) must "
            f"be numbers"
        )
        return
    if not reference.sigma_pulses > 0:
        yield f"sigma_pulses must be above 0, not {reference.sigma_pulses:g}; 1 is usual"
    if not -180 < slot_deg <= 180:
        yield (
            f"slot must lie above -180 and up to 180 degrees, not {slot_deg:g}; "
            f"are slot and count swapped?"
        )
        return
    elevation_deg = float(look_angles(priors.site, slot_deg).elevation_deg)
    if elevation_deg < LOWEST_DEG:
        yield (
            f"slot {slot_deg:g} is {-elevation_deg:.1f} deg below the horizon here; "
            f"check its sign (east positive) and whether slot and count are swapped"
        )
    if count_pulses < -BEYOND_PULSES:
        yield (
            f"count must be 0 or more, not {count_pulses:g}: the east limit is 0 and the count "
            f"grows toward west; are slot and count swapped, or was the count lost?"
        )
    if west_limit_pulses is not None and count_pulses > west_limit_pulses + BEYOND_PULSES:
        yield (
            f"count must be at most {west_limit_pulses}, the west limit, not {count_pulses:g}; "
            f"find the limits again and peak it again"
        )


def _require_order(priors: Priors, references: tuple[Reference, ...]) -> None:
    """Refuse counts that all stand on one spot, or all grow toward east."""
    growing, judged = 0, 0
    for one, other in combinations(references, 2):
        ahead_deg = np.subtract((one.slot_deg, other.slot_deg), float(priors.site.longitude_deg))
        west_deg = float(np.subtract(*((ahead_deg + 180) % 360 - 180)[::-1]))
        if abs(west_deg) < APART_DEG:
            continue
        # Westward is a falling slot, and the count must grow.
        growth_pulses = (one.count_pulses - other.count_pulses) * np.sign(west_deg)
        sure_pulses = 3 * float(np.hypot(one.sigma_pulses, other.sigma_pulses))
        judged += 1
        growing += bool(growth_pulses > sure_pulses)
    if judged and not growing:
        raise GeometryError(
            "references: no satellite further west has a higher count, and the count must grow "
            "toward west; are all peaked on one spot, slot and count swapped, the sign of the "
            "slots turned, or the motor's leads or the side of the actuator?"
        )
