"""What a person, a hub or a script may ask for.

Every command is absolute or bounded, so that carrying it out twice or late cannot run away.
"""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Command:
    """Something asked for."""


@dataclass(frozen=True, kw_only=True)
class GotoSatellite(Command):
    """Point at a satellite of the catalogue, by name."""

    name: str


@dataclass(frozen=True, kw_only=True)
class GotoSlot(Command):
    """Point at an orbital longitude, degrees east positive."""

    slot_deg: float


@dataclass(frozen=True, kw_only=True)
class GotoCount(Command):
    """Run to a count of pulses from the east limit."""

    count_pulses: int


@dataclass(frozen=True, kw_only=True)
class NudgePulses(Command):
    """Move a few pulses, positive toward west."""

    step_pulses: int


@dataclass(frozen=True, kw_only=True)
class NudgeDegrees(Command):
    """Move a small hour angle, positive toward west."""

    step_deg: float


@dataclass(frozen=True, kw_only=True)
class Halt(Command):
    """Open the relays now and forget the move; never refused."""


@dataclass(frozen=True, kw_only=True)
class Park(Command):
    """Run to the configured parking place."""


@dataclass(frozen=True, kw_only=True)
class Hold(Command):
    """Refuse every move until a person releases; for work at the dish."""

    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class Release(Command):
    """Lift the hold."""


@dataclass(frozen=True, kw_only=True)
class FindLimits(Command):
    """Run to the east end, call it 0, run to the west end, remember its count."""


@dataclass(frozen=True, kw_only=True)
class TakeReference(Command):
    """The dish is peaked on this satellite now: remember slot and count."""

    name: str
    sigma_pulses: float | None = None


@dataclass(frozen=True, kw_only=True)
class DropReference(Command):
    """Leave the references of this satellite out of the model from now on."""

    name: str


@dataclass(frozen=True, kw_only=True)
class SettleCount(Command):
    """The dish is peaked on this satellite now: correct the count by the model."""

    name: str


@dataclass(frozen=True, kw_only=True)
class ClearFault(Command):
    """A person has seen the fault and its cause is gone."""
