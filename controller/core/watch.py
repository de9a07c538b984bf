"""Suspicions: what the hardware does that it was not told to do, or does not do."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class WatchSettings:
    """When a suspicion becomes a fault."""

    stall_s: float = 2.0  # motor on and no pulse for this long
    standstill_s: float = 0.6  # motor off and no pulse for this long: it stands
    pause_s: float = 0.3  # after standstill, before the motor may run again
    coast_max_pulses: int = 25  # more pulses than this after a cut: a relay is welded
    rate_max_pulses_per_s: float = 60.0  # faster than the actuator can: extra pulses
    end_window_pulses: int = 20  # this near a known end a stall is an arrival
    on_time_max_s: float = 240.0  # motor budget when cool
    duty_ratio: float = 0.25  # budget that comes back per second of rest
    current_max_a: float | None = None  # above this for current_trip_s: a jam
    current_trip_s: float = 0.5
