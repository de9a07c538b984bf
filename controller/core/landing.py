"""When to cut the motor so that it stops on the pulse."""

from dataclasses import dataclass

from controller.core.motion import Direction


@dataclass(frozen=True, kw_only=True)
class LandingSettings:
    """How moves end, and what is believed about the coast before the first one."""

    arrive: Direction = Direction.WEST  # every final approach runs this way
    overshoot_pulses: int = 8  # past the target, to come back and take up the backlash
    corrections_max: int = 6
    coast_s: float = 0.15  # first guess: coast in pulses is this times the rate
    rate_pulses_per_s: float = 12.0  # first guess of the full rate
    spin_up_s: float = 0.12  # first guess of the time constant of the start
