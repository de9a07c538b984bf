"""What pydantic found, said so that the owner of a dish can mend it."""

import re
from collections.abc import Callable, Iterator
from difflib import get_close_matches
from typing import Any, Final, Literal, TypeAlias, get_args, get_origin

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from controller.config.places import Place, Tree, value_at, written
from controller.config.section import Section

SECRETS: Final = {"password", "pass", "passwd", "passphrase", "secret", "token"}
Wording: TypeAlias = Callable[[Tree, Place, dict[str, Any]], str]
_UNIT: Final = re.compile(r"([-+]?[0-9.]+) *[A-Za-z°%/]+")


def blame_all(tree: Tree, root: type[Section], errors: list[ErrorDetails]) -> None:
    """Note every error of `root` in the tree, in words."""
    for error in errors:
        place = _place(error, root)
        tree.blame(place, _text(error, place, tree, root))


def sections_at(root: type[Section], loc: Place) -> list[type[Section]]:
    """Return the section, or the alternatives, that stand at a pydantic location."""
    found = [root]
    for part in loc:
        tagged = [model for model in found if part in _tags(model)]
        if tagged:
            found = tagged
        elif isinstance(part, str):
            fields = (model.model_fields.get(part) for model in found)
            found = [inner for f in fields if f for inner in sections_in(f.annotation)]
    return found


def sections_in(annotation: Any) -> Iterator[type[Section]]:
    """Yield every section class inside a type, however it is wrapped."""
    if isinstance(annotation, type) and issubclass(annotation, Section):
        yield annotation
    for inner in get_args(annotation):
        yield from sections_in(inner)


def _tags(model: type[BaseModel]) -> tuple[Any, ...]:
    kind = model.model_fields.get("kind")
    return get_args(kind.annotation) if kind and get_origin(kind.annotation) is Literal else ()


def _kinds(root: type[Section], loc: Place) -> list[str]:
    return [tag for model in sections_at(root, loc) for tag in _tags(model)]


def _place(error: ErrorDetails, root: type[Section]) -> Place:
    loc = error["loc"]
    place = tuple(
        part
        for depth, part in enumerate(loc)
        if not any(part in _tags(model) for model in sections_at(root, loc[:depth]))
    )
    return (*place, "kind") if error["type"].startswith("union_tag") else place


def _text(error: ErrorDetails, place: Place, tree: Tree, root: type[Section]) -> str:
    kind, context = error["type"], error.get("ctx", {})
    match kind:
        case "missing":
            text = "is missing" + _said_of(root, error["loc"])
        case "union_tag_not_found":
            text = f"is missing: one of {', '.join(_kinds(root, error['loc']))}"
        case "extra_forbidden":
            text = _unknown(error["loc"], place, root)
        case "model_type" | "model_attributes_type":
            text = _not_a_section(error["loc"], place, tree, root)
        case "string_pattern_mismatch":
            text = f"{shown(tree, place)} will not do" + _said_of(root, error["loc"])
        case _ if kind in _WORDS:
            text = _WORDS[kind](tree, place, context)
        case _:
            text = f"{error['msg'][:1].lower()}{error['msg'][1:]}"
    return text


def _said_of(root: type[Section], loc: Place) -> str:
    for model in sections_at(root, loc[:-1]):
        found = model.model_fields.get(str(loc[-1]))
        if found and found.description:
            return f": {found.description[:1].lower()}{found.description[1:].removesuffix('.')}"
    return ""


def _unknown(loc: Place, place: Place, root: type[Section]) -> str:
    name = str(loc[-1])
    if name.lower() in SECRETS:
        return (
            "secrets do not stand here: write it into a file that only the service can read, "
            "and name that file in password_file"
        )
    kinds = [
        tag
        for model in sections_at(root, place[:-1])
        if name in model.model_fields
        for tag in _tags(model)
    ]
    if kinds:
        return f"is not an option of this kind; it goes with {', '.join(kinds)}"
    known = [option for model in sections_at(root, loc[:-1]) for option in model.model_fields]
    return "is not an option; " + _instead(name[:60], known, root)


