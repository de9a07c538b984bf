"""What a dish has learned, read beside the daemon that may be writing it."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from controller.config import Settings
from controller.config.statedir import state_dir
from controller.edge.store import tables
from controller.geometry.priors import Reference

STORE: Final = "count.db"


@dataclass(frozen=True)
class Learned:
    """Limits and references; none of both before the first evening."""

    references: tuple[Reference, ...]
    west_limit_pulses: int | None

    def words(self) -> str:
        """Say what the counts rest on."""
        if self.west_limit_pulses is None and not self.references:
            return "counts by the tape measure alone: the ends are not known, nothing is peaked"
        ends = "" if self.west_limit_pulses is None else f"ends 0 and {self.west_limit_pulses}, "
        names = ", ".join(reference.name for reference in self.references) or "none"
        return f"counts by {ends}references: {names}"


def store_path(settings: Settings) -> Path:
    """Return the file that the daemon of this dish writes."""
    return state_dir(settings.state_dir, dish=settings.dish.name) / STORE


def learned_by(settings: Settings) -> Learned:
    """Return what the store holds, nothing where there is no store yet."""
    path = store_path(settings)
    if not path.exists():
        return Learned((), None)
    return learned_from(tables(path))


def learned_from(rows: dict[str, list[dict[str, Any]]]) -> Learned:
    """Return what rows of the store say; the newest row of a satellite is what holds."""
    newest = {row["name"]: row for row in rows["reference"] if not row["dropped"]}
    references = tuple(
        Reference(row["name"], row["slot_deg"], row["count_pulses"], row["sigma_pulses"])
        for row in newest.values()
    )
    limits = rows["limits"]
    return Learned(references, limits[-1]["west_limit_pulses"] if limits else None)
