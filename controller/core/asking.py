"""From what was asked to a task, or to a refusal that says what to do instead."""

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING

from controller.core.commands import (
    Command,
    FindLimits,
    GotoCount,
    GotoSatellite,
    GotoSlot,
    NudgeDegrees,
    NudgePulses,
    Park,
)
from controller.core.events import CommandReceived
from controller.core.landing import LandingSettings
from controller.core.safety import Purpose, SafetySettings, SoftLimits, soft_limits
from controller.core.tasks import Asked, Journey, LimitSearch, Task
from controller.errors import CommandRefused, GeometryError

if TYPE_CHECKING:
    from controller.geometry.model import Model

REMEMBERED_IDS_N = 500
RATE_SPAN_PULSES = 5  # pulses to either side over which the rate per degree is taken


@dataclass(frozen=True, kw_only=True)
class Knowledge:
    """What the answer to a command depends on."""

    satellites: Mapping[str, float]  # name to slot
    model: "Model | None"
    count_pulses: int
    doubt_pulses: int | None
    west_limit_pulses: int | None
    park_slot_deg: float | None
    park_count_pulses: int | None


class Admission:
    """Refuse what must not be carried out whatever it asks for."""

    def __init__(self, *, stale_s: float) -> None:
        self._stale_s = stale_s
        self._ids: deque[str] = deque(maxlen=REMEMBERED_IDS_N)

    def objections(self, event: CommandReceived) -> list[str]:
        """Return why this message may not be obeyed, and remember its id."""
        reasons = list(self._reasons(event))
        self._ids.append(event.command_id)
        return reasons

    def _reasons(self, event: CommandReceived) -> Iterator[str]:
        if event.retained:
            yield "the broker kept this command from earlier; send commands without retain"
        if event.age_s is not None and abs(event.age_s) > self._stale_s:
            yield (
                f"the command is {event.age_s:.0f} s old, at most {self._stale_s:g} s are obeyed; "
                "send it again, and look at both clocks if this goes on"
            )
        if event.command_id in self._ids:
            yield f"a command with id {event.command_id} was obeyed already"


def find_satellite(name: str, satellites: Mapping[str, float]) -> str:
    """Return the catalogue's own spelling of a name; raise `CommandRefused` with a guess."""
    by_fold = {known.casefold(): known for known in satellites}
    found = by_fold.get(name.casefold().strip())
    if found:
        return found
    close = get_close_matches(name.casefold(), by_fold, n=1)
    hint = f"; did you mean {by_fold[close[0]]}?" if close else ""
    shown = name if len(name) <= 40 else name[:40] + "…"
    raise CommandRefused(f"no satellite is called {shown!r}{hint}")


def moves_the_dish(command: Command) -> bool:
    """Tell whether a command asks for a motion."""
    return isinstance(
        command,
        GotoSatellite | GotoSlot | GotoCount | NudgePulses | NudgeDegrees | Park | FindLimits,
    )


def task_for(
    command: Command,
    command_id: str,
    known: Knowledge,
    *,
    landing: LandingSettings,
    safety: SafetySettings,
) -> tuple[Task, str | None]:
    """Return the task and the satellite it goes to, or raise `CommandRefused`."""
    if isinstance(command, FindLimits):
        asked = Asked(command_id=command_id, what="find the limits")
        return LimitSearch(asked, margin_pulses=safety.soft_margin_pulses), None
    target_pulses, what, satellite = _target(command, known, safety)
    purpose = Purpose.NUDGE if isinstance(command, NudgePulses | NudgeDegrees) else Purpose.TRAVEL
    soft = soft_limits(known.west_limit_pulses, safety)
    if purpose is Purpose.TRAVEL:
        _check_doubt(known, safety)
    if known.doubt_pulses is not None:
        _check_reach(target_pulses, what, soft)
    blind = known.doubt_pulses is None
    journey = Journey(
        Asked(command_id=command_id, what=what),
        target_pulses=target_pulses,
        arrive=landing.arrive,
        overshoot_pulses=0 if blind else landing.overshoot_pulses,
        corrections_max=landing.corrections_max,
        soft=None if blind else soft,
        purpose=purpose,
    )
    return journey, satellite


