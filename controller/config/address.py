"""No more of the file than it takes to talk to the daemon, read quickly.

A mistake elsewhere in the file is no reason not to ask, or to halt, a daemon that runs.
"""

from dataclasses import dataclass
from pathlib import Path

from pydantic import Field, ValidationError

from controller.config.paper import read_tree
from controller.config.places import Tree, refusal
from controller.config.reach import Broker
from controller.config.section import Section
from controller.config.statedir import state_dir
from controller.config.wording import blame_all
from controller.errors import ConfigError


@dataclass(frozen=True, kw_only=True)
class Address:
    """A dish, its broker, and where its daemon leaves its note."""

    dish: str
    broker: Broker
    state_dir: Path


class _Named(Section):
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,31}$")


class _AddressOnly(Section):
    dish: _Named
    broker: Broker = Broker()


def load_address(path: Path | str) -> Address:
    """Read name, broker and folder; raise `ConfigError` for a mistake in those."""
    path = Path(path)
    tree = read_tree(path)
    values = tree.values
    if not isinstance(values, dict):
        raise ConfigError(f"{tree.spots[()]}: the file must be made of sections, such as dish")
    dish = values.get("dish")
    wanted: dict[str, object] = {"dish": {}, "broker": values.get("broker", {})}
    if isinstance(dish, dict) and "name" in dish:
        wanted["dish"] = {"name": dish["name"]}
    found = _validated(tree, wanted)
    folder = path.resolve().parent
    moved = {
        name: folder / value.expanduser()
        for name in Broker.model_fields
        if isinstance(value := getattr(found.broker, name), Path)
    }
    given = values.get("state_dir")
    configured = folder / Path(given).expanduser() if isinstance(given, str) else None
    return Address(
        dish=found.dish.name,
        broker=found.broker.model_copy(update=moved),
        state_dir=state_dir(configured, dish=found.dish.name),
    )


def _validated(tree: Tree, wanted: dict[str, object]) -> _AddressOnly:
    try:
        return _AddressOnly.model_validate(wanted)
    except ValidationError as error:
        tree.values, tree.mistakes = wanted, []
        blame_all(tree, _AddressOnly, error.errors(include_url=False))
        raise refusal(tree.mistakes) from None
