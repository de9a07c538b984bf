"""The core's own settings, built from the file's."""

from dataclasses import replace

from controller.config.settings import Settings
from controller.core.landing import LandingSettings
from controller.core.motion import Direction
from controller.core.safety import SafetySettings
from controller.core.watch import WatchSettings


def landing_settings(settings: Settings) -> LandingSettings:
    """Return how moves end."""
    motion = settings.motion
    return LandingSettings(
        arrive=Direction(motion.arrive),
        overshoot_pulses=motion.overshoot_pulses,
        corrections_max=motion.corrections_max,
    )


def safety_settings(settings: Settings) -> SafetySettings:
    """Return the bounds that the gate keeps."""
    motion = settings.motion
    return SafetySettings(
        soft_margin_pulses=motion.soft_margin_pulses,
        doubt_max_pulses=motion.doubt_max_pulses,
        nudge_max_pulses=motion.nudge_max_pulses,
        nudge_max_deg=motion.nudge_max_deg,
        max_run_s=motion.max_run_s,
        stale_s=settings.broker.stale_s,
    )


def watch_settings(settings: Settings) -> WatchSettings:
    """Return when a suspicion becomes a fault."""
    motion, current = settings.motion, settings.pins.current
    watch = WatchSettings(
        stall_s=motion.stall_s,
        standstill_s=motion.standstill_s,
        pause_s=motion.pause_s,
        coast_max_pulses=motion.coast_max_pulses,
        rate_max_pulses_per_s=settings.sensor.rate_max_pulses_per_s,
        end_window_pulses=motion.end_window_pulses,
        on_time_max_s=motion.on_time_max_s,
        duty_ratio=motion.duty_ratio,
    )
    if current is None:
        return watch
    return replace(watch, current_max_a=current.max_a, current_trip_s=current.trip_s)
