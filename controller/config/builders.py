"""The core's own settings, built from the file's."""

from dataclasses import replace
from typing import TYPE_CHECKING

from controller.config.section import Taped as Measured
from controller.config.settings import Settings
from controller.core.landing import LandingSettings
from controller.core.motion import Direction
from controller.core.safety import SafetySettings
from controller.core.watch import WatchSettings

if TYPE_CHECKING:
    from controller.geometry.priors import Priors, Taped


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


def _known(length: Measured) -> "Taped":
    from controller.geometry.priors import Taped  # noqa: PLC0415

    return Taped(length.value, length.sigma)


def priors(settings: Settings) -> "Priors":
    """Return what the tape measure knows; a mount that gives no setting is set as is best there."""
    # numpy: see mechanics.py
    from controller.geometry.ellipsoid import Site  # noqa: PLC0415
    from controller.geometry.linkage import Side  # noqa: PLC0415
    from controller.geometry.polar import minimax_setting  # noqa: PLC0415
    from controller.geometry.priors import Priors, Taped  # noqa: PLC0415

    place, mount = settings.site, settings.mount
    site = Site(place.latitude_deg, place.longitude_deg, place.height_m)
    axis_deg, offset_deg = mount.axis_elevation_deg, mount.declination_offset_deg
    if axis_deg is None or offset_deg is None:
        best = minimax_setting(site)
        axis_deg = float(best.axis_elevation_deg)
        offset_deg = float(best.declination_offset_deg)
    arms = settings.actuator
    return Priors(
        site=site,
        side=Side(settings.actuator.side),
        axis_elevation_deg=Taped(axis_deg, mount.elevation_sigma_deg),
        axis_azimuth_error_deg=Taped(0.0, mount.azimuth_sigma_deg),
        declination_offset_deg=Taped(offset_deg, mount.declination_sigma_deg),
        dish_diameter_m=settings.dish.diameter_m,
        frequency_ghz=settings.dish.frequency_ghz,
        dish_arm_mm=_known(arms.dish_arm_mm),
        mast_arm_mm=_known(arms.mast_arm_mm),
        axial_offset_mm=_known(arms.axial_offset_mm),
        opening_at_top_deg=_known(arms.opening_at_top_deg),
        retracted_mm=_known(arms.retracted_mm),
        stroke_mm=_known(arms.stroke_mm),
        pulses_per_mm=_known(arms.pulses_per_mm),
    )


def travel_by_tape(settings: Settings) -> tuple[float, float]:
    """Return the pulses between the two ends by the tape, and how far off they may be found.

    Three sigmas of stroke and pulses per mm together, and never less than a tenth.
    """
    stroke, per_mm = settings.actuator.stroke_mm, settings.actuator.pulses_per_mm
    travel_pulses = stroke.value * per_mm.value
    spread = ((stroke.sigma / stroke.value) ** 2 + (per_mm.sigma / per_mm.value) ** 2) ** 0.5
    return travel_pulses, travel_pulses * max(0.1, 3 * spread)
