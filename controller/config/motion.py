"""The section for how moves are made and watched.

The bounds are hard ceilings: an owner can tighten safety here, not loosen it.
"""

from typing import Literal

from pydantic import Field

from controller.config.section import Section, SlotDeg


class Motion(Section):
    """How moves are made and watched; the core's own settings are built from this."""

    arrive: Literal["east", "west"] = Field(
        default="west", description="Direction of every last approach, against backlash."
    )
    overshoot_pulses: int = Field(
        default=8, ge=0, le=200, description="Run past the target to come back to it, pulses."
    )
    corrections_max: int = Field(
        default=6, ge=0, le=20, description="Short runs allowed after the first one."
    )
    soft_margin_pulses: int = Field(
        default=12, ge=2, le=500, description="Soft limits stand this far inside the ends, pulses."
    )
    doubt_max_pulses: int = Field(
        default=10, ge=1, le=200, description="More doubt than this forbids a goto, pulses."
    )
    nudge_max_pulses: int = Field(default=60, ge=1, le=500, description="Longest nudge, pulses.")
    nudge_max_deg: float = Field(
        default=5.0, gt=0, le=30, description="Longest nudge, degrees of hour angle."
    )
    max_run_s: float = Field(
        default=180.0, ge=1, le=600, description="Longest single run of the motor, s."
    )
    stall_s: float = Field(
        default=2.0, ge=0.2, le=10, description="Motor on without a pulse: a stall, s."
    )
    standstill_s: float = Field(
        default=0.6, ge=0.2, le=5, description="Motor off without a pulse: it stands, s."
    )
    pause_s: float = Field(
        default=0.3, ge=0.1, le=10, description="From standstill to the next start, s."
    )
    coast_max_pulses: int = Field(
        default=25, ge=2, le=500, description="More than this after the cut: a relay hangs, pulses."
    )
    end_window_pulses: int = Field(
        default=20, ge=1, le=200, description="A stall this near an end is an arrival, pulses."
    )
    on_time_max_s: float = Field(
        default=240.0, ge=5, le=3600, description="How long a cool motor may run in all, s."
    )
    duty_ratio: float = Field(
        default=0.25, gt=0, le=1, description="Run time won back for each second of rest."
    )
    park_slot_deg: SlotDeg | None = Field(
        default=None, description="Where park goes, as a slot; or park_count_pulses."
    )
    park_count_pulses: int | None = Field(
        default=None, ge=0, le=1_000_000, description="Where park goes, pulses from the east limit."
    )
