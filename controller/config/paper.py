"""A YAML file to plain values with a spot for each, and no surprises in between.

1. What YAML 1.1 reads otherwise than a person does is refused with the way out:
   leading zeros (octal), 12:30:45 (base 60), a key given twice, merge keys, tags.
2. `1e3` is a number here, a date is text, and a key is the text that stands there.
3. Size, depth and the number of values are bounded, so that no file can hang the start.
"""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import yaml

from controller.config.places import Mistake, Place, Spot, Tree
from controller.errors import ConfigError

BYTES_MAX: Final = 262_144  # chosen: twenty times the largest example
VALUES_MAX: Final = 20_000  # chosen: what a file of that size can hold without aliases
DEPTH_MAX: Final = 20  # chosen: the deepest option stands at 4

_TAG: Final = "tag:yaml.org,2002:"
_EXPONENT: Final = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)[eE][-+]?\d+")
_LEADING_ZERO: Final = re.compile(r"[-+]?0[0-9_]+")


class _TooDeep(yaml.MarkedYAMLError):
    """More levels than any file of ours has."""


class _Loader(yaml.SafeLoader):
    """PyYAML's own composer with a bound on the depth."""

    depth = 0

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        self.depth += 1
        if self.depth > DEPTH_MAX:
            mark = self.peek_event().start_mark  # type: ignore[no-untyped-call]
            raise _TooDeep(problem=f"more than {DEPTH_MAX} levels deep", problem_mark=mark)
        node = super().compose_node(parent, index)
        self.depth -= 1
        return node if isinstance(node, yaml.Node) else None


def read_tree(path: Path, *, shown: str | None = None) -> Tree:
    """Read a YAML file; raise `ConfigError` when it cannot be read at all."""
    file = shown or str(path)
    text = _decoded(_bytes(path, file), file)
    try:
        node = yaml.compose(text, _Loader)
    except yaml.MarkedYAMLError as error:
        raise ConfigError(_syntax(file, error)) from None
    except yaml.reader.ReaderError as error:
        raise ConfigError(_unprintable(file, text, error)) from None
    if node is None:
        raise ConfigError(f"{file}:1:1: the file is empty; config/minimal.yaml shows what it needs")
    tree = Tree()
    _Values(file, tree).take(node)
    return tree


def _bytes(path: Path, file: str) -> bytes:
    try:
        with path.open("rb") as stream:
            raw = stream.read(BYTES_MAX + 1)
    except OSError as error:
        raise ConfigError(f"{file}: cannot be read: {error.strerror}") from None
    except ValueError:  # the name has a NUL in it
        raise ConfigError(f"{file!r}: no file can have this name") from None
    if len(raw) > BYTES_MAX:
        raise ConfigError(
            f"{file}: must be at most {BYTES_MAX // 1024} KiB, and is more; is it the right file?"
        )
    return raw


def _decoded(raw: bytes, file: str) -> str:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise ConfigError(f"{file}:1:1: the file is UTF-16; save it as UTF-8")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start]
        line = before.count(b"\n") + 1
        column = len(before) - (before.rfind(b"\n") + 1) + 1
        raise ConfigError(
            f"{file}:{line}:{column}: byte 0x{raw[error.start]:02X} is not UTF-8; "
            f"save the file as UTF-8"
        ) from None


def _syntax(file: str, error: yaml.MarkedYAMLError) -> str:
    mark = error.problem_mark or error.context_mark
    where = f"{file}:{mark.line + 1}:{mark.column + 1}" if mark else file
    problem = str(error.problem or error.context)
    if "'\\t'" in problem:
        return f"{where}: a tab; YAML wants spaces"
    if "single document" in str(error.context):
        return f"{where}: a second document begins; there must be one"
    lead = "" if isinstance(error, _TooDeep) else "not valid YAML: "
    return f"{where}: {lead}{problem}" + (f" ({error.context})" if error.context else "")


def _unprintable(file: str, text: str, error: yaml.reader.ReaderError) -> str:
    before = text[: error.position]
    line, column = before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
    return f"{file}:{line}:{column}: character 0x{int(error.character):02X} may not stand in YAML"


