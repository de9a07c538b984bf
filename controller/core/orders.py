"""What is to be done: the only things that leave the core, carried out in the order given."""

from dataclasses import dataclass
from enum import Enum

from controller.core.motion import Direction
from controller.geometry.priors import Reference


@dataclass(frozen=True, kw_only=True)
class Order:
    """Something to be done by a door."""


@dataclass(frozen=True, kw_only=True)
class RunMotor(Order):
    """Run the motor; the drive stops by itself at `until_s` unless this is renewed."""

    direction: Direction
    until_s: float


@dataclass(frozen=True, kw_only=True)
class StopMotor(Order):
    """Open every motor relay."""

    reason: str


class Outcome(Enum):
    """What becomes of a command: accepted or refused at once, then one of the other two."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    ARRIVED = "arrived"  # carried out to the end
    STOPPED = "stopped"  # ended before its end, for the reason given


@dataclass(frozen=True, kw_only=True)
class Answer(Order):
    """Tell whoever asked."""

    command_id: str
    outcome: Outcome
    text: str
    count_pulses: int | None = None
    target_pulses: int | None = None


class Severity(Enum):
    """How loud a notice is."""

    NOTE = "note"
    WARNING = "warning"
    FAULT = "fault"


@dataclass(frozen=True, kw_only=True)
class Notice(Order):
    """Tell everybody, and write it in the log."""

    severity: Severity
    text: str
    advice: str = ""


@dataclass(frozen=True, kw_only=True)
class SaveIntention(Order):
    """Write durably, before the relay closes, what is about to happen.

    `bound_pulses` is the furthest count this run may reach before it is cut.
    """

    count_pulses: int
    doubt_pulses: int | None
    direction: Direction
    bound_pulses: int


@dataclass(frozen=True, kw_only=True)
class SaveCheckpoint(Order):
    """Write the count of a move under way."""

    count_pulses: int
    doubt_pulses: int | None


@dataclass(frozen=True, kw_only=True)
class SaveRest(Order):
    """Write the count at standstill."""

    count_pulses: int
    doubt_pulses: int | None
    reed_closed: bool | None


@dataclass(frozen=True, kw_only=True)
class SaveLimits(Order):
    """Write the count of the west limit; the east limit is 0."""

    west_limit_pulses: int


@dataclass(frozen=True, kw_only=True)
class SaveReference(Order):
    """Write that a satellite was peaked at a count."""

    name: str
    slot_deg: float
    count_pulses: int
    sigma_pulses: float
    signal: float | None


@dataclass(frozen=True, kw_only=True)
class DropReferences(Order):
    """Mark every reference of a satellite as left out; nothing is deleted."""

    name: str


@dataclass(frozen=True, kw_only=True)
class SaveLanding(Order):
    """Write what the landing has learned about one direction."""

    direction: Direction
    coast_s: float
    coast_slow_s: float
    rate_pulses_per_s: float
    spin_up_s: float


@dataclass(frozen=True, kw_only=True)
class SaveHold(Order):
    """Write whether moves are held."""

    held: bool
    reason: str


@dataclass(frozen=True, kw_only=True)
class SaveFault(Order):
    """Write the latched fault, or with an empty text that a person cleared it."""

    text: str
    advice: str


@dataclass(frozen=True, kw_only=True)
class SaveMove(Order):
    """Write a finished move into the history."""

    command_id: str
    what: str
    from_pulses: int
    target_pulses: int
    final_pulses: int
    duration_s: float
    run_s: float
    corrections: int
    outcome: Outcome
    reason: str


@dataclass(frozen=True, kw_only=True)
class FitModel(Order):
    """Fit the model anew, away from the loop, from these references and limits."""

    references: tuple[Reference, ...]
    west_limit_pulses: int | None


STORED = (
    SaveIntention,
    SaveCheckpoint,
    SaveRest,
    SaveLimits,
    SaveReference,
    DropReferences,
    SaveLanding,
    SaveHold,
    SaveFault,
    SaveMove,
)
