"""Where something stands in the files, and what is wrong with it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, TypeAlias

from controller.errors import ConfigError

MISTAKES_TOLD: Final = 50  # chosen: two screens; who has more begins at the top

Place: TypeAlias = tuple[str | int, ...]  # ("satellites", 2, "name")


@dataclass(frozen=True)
class Spot:
    """A place on paper; `text` is an unquoted scalar as it was written, None for all else."""

    file: str
    line: int
    column: int
    text: str | None = None

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True)
class Mistake:
    """One thing that is wrong: where it stands, what it is called, and why it will not do."""

    spot: Spot
    place: Place
    text: str

    def __str__(self) -> str:
        name = written(self.place)
        return f"{self.spot}: {name}: {self.text}" if name else f"{self.spot}: {self.text}"


@dataclass
class Tree:
    """Values without their papers, and the papers: a spot for every place."""

    values: object = None
    spots: dict[Place, Spot] = field(default_factory=dict)
    mistakes: list[Mistake] = field(default_factory=list)
    _blamed: set[Place] = field(default_factory=set)

    def spot(self, place: Place) -> Spot:
        """Return where `place` stands, or the nearest thing around it that stands anywhere."""
        while place not in self.spots:
            place = place[:-1]
        return self.spots[place]

    def blame(self, place: Place, text: str) -> None:
        """Note a mistake, unless that very place has one already."""
        if place not in self._blamed:
            self.note(Mistake(self.spot(place), place, text))

    def note(self, mistake: Mistake) -> None:
        """Note a mistake that stands where it stands."""
        self._blamed.add(mistake.place)
        self.mistakes.append(mistake)

    def graft(self, place: Place, branch: "Tree") -> None:
        """Put what was read from another file at `place`."""
        self.spots.update({place + rest: spot for rest, spot in branch.spots.items() if rest})
        for mistake in branch.mistakes:
            self.note(Mistake(mistake.spot, place + mistake.place, mistake.text))


def written(place: Place) -> str:
    """Write a place as people say it; the items of a list are counted from 1."""
    text = ""
    for part in place:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    return text.removeprefix(".")


def value_at(values: object, place: Place) -> object:
    """Return the value at `place`, None when there is nothing."""
    for part in place:
        if isinstance(values, Mapping):
            values = values.get(part)
        elif isinstance(values, list) and isinstance(part, int) and part < len(values):
            values = values[part]
        else:
            return None
    return values


def refusal(mistakes: Iterable[Mistake]) -> ConfigError:
    """Return one error that tells every mistake, in the order of the files."""
    ordered = sorted(mistakes, key=lambda m: (m.spot.file, m.spot.line, m.spot.column))
    told = [str(mistake) for mistake in ordered[:MISTAKES_TOLD]]
    if len(ordered) > MISTAKES_TOLD:
        told.append(f"and {len(ordered) - MISTAKES_TOLD} more")
    return ConfigError("\n".join(told))
