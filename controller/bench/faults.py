"""What can break in a yard, by name, switched on and off while it runs."""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import ClassVar, TypeVar

from controller.errors import ConfigError


@dataclass(frozen=True, kw_only=True)
class Fault:
    """Something broken; its subclasses say what, and how badly."""

    name: ClassVar[str]

    @property
    def key(self) -> str:
        """Return what sets this fault apart from others that may be there as well."""
        return self.name


@dataclass(frozen=True, kw_only=True)
class Jam(Fault):
    """The screw does not turn, whatever the motor does."""

    name = "jam"


@dataclass(frozen=True, kw_only=True)
class WeldedRelay(Fault):
    """A relay's contact stays where it is: "closed" welded, "open" burnt off."""

    name = "welded-relay"
    relay: str  # "east", "west", "power", "reverse", "main"
    position: str = "closed"

    def __post_init__(self) -> None:
        _one_of("position", self.position, ("closed", "open"))

    @property
    def key(self) -> str:
        """Return the name with the relay, for several may be welded."""
        return f"{self.name} {self.relay}"


@dataclass(frozen=True, kw_only=True)
class DeadSensor(Fault):
    """A reed that no longer moves."""

    name = "dead-sensor"
    stuck: str = "open"
    sensor: str = "reed"

    def __post_init__(self) -> None:
        _one_of("stuck", self.stuck, ("open", "closed"))
        _one_of("sensor", self.sensor, ("reed", "second"))

    @property
    def key(self) -> str:
        """Return the name with the sensor, for both may be dead."""
        return f"{self.name} {self.sensor}"