def _target(
    command: Command, known: Knowledge, safety: SafetySettings
) -> tuple[int, str, str | None]:
    match command:
        case GotoSatellite(name=name):
            name = find_satellite(name, known.satellites)
            return count_of_slot(known.satellites[name], known), name, name
        case GotoSlot(slot_deg=slot_deg):
            return count_of_slot(slot_deg, known), f"slot {slot_deg:g}", None
        case GotoCount(count_pulses=count_pulses):
            return count_pulses, f"count {count_pulses}", None
        case NudgePulses(step_pulses=step_pulses):
            return _nudged(step_pulses, known, safety), f"nudge {step_pulses:+d}", None
        case NudgeDegrees(step_deg=step_deg):
            step_pulses = _pulses_of(step_deg, known, safety)
            return _nudged(step_pulses, known, safety), f"nudge {step_deg:+g} deg", None
        case Park():
            return _parking_place(known), "park", None
    raise CommandRefused(f"{type(command).__name__} is no move")


def count_of_slot(slot_deg: float, known: Knowledge) -> int:
    """Return the count at which the dish points at a slot, or raise `CommandRefused`."""
    if known.model is None:
        raise CommandRefused("there is no model of the mount yet: find the limits first")
    try:
        return round(known.model.predict(slot_deg).count_pulses)
    except GeometryError as error:
        raise CommandRefused(str(error)) from error


def _nudged(step_pulses: int, known: Knowledge, safety: SafetySettings) -> int:
    bound = safety.nudge_max_pulses
    if not step_pulses:
        raise CommandRefused("a nudge of less than one pulse moves nothing")
    if abs(step_pulses) > bound:
        raise CommandRefused(f"a nudge is at most {bound} pulses, not {abs(step_pulses)}: use goto")
    return known.count_pulses + step_pulses


def _pulses_of(step_deg: float, known: Knowledge, safety: SafetySettings) -> int:
    if abs(step_deg) > safety.nudge_max_deg:
        raise CommandRefused(
            f"a nudge is at most {safety.nudge_max_deg:g} deg, not {abs(step_deg):g}: use goto"
        )
    if known.model is None or known.doubt_pulses is None:
        raise CommandRefused("degrees need a known count: nudge by pulses, or find the limits")
    east = known.model.pointing(known.count_pulses - RATE_SPAN_PULSES)
    west = known.model.pointing(known.count_pulses + RATE_SPAN_PULSES)
    if east is None or west is None:
        raise CommandRefused("the dish points off the arc here: nudge by pulses")
    span_deg = west.hour_angle_deg - east.hour_angle_deg
    return round(2 * RATE_SPAN_PULSES / span_deg * step_deg)


def _parking_place(known: Knowledge) -> int:
    if known.park_count_pulses is not None:
        return known.park_count_pulses
    if known.park_slot_deg is not None:
        return count_of_slot(known.park_slot_deg, known)
    raise CommandRefused(
        "no parking place is configured: set motion.park_slot_deg or motion.park_count_pulses"
    )


def _check_doubt(known: Knowledge, safety: SafetySettings) -> None:
    if known.doubt_pulses is None:
        raise CommandRefused("the count is not known: find the limits first")
    if known.doubt_pulses > safety.doubt_max_pulses:
        raise CommandRefused(
            f"the count may be wrong by {known.doubt_pulses} pulses, more than "
            f"{safety.doubt_max_pulses}: find the limits, or settle it on a satellite"
        )
    if known.west_limit_pulses is None:
        raise CommandRefused("the ends of the travel are not known: find the limits first")


def _check_reach(target_pulses: int, what: str, soft: SoftLimits | None) -> None:
    if soft is None or soft.holds(target_pulses):
        return
    side = "east" if target_pulses < soft.east_pulses else "west"
    raise CommandRefused(
        f"{what} is at count {target_pulses}, beyond the {side} soft limit; "
        f"the dish may rest from {soft.east_pulses} to {soft.west_pulses}"
    )