class _Values:
    """Walks the nodes once and fills a tree."""

    def __init__(self, file: str, tree: Tree) -> None:
        self._file = file
        self._tree = tree
        self._count = 0
        self._around: list[yaml.Node] = []

    def take(self, root: yaml.Node) -> None:
        """Fill the tree from the whole document."""
        self._tree.spots[()] = self._spot(root)
        self._tree.values = self._value(root, ())

    def _spot(self, node: yaml.Node, *, of: yaml.Node | None = None) -> Spot:
        plain = isinstance(of, yaml.ScalarNode) and of.style is None
        text = str(of.value) if of is not None and plain else None
        return Spot(self._file, node.start_mark.line + 1, node.start_mark.column + 1, text)

    def _blame(self, node: yaml.Node, place: Place, text: str) -> None:
        self._tree.note(Mistake(self._spot(node), place, text))

    def _value(self, node: yaml.Node, place: Place) -> object:
        self._bound(node)
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node, place)
        if node.tag not in (_TAG + "map", _TAG + "seq"):
            self._blame(node, place, _no_tags(node))
        self._around.append(node)
        try:
            if isinstance(node, yaml.MappingNode):
                return dict(self._pairs(node, place))
            return list(self._items(node, place))
        finally:
            self._around.pop()

    def _bound(self, node: yaml.Node) -> None:
        self._count += 1
        spot = self._spot(node)
        if node in self._around:
            raise ConfigError(f"{spot}: an alias stands inside what it stands for")
        if self._count > VALUES_MAX:
            raise ConfigError(f"{spot}: aliases make this more than {VALUES_MAX} values")

    def _pairs(self, node: yaml.MappingNode, place: Place) -> Iterator[tuple[str, object]]:
        first_line: dict[str, int] = {}
        for key, child in node.value:
            if not isinstance(key, yaml.ScalarNode):
                self._blame(key, place, "the name of an option must be a word")
                continue
            name, line = str(key.value), key.start_mark.line + 1
            if key.tag == _TAG + "merge":
                self._blame(key, (*place, name), "merge keys are not read; write the options out")
                continue
            if name in first_line:
                again = f"is given twice; the first stands in line {first_line[name]}"
                self._blame(key, (*place, name), again)
                continue
            first_line[name] = line
            self._tree.spots[*place, name] = self._spot(key, of=child)
            yield name, self._value(child, (*place, name))

    def _items(self, node: yaml.Node, place: Place) -> Iterator[object]:
        for number, child in enumerate(node.value):
            self._tree.spots[*place, number] = self._spot(child, of=child)
            yield self._value(child, (*place, number))

    def _scalar(self, node: yaml.ScalarNode, place: Place) -> object:
        text, kind = str(node.value), node.tag.removeprefix(_TAG)
        match kind:
            case "null":
                return None
            case "bool":
                return text.lower() in ("true", "yes", "on")
            case "int" | "float":
                return self._number(node, place, text)
            case "str" if node.style is None and _EXPONENT.fullmatch(text):
                return float(text)
            case "str" | "timestamp" | "value":
                return text
        self._blame(node, place, _no_tags(node))
        return text

    def _number(self, node: yaml.ScalarNode, place: Place, text: str) -> object:
        if ":" in text:
            trap = "YAML reads as a number to the base of 60: write it in quotes if it is text"
            self._blame(node, place, f"{text} is what {trap}")
            return text
        if _LEADING_ZERO.fullmatch(text):
            way_out = f"write {text.lstrip('+-0_') or '0'}, or put it in quotes if it is text"
            self._blame(node, place, f"{text} begins with 0, which YAML reads as octal: {way_out}")
            return text
        try:
            return _parsed(text.replace("_", "").lower())
        except ValueError:
            self._blame(node, place, f"{text[:40]} is not a number that can be read")
            return text


def _parsed(text: str) -> int | float:
    if text.lstrip("+-") in (".inf", ".nan"):
        return float(text.replace(".", ""))
    if text.lstrip("+-").startswith(("0x", "0b")):
        return int(text, 0)
    return float(text) if "." in text or "e" in text else int(text)


def _no_tags(node: yaml.Node) -> str:
    return f"tags are not read; leave {str(node.tag).replace(_TAG, '!!')[:60]} out"