@dataclass(frozen=True, kw_only=True)
class MissingPulses(Fault):
    """Magnets that the reed does not feel."""

    name = "missing-pulses"
    probability: float = 0.1

    def __post_init__(self) -> None:
        _between("probability", self.probability, 0.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class ExtraPulses(Fault):
    """Closings without a magnet, such as a motor's sparks make on a long cable."""

    name = "extra-pulses"
    rate_per_s: float = 1.0
    width_s: float = 0.006  # longer than a debounce takes away
    only_moving: bool = True

    def __post_init__(self) -> None:
        _between("rate_per_s", self.rate_per_s, 1e-6, 10_000.0)
        _between("width_s", self.width_s, 1e-6, 1.0)


@dataclass(frozen=True, kw_only=True)
class SensorNoise(Fault):
    """Spikes that a debounce should take away."""

    name = "sensor-noise"
    rate_per_s: float = 20.0
    width_s: float = 0.0003
    only_moving: bool = False

    def __post_init__(self) -> None:
        _between("rate_per_s", self.rate_per_s, 1e-6, 10_000.0)
        _between("width_s", self.width_s, 1e-6, 1.0)


@dataclass(frozen=True, kw_only=True)
class LostEdges(Fault):
    """A board so busy that it drops edges, and says how many with the next one it keeps."""

    name = "lost-edges"
    probability: float = 0.1

    def __post_init__(self) -> None:
        _between("probability", self.probability, 0.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class LongBounce(Fault):
    """A worn reed that bounces longer."""

    name = "long-bounce"
    bounce_s: float = 0.006

    def __post_init__(self) -> None:
        _between("bounce_s", self.bounce_s, 0.0, 0.1)


@dataclass(frozen=True, kw_only=True)
class MotorBackwards(Fault):
    """The motor's two wires are swapped."""

    name = "motor-backwards"


@dataclass(frozen=True, kw_only=True)
class SensorInverted(Fault):
    """The sensor is on its other contact and reads closed where it should be open."""

    name = "sensor-inverted"


@dataclass(frozen=True, kw_only=True)
class SensorsSwapped(Fault):
    """The two sensors of a quadrature pair are on each other's lines."""

    name = "sensors-swapped"


@dataclass(frozen=True, kw_only=True)
class LimitSwitchDead(Fault):
    """A limit switch that the board sees no longer moves."""

    name = "limit-switch-dead"
    side: str
    stuck: str = "open"

    def __post_init__(self) -> None:
        _one_of("side", self.side, ("east", "west"))
        _one_of("stuck", self.stuck, ("open", "closed"))

    @property
    def key(self) -> str:
        """Return the name with the side."""
        return f"{self.name} {self.side}"


@dataclass(frozen=True, kw_only=True)
class EndSwitchDead(Fault):
    """The actuator's own end switch no longer opens the motor's circuit."""

    name = "end-switch-dead"
    side: str

    def __post_init__(self) -> None:
        _one_of("side", self.side, ("east", "west"))

    @property
    def key(self) -> str:
        """Return the name with the side."""
        return f"{self.name} {self.side}"


@dataclass(frozen=True, kw_only=True)
class Slipping(Fault):
    """The screw turns and the rod follows only in part, or not at all."""

    name = "slipping"
    part: float = 1.0

    def __post_init__(self) -> None:
        _between("part", self.part, 0.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Stiff(Fault):
    """The screw goes hard: slower, with more current."""

    name = "stiff"
    speed_factor: float = 0.5

    def __post_init__(self) -> None:
        _between("speed_factor", self.speed_factor, 0.05, 1.0)


@dataclass(frozen=True, kw_only=True)
class PowerCut(Fault):
    """The motor's supply is gone; the board's is not."""

    name = "power-cut"


BY_NAME: dict[str, type[Fault]] = {
    fault.name: fault
    for fault in (
        Jam,
        WeldedRelay,
        DeadSensor,
        MissingPulses,
        ExtraPulses,
        SensorNoise,
        LostEdges,
        LongBounce,
        MotorBackwards,
        SensorInverted,
        SensorsSwapped,
        LimitSwitchDead,
        EndSwitchDead,
        Slipping,
        Stiff,
        PowerCut,
    )
}

F = TypeVar("F", bound=Fault)


class Faults:
    """What is broken now."""

    def __init__(self) -> None:
        self._broken: dict[str, Fault] = {}

    def __iter__(self) -> Iterator[Fault]:
        return iter(tuple(self._broken.values()))

    def apply(self, name: str, **parameters: object) -> Fault:
        """Break something; raise `ConfigError` for an unknown name or parameter."""
        kind = BY_NAME.get(name)
        if kind is None:
            raise ConfigError(f"no fault is called {name!r}; there are: {', '.join(BY_NAME)}")
        known = {field.name for field in fields(kind)}
        if unknown := set(parameters) - known:
            takes = ", ".join(sorted(known)) or "nothing"
            raise ConfigError(f"fault {name} takes {takes}; not {', '.join(sorted(unknown))}")
        try:
            fault = kind(**parameters)
        except TypeError as error:
            raise ConfigError(f"fault {name}: {error}") from error
        self._broken[fault.key] = fault
        return fault

    def clear(self, name: str | None = None) -> None:
        """Mend everything of that name, or with None everything there is."""
        if name is not None and name not in BY_NAME:
            raise ConfigError(f"no fault is called {name!r}; there are: {', '.join(BY_NAME)}")
        self._broken = {
            k: fault for k, fault in self._broken.items() if name not in (None, fault.name)
        }

    def drop(self, fault: Fault) -> None:
        """Mend this one."""
        self._broken.pop(fault.key, None)

    def all_of(self, kind: type[F]) -> list[F]:
        """Return the faults of a kind."""
        return [fault for fault in self._broken.values() if isinstance(fault, kind)]

    def first(self, kind: type[F]) -> F | None:
        """Return the fault of a kind, None when there is none."""
        return next(iter(self.all_of(kind)), None)


def _between(name: str, value: float, low: float, high: float) -> None:
    if not isinstance(value, int | float) or not low <= value <= high:
        raise ConfigError(f"{name} must be {low:g} to {high:g}, not {value!r}")


def _one_of(name: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise ConfigError(f"{name} must be {' or '.join(allowed)}, not {value!r}")
