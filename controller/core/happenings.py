"""What the helm tells the voyage beside its orders."""

from dataclasses import dataclass

from controller.core.motion import Direction
from controller.core.watch import Suspicion


@dataclass(frozen=True, kw_only=True)
class Refused:
    """The gate did not permit a run."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class Failed:
    """A suspicion became certain."""

    suspicion: Suspicion


@dataclass(frozen=True, kw_only=True)
class Stalled:
    """The motor is on and nothing turns: an end, or a fault."""

    direction: Direction


@dataclass(frozen=True, kw_only=True)
class Stood:
    """The rod has come to rest after a run."""

    direction: Direction


@dataclass(frozen=True, kw_only=True)
class Uneasy:
    """The doubt has grown."""

    text: str


Happening = Refused | Failed | Stalled | Stood | Uneasy
