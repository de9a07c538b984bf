"""Which bolt, which way, how much: from how the mount stands to words for who holds the wrench."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import combinations
from typing import Final

import numpy as np

from controller.errors import GeometryError
from controller.geometry.earth import Array, format_slot
from controller.geometry.model import Model
from controller.geometry.mount import Mount
from controller.geometry.polar import Setting, minimax_setting
from controller.geometry.priors import Taped
from controller.geometry.stance import Inclination, Nudge, Stance, by_pulses, sharpened, stance

SURE: Final = 1.0  # chosen: over random yards it leaves a smaller worst miss than 2 does
SMALL_DEG: Final = 0.05  # chosen: less costs 0.01 dB with a 3 m dish at 4 GHz
PRESS_DEG: Final = 0.1  # chosen: a press of 0.3 deg tells no less
READINGS: Final = 3  # with an unknown offset two leave three angles open

DEGENERATE: Final = (
    "Pulses alone cannot tell: an azimuth error of the mount looks like another opening angle of "
    "the actuator."
)


class Joint(Enum):
    """What can be turned."""

    AZIMUTH = "azimuth"
    AXIS = "axis elevation"
    DECLINATION = "declination"


@dataclass(frozen=True)
class Bolt:
    """A bolt that moves a joint: pitch of its thread, and its distance from the pivot."""

    pitch_mm: float
    lever_mm: float

    def __post_init__(self) -> None:
        if not (0 < self.pitch_mm < np.inf and 0 < self.lever_mm < np.inf):
            raise GeometryError(
                f"bolt: pitch_mm ({self.pitch_mm:g}) and lever_mm ({self.lever_mm:g}) "
                f"must both be above 0"
            )

    def turns(self, angle_deg: float) -> float:
        """Return how many turns move the joint by an angle."""
        # M12 (pitch 1.75 mm) at 100 mm: a turn is almost exactly 1 deg.
        return float(self.lever_mm * np.tan(np.radians(angle_deg)) / self.pitch_mm)


@dataclass(frozen=True)
class Correction:
    """What to do at one joint.

    Positive turns the mount clockwise from above, raises the axis, tilts the dish toward the
    equator. `turns` is None without a configured bolt.
    """

    joint: Joint
    angle_deg: float
    sigma_deg: float
    turns: float | None
    is_sure: bool
    words: str


@dataclass(frozen=True, eq=False)
class BoltAdvice:
    """How the mount stands, what to do about it, and what the arc looks like before and after.

    `can_tell` is False as long as nothing was read at the dish; there are no corrections then.
    `read_at_deg` are the slots at which an inclinometer reading would help most; `press_at_deg`
    is the slot where a press on the rim would, once readings help no more.
    """

    can_tell: bool
    stance: Stance
    corrections: tuple[Correction, ...]
    read_at_deg: tuple[float, ...]
    press_at_deg: float | None
    text: str
    slot_deg: Array
    miss_before_deg: Array
    miss_after_deg: Array
    miss_sigma_deg: Array


def which_bolt(
    model: Model,
    candidates: Sequence[float],
    *,
    readings: Sequence[Inclination] = (),
    nudges: Sequence[Nudge] = (),
    bolts: Mapping[Joint, Bolt] | None = None,
) -> BoltAdvice:
    """Return what to turn so that the beam follows the arc.

    `candidates` are the slots that can be peaked; the arc is shown at them.
    """
    slots_deg = _reachable(model, candidates)
    known = stance(model, readings=readings, nudges=nudges)
    best = minimax_setting(model.priors.site)
    can_tell = bool(readings) or bool(nudges)
    corrections = _corrections(known, best, bolts or {}) if can_tell else ()
    after = _turned(known, corrections)
    read_at_deg = _where_to_read(
        by_pulses(model) if not can_tell else known, slots_deg, len(readings)
    )
    doubt_deg = known.miss_sigma_deg(slots_deg)
    press_at_deg = None if read_at_deg else _where_to_press(slots_deg, doubt_deg)
    return BoltAdvice(
        can_tell,
        known,
        corrections,
        read_at_deg,
        press_at_deg,
        _text(corrections, _asking(read_at_deg, press_at_deg), can_tell=can_tell),
        slots_deg,
        known.mount.miss_deg(slots_deg),
        after.miss_deg(slots_deg),
        doubt_deg,
    )


def _corrections(
    known: Stance, best: Setting, bolts: Mapping[Joint, Bolt]
) -> tuple[Correction, ...]:
    errors = known.errors
    wanted = {
        Joint.AZIMUTH: (errors["axis_azimuth_error_deg"], 0.0),
        Joint.AXIS: (errors["axis_elevation_deg"], float(np.asarray(best.axis_elevation_deg))),
        Joint.DECLINATION: (
            errors["declination_offset_deg"],
            float(np.asarray(best.declination_offset_deg)),
        ),
    }
    return tuple(
        _correction(joint, now, goal_deg, bolts.get(joint))
        for joint, (now, goal_deg) in wanted.items()
    )


def _correction(joint: Joint, now: Taped, goal_deg: float, bolt: Bolt | None) -> Correction:
    angle_deg = goal_deg - now.value
    turns = None if bolt is None else bolt.turns(angle_deg)
    is_sure = abs(angle_deg) >= max(SURE * now.sigma, SMALL_DEG)
    words = _words(joint, angle_deg, now.sigma, turns, is_sure=is_sure)
    return Correction(joint, angle_deg, now.sigma, turns, is_sure, words)


_WAYS: Final = {
    Joint.AZIMUTH: (
        "turn the mount clockwise, seen from above,",
        "turn the mount anticlockwise, seen from above,",
    ),
    Joint.AXIS: ("raise the axis", "lower the axis"),
    Joint.DECLINATION: (
        "open the declination bolt (dish toward the equator)",
        "close the declination bolt (dish away from the equator)",
    ),
}


def _words(
    joint: Joint, angle_deg: float, sigma_deg: float, turns: float | None, *, is_sure: bool
) -> str:
    if not is_sure:
        return (
            f"leave the {joint.value}: {angle_deg:+.2f} deg is within its doubt of "
            f"{sigma_deg:.2f} deg or too small to see"
        )
    way = _WAYS[joint][0 if angle_deg > 0 else 1]
    by_turns = "" if turns is None else f", {abs(turns):.1f} turns of its bolt"
    return f"{way} by {abs(angle_deg):.2f} deg (+- {sigma_deg:.2f}){by_turns}"


def _asking(read_at_deg: tuple[float, ...], press_at_deg: float | None) -> str:
    if read_at_deg:
        slots = " and ".join(format_slot(slot_deg) for slot_deg in read_at_deg)
        return f" Peak {slots} and read an inclinometer on the dish there."
    if press_at_deg is not None:
        return (
            f" Peak {format_slot(press_at_deg)}, press the rim up and down, and say whether the "
            f"signal gets better."
        )
    return ""


def _text(corrections: tuple[Correction, ...], ask: str, *, can_tell: bool) -> str:
    if not can_tell:
        return DEGENERATE + ask
    sure = [c.words for c in corrections if c.is_sure]
    if not sure:
        return "Nothing is far enough off to be sure of." + ask
    return "; ".join(sure) + "." + ask


def _turned(known: Stance, corrections: tuple[Correction, ...]) -> Mount:
    """Return the mount after everything that is sure was turned."""
    by = {c.joint: c.angle_deg for c in corrections if c.is_sure}
    mount = known.mount
    return Mount(
        site=mount.site,
        axis_azimuth_error_deg=mount.axis_azimuth_error_deg + by.get(Joint.AZIMUTH, 0.0),
        axis_elevation_deg=mount.axis_elevation_deg + by.get(Joint.AXIS, 0.0),
        declination_offset_deg=mount.declination_offset_deg + by.get(Joint.DECLINATION, 0.0),
    )


def _where_to_read(known: Stance, slots_deg: Array, readings: int) -> tuple[float, ...]:
    """Return the slots whose readings would shrink the doubt about the misses most.

    The first readings are judged together: one alone only finds the inclinometer's offset.
    """
    if not len(slots_deg):
        return ()
    few = slots_deg[np.unique(np.linspace(0, len(slots_deg) - 1, 9).astype(int))]
    together = min(max(1, READINGS - readings), len(few))
    choices = list(combinations(few.tolist(), together))

    def worst_deg(choice: tuple[float, ...]) -> float:
        return float(sharpened(known, choice).miss_sigma_deg(few).max())

    best = min(choices, key=worst_deg)
    if worst_deg(best) > 0.95 * float(known.miss_sigma_deg(few).max()):
        return ()
    return best


def _where_to_press(slots_deg: Array, doubt_deg: Array) -> float | None:
    """Return the slot whose miss is least known, None when all are known well enough."""
    if not len(slots_deg) or doubt_deg.max() <= PRESS_DEG:
        return None
    return float(slots_deg[np.argmax(doubt_deg)])


def _reachable(model: Model, candidates: Sequence[float]) -> Array:
    slots_deg = np.asarray(candidates, dtype=np.float64)
    if not len(slots_deg):
        return slots_deg
    return slots_deg[model.predict_many(slots_deg).reachable]


@dataclass(frozen=True)
class Wedge:
    """A wedge between axis and dish that sets the declination by being turned.

    A turn of 0 gives the whole angle of the wedge as declination; toward west is positive.
    """

    angle_deg: float

    def __post_init__(self) -> None:
        if not 0 < self.angle_deg < 45:
            raise GeometryError(
                f"wedge: angle_deg must lie between 0 and 45, not {self.angle_deg:g}"
            )

    def turn_deg(self, declination_offset_deg: float) -> float:
        """Return how far to turn it for a declination offset, to either side.

        Raises `GeometryError` for more than the wedge has.
        """
        if not abs(declination_offset_deg) <= self.angle_deg:
            raise GeometryError(
                f"wedge: a declination offset of {declination_offset_deg:g} deg is more than the "
                f"wedge has, {self.angle_deg:g} deg; take a steeper one"
            )
        ratio = np.sin(np.radians(declination_offset_deg)) / np.sin(np.radians(self.angle_deg))
        return float(np.degrees(np.arccos(ratio)))

    def declination_offset_deg(self, turn_deg: float) -> float:
        """Return the declination offset that a turn leaves."""
        sine = np.sin(np.radians(self.angle_deg)) * np.cos(np.radians(turn_deg))
        return float(np.degrees(np.arcsin(sine)))

    def hour_angle_shift_deg(self, turn_deg: float) -> float:
        """Return how far a turn swings the beam toward west: every count shifts by as much."""
        tilt_rad, turn_rad = np.radians(self.angle_deg), np.radians(turn_deg)
        return float(np.degrees(np.arctan2(np.sin(tilt_rad) * np.sin(turn_rad), np.cos(tilt_rad))))
