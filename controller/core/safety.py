"""The one gate that every motion passes.

Rule 1: the default is no; a run is permitted when nobody objects.
Rule 2: all objections are collected, so that a person reads all of them.
Rule 3: stopping is always permitted.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from controller.core.motion import RUNNING, Direction, MotionState
from controller.core.orders import Order, RunMotor, StopMotor


@dataclass(frozen=True, kw_only=True)
class SafetySettings:
    """Bounds that the gate keeps."""

    soft_margin_pulses: int = 12  # soft limits stand this far inside the ends
    doubt_max_pulses: int = 10  # more doubt than this forbids moves to a place
    nudge_max_pulses: int = 60
    nudge_max_deg: float = 5.0
    max_run_s: float = 180.0  # one run of the motor; hard ceiling in the configuration
    lease_s: float = 0.5  # how far ahead a run is permitted at a time
    stale_s: float = 10.0  # older commands are refused


class Purpose(Enum):
    """What a run is for; the gate asks for less where an end is being looked for."""

    TRAVEL = "travel"  # to a known place
    NUDGE = "nudge"  # a few pulses from here
    SEARCH = "search"  # until an end of the travel


@dataclass(frozen=True, kw_only=True)
class Situation:
    """All that the gate may look at."""

    now_s: float
    state: MotionState
    purpose: Purpose
    count_pulses: int
    doubt_pulses: int | None
    west_limit_pulses: int | None
    run_started_s: float | None
    still_since_s: float | None
    pause_s: float
    budget_left_s: float
    end_reached: Direction | None  # the limit switch that is active now
    objections: tuple[str, ...]  # of those who object whatever is asked


@dataclass(frozen=True, kw_only=True)
class SoftLimits:
    """Where the dish may be sent; the ends of the travel lie a margin further out."""

    east_pulses: int
    west_pulses: int

    def holds(self, count_pulses: int) -> bool:
        """Tell whether a count lies within."""
        return self.east_pulses <= count_pulses <= self.west_pulses


def soft_limits(west_limit_pulses: int | None, settings: SafetySettings) -> SoftLimits | None:
    """Return the soft limits, None before both ends are known."""
    if west_limit_pulses is None:
        return None
    margin = settings.soft_margin_pulses
    return SoftLimits(east_pulses=margin, west_pulses=west_limit_pulses - margin)


def permit(order: Order, situation: Situation, settings: SafetySettings) -> Order:
    """Return `order`, or the `StopMotor` that replaces it."""
    if isinstance(order, StopMotor):
        return order
    reasons = list(_objections(order, situation, settings))
    if reasons:
        return StopMotor(reason="; ".join(reasons))
    return order


def _objections(order: Order, now: Situation, settings: SafetySettings) -> Iterator[str]:
    if not isinstance(order, RunMotor):
        yield f"{type(order).__name__} is not a motor order"
        return
    yield from now.objections
    yield from _timing_objections(order, now, settings)
    yield from _place_objections(order, now, settings)


def _timing_objections(order: RunMotor, now: Situation, settings: SafetySettings) -> Iterator[str]:
    if not now.now_s < order.until_s <= now.now_s + settings.lease_s:
        yield f"a run is permitted for at most {settings.lease_s:g} s at a time"
    if now.state in RUNNING:
        if now.state is not _running(order.direction):
            yield f"it is {now.state.value}: that must end before it goes {order.direction.value}"
        if now.run_started_s is None or now.now_s - now.run_started_s > settings.max_run_s:
            yield f"this run is longer than {settings.max_run_s:g} s"
    elif now.state is not MotionState.RESTING:
        yield f"the motor may not start while {now.state.value}"
    elif now.still_since_s is None or now.now_s - now.still_since_s < now.pause_s:
        yield f"the rod has not stood still for {now.pause_s:g} s"
    if now.budget_left_s <= 0:
        yield "the motor has to cool"


def _place_objections(order: RunMotor, now: Situation, settings: SafetySettings) -> Iterator[str]:
    if now.end_reached is order.direction:
        yield f"the {order.direction.value} limit switch is active"
    if now.purpose is not Purpose.TRAVEL and now.doubt_pulses is None:
        return
    if now.purpose is Purpose.SEARCH:
        return
    if now.doubt_pulses is None:
        yield "the count is not known: find the limits first"
        return
    if now.purpose is Purpose.TRAVEL and now.doubt_pulses > settings.doubt_max_pulses:
        yield (
            f"the count may be wrong by {now.doubt_pulses} pulses, more than "
            f"{settings.doubt_max_pulses}: find the limits or settle it on a satellite"
        )
    soft = soft_limits(now.west_limit_pulses, settings)
    if soft is None:
        if now.purpose is Purpose.TRAVEL:
            yield "the ends of the travel are not known: find the limits first"
    elif order.direction is Direction.WEST and now.count_pulses >= soft.west_pulses:
        yield f"count {now.count_pulses} is at the west soft limit {soft.west_pulses}"
    elif order.direction is Direction.EAST and now.count_pulses <= soft.east_pulses:
        yield f"count {now.count_pulses} is at the east soft limit {soft.east_pulses}"


def _running(direction: Direction) -> MotionState:
    return MotionState.WESTING if direction is Direction.WEST else MotionState.EASTING
