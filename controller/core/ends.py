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
IDLE_WINDOW_PULSES = 3  # chosen: a run that starts at an end has no more than its slack to go


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
    was_idle: bool,
    settings: EndSettings,
) -> bool:
    """Tell whether a stall toward `direction` can be the actuator's own end switch.

    A task without a single pulse is no witness: a blown fuse looks the same.
    """
    if direction in settings.switches and switch is not direction:
        return False
    if counter.doubt_pulses is None:
        return searching
    end = 0 if direction is Direction.EAST else charts.west_limit_pulses
    if end is None:
        return searching
    window = IDLE_WINDOW_PULSES if was_idle else settings.window_pulses
    room = window + counter.doubt_pulses
    return abs(counter.count_pulses - end) <= room


def settle_at_end(end: Direction, counter: Counter, charts: Charts) -> str:
    """Take the count from an end that was met by accident; return what to tell."""
    place = 0 if end is Direction.EAST else charts.west_limit_pulses
    if place is None or counter.doubt_pulses is None:
        return f"came to the {end.value} end"
    off = place - counter.count_pulses
    counter.settle(count_pulses=place, doubt_pulses=max(1, abs(off)))
    return f"came to the {end.value} end, where the count was corrected by {off:+d} pulses"


def end_found(
    task: LimitSearch, end: Direction, counter: Counter, charts: Charts, settings: EndSettings
) -> Suspicion | None:
    """Take an end that was searched for; return what is wrong with it.

    The east end is 0 by definition, but ice or a dead motor looks like an end as well: the
    count is believed only when the west end lies where it should.  Found again, the ends may
    lie a pulse beside the old ones, and the references with them.
    """
    if end is Direction.EAST:
        counter.settle(count_pulses=0, doubt_pulses=0)
        counter.forget()
        task.east_found = True
        return None
    if not task.east_found:
        return None
    limit = counter.count_pulses
    trouble = _implausible(limit, settings) or _moved(limit, charts, settings)
    if trouble:
        counter.forget()
        return trouble
    again = charts.west_limit_pulses is not None and bool(charts.references)
    counter.settle(count_pulses=limit, doubt_pulses=int(again))
    task.west_limit_pulses = charts.west_limit_pulses = limit
    return None


def _moved(limit_pulses: int, charts: Charts, settings: EndSettings) -> Suspicion | None:
    """Return what is wrong when the ends lie elsewhere than the last time."""
    before = charts.west_limit_pulses
    if before is None or abs(limit_pulses - before) <= settings.window_pulses:
        return None
    text = f"the ends are {limit_pulses} pulses apart, the last time it was {before}"
    return Suspicion(text=text, advice=TRAVEL_ADVICE)


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
