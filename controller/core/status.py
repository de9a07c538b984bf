"""The one picture of the dish that every door shows."""

from dataclasses import asdict, dataclass
from typing import Any

from controller.core.motion import Direction, MotionState


@dataclass(frozen=True, kw_only=True)
class Status:
    """What is known now; None wherever it is not known."""

    dish: str
    state: MotionState
    direction: Direction | None  # of the motor, while it runs
    count_pulses: int | None  # None: not known since the last unclean stop
    doubt_pulses: int | None
    target_pulses: int | None
    satellite: str | None  # the one the dish rests on
    target_satellite: str | None
    slot_deg: float | None  # where the dish points along the arc
    hour_angle_deg: float | None
    sigma_deg: float | None
    loss_db: float | None  # what sigma_deg may cost
    west_limit_pulses: int | None
    east_soft_pulses: int | None
    west_soft_pulses: int | None
    references_n: int
    held: bool
    hold_reason: str
    stop_pressed: bool
    fault: str
    advice: str
    waiting: str  # why a move under way stands still, "" when it does not
    progress: float | None  # 0 to 1 of the move under way
    rate_pulses_per_s: float | None
    current_a: float | None
    signal: float | None

    def as_json(self) -> dict[str, Any]:
        """Return plain types for JSON, one key for each field."""
        plain = asdict(self)
        plain["state"] = self.state.value
        plain["direction"] = self.direction.value if self.direction else None
        return plain
