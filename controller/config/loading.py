"""The file, read completely or refused with every mistake at once."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from controller.config.crosschecks import MISTAKES, NOTES, complaints, names_once
from controller.config.paper import read_tree
from controller.config.places import Mistake, Spot, Tree, refusal
from controller.config.section import Section, at_home
from controller.config.settings import Satellite, Satellites, Settings
from controller.config.wiring import Pins
from controller.config.wording import blame_all
from controller.errors import ConfigError

S = TypeVar("S", bound=Section)


@dataclass(frozen=True)
class Reading:
    """Sound settings, and what may be a slip all the same, each with file, line and column."""

    settings: Settings
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Wiring:
    """What it takes to open every relay."""

    pins: Pins
    state_dir: Path | None


class _Catalogue(Section):
    """A file with nothing but the list of satellites."""

    satellites: Satellites


class _WiringOnly(Section):
    """The part of the file that opening the relays needs; the rest may be wrong."""

    pins: Pins


def load(path: Path | str) -> Settings:
    """Read the file at `path`; raise one `ConfigError` that tells every mistake in it.

    Paths in the file are taken from the folder that the file stands in.
    """
    return read(path).settings


def read(path: Path | str) -> Reading:
    """Read the file at `path` as `load` does, and return the notes on it as well."""
    path = Path(path)
    tree = read_tree(path)
    values = _mapping(tree)
    _graft_satellites(tree, values, path)
    parts = _parts(tree, values)
    for place, text in complaints(MISTAKES, parts):
        tree.blame(place, text)
    if tree.mistakes:
        raise refusal(tree.mistakes)
    notes = [Mistake(tree.spot(place), place, text) for place, text in complaints(NOTES, parts)]
    settings = _anchored(Settings.model_validate(values), path.resolve().parent)
    return Reading(settings, tuple(str(note) for note in notes))


def load_satellites(path: Path | str) -> tuple[Satellite, ...]:
    """Read a file that holds nothing but a list of satellites."""
    tree = Tree(spots={(): Spot(str(path), 1, 1)})
    branch = read_tree(Path(path))
    tree.graft(("satellites",), branch)
    tree.values = {"satellites": branch.values}
    catalogue = _validated(tree, _Catalogue)
    satellites = catalogue.satellites if catalogue else ()
    for place, text in names_once(satellites=satellites):
        tree.blame(place, text)
    if tree.mistakes:
        raise refusal(tree.mistakes)
    return satellites


def load_wiring(path: Path | str) -> Wiring:
    """Read no more than opening the relays needs, so that a mistake elsewhere cannot stop it."""
    tree = read_tree(Path(path))
    values = _mapping(tree)
    tree.values = {"pins": values.get("pins", {})}
    tree.mistakes = [mistake for mistake in tree.mistakes if mistake.place[:1] == ("pins",)]
    wiring = _validated(tree, _WiringOnly)
    if wiring is None or tree.mistakes:
        raise refusal(tree.mistakes)
    state_dir, folder = values.get("state_dir"), Path(path).resolve().parent
    place = folder / at_home(Path(state_dir)) if isinstance(state_dir, str) else None
    return Wiring(wiring.pins, place)


def _mapping(tree: Tree) -> dict[str, object]:
    if isinstance(tree.values, dict):
        return tree.values
    sections = ", ".join(Settings.model_fields)
    raise ConfigError(f"{tree.spots[()]}: the file must be made of sections: {sections}")


def _graft_satellites(tree: Tree, values: dict[str, object], path: Path) -> None:
    name = values.get("satellites")
    if not isinstance(name, str):
        return
    values["satellites"] = []
    try:
        branch = read_tree(path.parent / at_home(Path(name)))
    except ConfigError as error:
        tree.blame(("satellites",), str(error))
        return
    values["satellites"] = branch.values
    tree.graft(("satellites",), branch)


def _validated(tree: Tree, root: type[S]) -> S | None:
    try:
        return root.model_validate(tree.values)
    except ValidationError as error:
        blame_all(tree, root, error.errors(include_url=False))
        return None


def _parts(tree: Tree, values: Mapping[str, object]) -> dict[str, Any]:
    whole = _validated(tree, Settings)
    if whole is not None:
        return {name: getattr(whole, name) for name in Settings.model_fields}
    return dict(_sound_parts(values))


def _sound_parts(values: Mapping[str, object]) -> dict[str, Any]:
    sound: dict[str, Any] = {}
    for name, found in Settings.model_fields.items():
        try:
            if name in values or not found.is_required():
                given = values.get(name, found.default)
                sound[name] = TypeAdapter(found.rebuild_annotation()).validate_python(given)
        except ValidationError:
            continue
    return sound


def _anchored(section: S, folder: Path) -> S:
    moved: dict[str, object] = {}
    for name in type(section).model_fields:
        value = getattr(section, name)
        if isinstance(value, Path):
            moved[name] = folder / value
        elif isinstance(value, Section):
            moved[name] = _anchored(value, folder)
    return section.model_copy(update=moved)
