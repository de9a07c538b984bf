"""What a yard knows about itself: the answers that a trial is judged by."""

from dataclasses import asdict, dataclass
from typing import Any

from controller.bench.wiring import Crime


@dataclass(frozen=True, kw_only=True)
class Truth:
    """A yard at one moment."""

    at_s: float
    count_pulses: int  # magnets between the reed and the east end
    place_pulses: float  # the screw's place in pulses; its whole part is a count
    magnet_here: bool  # a healthy reed would be closed
    screw_mm: float  # from the east end toward west
    rod_mm: float  # pin to pin, as the dish holds it
    hour_angle_deg: float
    speed_mm_per_s: float
    moving: bool
    voltage_ratio: float  # at the motor's wires, 1 is nominal, above zero toward west
    current_a: float
    relays: dict[str, bool]
    levels: dict[int, float]
    at_east_end: bool  # the actuator's own end switch is open
    at_west_end: bool
    broken: tuple[str, ...]
    crimes: tuple[Crime, ...]

    def as_json(self) -> dict[str, Any]:
        """Return plain types for JSON."""
        return asdict(self)

    @classmethod
    def from_json(cls, plain: dict[str, Any]) -> "Truth":
        """Return the truth that `as_json` wrote."""
        plain = dict(plain)
        plain["levels"] = {int(pin): level for pin, level in plain["levels"].items()}
        plain["broken"] = tuple(plain["broken"])
        plain["crimes"] = tuple(Crime(**crime) for crime in plain["crimes"])
        return cls(**plain)