def _not_a_section(loc: Place, place: Place, tree: Tree, root: type[Section]) -> str:
    if value_at(tree.values, place) is None:
        return "has nothing below it: remove the line, or give it an option"
    options = [option for model in sections_at(root, loc) for option in model.model_fields]
    return f"must be a section with {', '.join(dict.fromkeys(options))}, not {shown(tree, place)}"


def _instead(name: str, known: list[str], root: type[Section]) -> str:
    close = get_close_matches(name.lower().replace("-", "_"), known, n=1)
    if close:
        return f"did you mean {close[0]}?"
    elsewhere = [written((*place, name)) for place in _homes(root, name)]
    if elsewhere:
        return f"did you mean {' or '.join(elsewhere)}?"
    return f"there are: {', '.join(known)}" if known else "there are none here"


def _homes(root: type[Section], name: str, place: Place = ()) -> Iterator[Place]:
    if name in root.model_fields:
        yield place
    for option, found in root.model_fields.items():
        for inner in sections_in(found.annotation):
            yield from _homes(inner, name, (*place, option))


def _bound(word: str, key: str) -> Wording:
    return lambda tree, place, context: f"must be {word} {context[key]:g}, not {shown(tree, place)}"


def _choice(tree: Tree, place: Place, context: dict[str, Any]) -> str:
    expected = context.get("expected_tags") or context["expected"]
    choices = re.findall(r"'([^']*)'", expected)
    text = f"must be one of {', '.join(choices)}"
    return f"{text}, not {shown(tree, place)}"


def shown(tree: Tree, place: Place) -> str:
    """Return the value at `place` as it was written, shortened."""
    value, spot = value_at(tree.values, place), tree.spots.get(place)
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, list):
        return "a list"
    if value is None:
        return "nothing"
    text = str(spot.text if spot and spot.text is not None else value)
    text = text if len(text) <= 40 else f"{text[:37]}..."
    return f"'{text}'" if isinstance(value, str) else text


def _number(what: str) -> Wording:
    def text(tree: Tree, place: Place, _context: dict[str, Any]) -> str:
        value = value_at(tree.values, place)
        told = f"must be {what}, not {shown(tree, place)}"
        if not isinstance(value, str):
            return told
        with_unit = _UNIT.fullmatch(value.strip())
        if with_unit:
            return f"{told}; write {with_unit[1]}, the unit is in the name"
        if re.fullmatch(r"[-+]?\d+,\d+", value.strip()):
            return f"{told}; write {value.strip().replace(',', '.')}, with a point"
        if re.fullmatch(r"[-+]?[0-9.]+", value.strip()):
            return f"{told}; leave the quotes and leading zeros out"
        return told

    return text


def _words(tree: Tree, place: Place, _context: dict[str, Any]) -> str:
    value, as_written = value_at(tree.values, place), shown(tree, place)
    if isinstance(value, bool):
        reads = str(value).lower()
        return f"must be text, and YAML reads {as_written} as {reads}: write '{as_written}'"
    if isinstance(value, int | float):
        return f"must be text, not a number: write '{as_written}'"
    return f"must be text, not {as_written}"


_WORDS: Final[dict[str, Wording]] = {
    "greater_than": _bound("above", "gt"),
    "greater_than_equal": _bound("at least", "ge"),
    "less_than": _bound("below", "lt"),
    "less_than_equal": _bound("at most", "le"),
    "literal_error": _choice,
    "union_tag_invalid": _choice,
    "float_type": _number("a number"),
    "int_type": _number("a whole number"),
    "string_type": _words,
    "path_type": lambda tree, place, _: f"must be the name of a file, not {shown(tree, place)}",
    "bool_type": lambda tree, place, _: f"must be true or false, not {shown(tree, place)}",
    "finite_number": lambda tree, place, _: f"must be a number, not {shown(tree, place)}",
    "tuple_type": lambda tree, place, _: (
        f"must be a list, or the name of a file with the list, not {shown(tree, place)}"
    ),
    "string_too_short": lambda _tree, _place, _: "must not be empty",
    "string_too_long": lambda tree, place, context: (
        f"must have at most {context['max_length']} characters, "
        f"not {len(str(value_at(tree.values, place)))}"
    ),
}
