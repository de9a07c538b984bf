"""What the store gives back at start."""

from dataclasses import dataclass, field

from controller.core.motion import Direction
from controller.geometry.priors import Reference


@dataclass(frozen=True, kw_only=True)
class CountRecord:
    """The last thing that was written about the count.

    `moving` is True when the last word was an intention or a checkpoint, so that the
    end of that run was never seen; then `direction` and `bound_pulses` are its own.
    `same_boot` tells whether the machine has been up ever since, and `since_save_s`
    how long ago it was written (None after another boot).
    `relays_open_after_s` is how long after that save every relay was known to be opened
    by the command that does so, None when it was not called.
    """

    count_pulses: int
    doubt_pulses: int | None
    moving: bool
    direction: Direction | None
    bound_pulses: int | None
    reed_closed: bool | None
    same_boot: bool
    since_save_s: float | None
    relays_open_after_s: float | None


@dataclass(frozen=True, kw_only=True)
class LandingRecord:
    """What was learned about stopping in one direction."""

    coast_s: float
    coast_slow_s: float
    rate_pulses_per_s: float
    spin_up_s: float


@dataclass(frozen=True, kw_only=True)
class Remembered:
    """Everything the pilot starts from."""

    count: CountRecord | None = None
    west_limit_pulses: int | None = None
    references: tuple[Reference, ...] = ()
    landing: dict[Direction, LandingRecord] = field(default_factory=dict)
    held: bool = False
    hold_reason: str = ""
    fault_text: str = ""
    fault_advice: str = ""
