"""What happened, and when: the only things that enter the core.

`at_s` is CLOCK_MONOTONIC in seconds, stamped where the event entered: by the kernel for
an edge, by the door for the rest.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from controller.core.commands import Command
from controller.core.motion import Direction

if TYPE_CHECKING:
    from controller.geometry.model import Model


@dataclass(frozen=True, kw_only=True)
class Event:
    """Something that happened, and when."""

    at_s: float


@dataclass(frozen=True, kw_only=True)
class Tick(Event):
    """Time has passed."""


@dataclass(frozen=True, kw_only=True)
class ReedEdge(Event):
    """The main sensor's contact changed, raw and bouncing.

    `lost_edges` is how many edges the kernel dropped just before this one.
    `second_closed` is the level of the quadrature sensor at this edge, None without one.
    """

    closed: bool
    lost_edges: int = 0
    second_closed: bool | None = None


@dataclass(frozen=True, kw_only=True)
class LimitSwitchChanged(Event):
    """A limit switch at one end of the travel was reached or left."""

    side: Direction
    active: bool


@dataclass(frozen=True, kw_only=True)
class StopInputChanged(Event):
    """The stop input was pressed or let go; the door has opened the relays already."""

    active: bool


@dataclass(frozen=True, kw_only=True)
class HoldInputChanged(Event):
    """The hold switch at the dish was turned."""

    active: bool


@dataclass(frozen=True, kw_only=True)
class CurrentRead(Event):
    """The supply current of the motor."""

    current_a: float


@dataclass(frozen=True, kw_only=True)
class SignalRead(Event):
    """A receiver's signal level, in the receiver's own unit."""

    level: float


@dataclass(frozen=True, kw_only=True)
class MotorOn(Event):
    """The drive has closed its relays for a new run."""


@dataclass(frozen=True, kw_only=True)
class LeaseExpired(Event):
    """The drive opened its relays because nobody renewed the run in time."""


@dataclass(frozen=True, kw_only=True)
class CommandReceived(Event):
    """Somebody asked for something.

    `age_s` is how old the sender's own time stamp makes it, None without a stamp.
    `retained` is True for a copy that the broker kept.
    """

    command: Command
    command_id: str
    source: str  # "mqtt", "panel", "demo"
    retained: bool = False
    age_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class CommandUnreadable(Event):
    """Somebody sent what is not a command; it is answered and moves nothing."""

    command_id: str
    source: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class ModelFitted(Event):
    """The worker finished a model; `None` with a reason when it could not."""

    model: "Model | None"
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class StoreFailed(Event):
    """The store could not write; nothing may move until it can."""

    reason: str


@dataclass(frozen=True, kw_only=True)
class StoreRecovered(Event):
    """The store can write again."""


@dataclass(frozen=True, kw_only=True)
class DoorFailed(Event):
    """A door broke while carrying out an order; the relays are open."""

    reason: str
