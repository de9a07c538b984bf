"""The two ends of the travel: when a stall is an arrival, and what an end says of the count."""

from dataclasses import dataclass

from controller.core.charts import Charts
from controller.core.counting import Counter
from controller.core.motion import Direction
from controller.core.tasks import LimitSearch
from controller.core.watch import Suspicion

TRAVEL_ADVICE = (
    "Look whether something stopped the rod before its end, whether the sensor counts on the "
    "whole way, and whether stroke and pulses per mm in the configuration are right."
)


@dataclass(frozen=True, kw_only=True)
class EndSettings:
    """What is known of the ends beforehand."""

    switches: frozenset[Direction]  # ends with a limit switch on the board
    window_pulses: int  # this near a known end a stall is an arrival
    least_travel_pulses: int
    travel_pulses: float | None  # by the tape
    travel_tolerance_pulses: float


def may_be_end(
    direction: Direction,
    *,
    counter: Counter,
    charts: Charts,
    switch: Direction | None,
    searching: bool,
    settings: EndSettings,
) -> bool:
    """Tell whether a stall toward `direction` can be the actuator's own end switch."""
    if direction in settings.switches and switch is not direction:
        return False
    if counter.doubt_pulses is None:
        return searching
    end = 0 if direction is Direction.EAST else charts.west_limit_pulses
    if end is None:
        return searching
    room = settings.window_pulses + counter.doubt_pulses
    return abs(counter.count_pulses - end) <= room


def settle_at_end(end: Direction, counter: Counter, charts: Charts) -> str:
    """Take the count from an end that was met by accident; return what to tell."""
    place = 0 if end is Direction.EAST else charts.west_limit_pulses
    if place is None or counter.doubt_pulses is None:
        return f"came to the {end.value} end"
    off = counter.settle(count_pulses=place, doubt_pulses=1)
    return f"came to the {end.value} end, where the count was corrected by {off:+d} pulses"


def end_found(
    task: LimitSearch, end: Direction, counter: Counter, charts: Charts, settings: EndSettings
) -> Suspicion | None:
    """Take an end that was searched for; return what is wrong with it.

    The first east end ever found is 0 by definition.  Found again, it may lie a pulse beside
    the old one, and the references with it.
    """
    if end is Direction.EAST:
        again = charts.west_limit_pulses is not None and bool(charts.references)
        counter.settle(count_pulses=0, doubt_pulses=int(again))
        task.east_found = True
        return None
    trouble = _implausible(counter.count_pulses, settings)
    if trouble:
        counter.forget()
        return trouble
    task.west_limit_pulses = charts.west_limit_pulses = counter.count_pulses
    return None


def _implausible(limit_pulses: int, settings: EndSettings) -> Suspicion | None:
    travel, tolerance = settings.travel_pulses, settings.travel_tolerance_pulses
    if travel is not None and abs(limit_pulses - travel) > tolerance:
        text = (
            f"the ends are {limit_pulses} pulses apart, by the tape it should be "
            f"{travel:.0f} within {tolerance:.0f}"
        )
        return Suspicion(text=text, advice=TRAVEL_ADVICE)
    if limit_pulses < settings.least_travel_pulses:
        text = (
            f"the ends are only {limit_pulses} pulses apart, less than "
            f"{settings.least_travel_pulses}"
        )
        return Suspicion(text=text, advice=TRAVEL_ADVICE)
    return None
