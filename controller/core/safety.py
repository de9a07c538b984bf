"""The one gate that every motion passes."""

from dataclasses import dataclass


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
