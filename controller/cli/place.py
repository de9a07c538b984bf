"""Which dish is meant, and where its configuration stands."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from controller.errors import ConfigError

F = TypeVar("F", bound=Callable[..., Any])

FOLDER: Final = Path("/etc/arckeeper")
_IS_DISH: Final = re.compile(r"^[\"'{ ]*dish[\"' ]*:", re.MULTILINE)


@dataclass(frozen=True)
class Chosen:
    """What the command line says about which dish is meant."""

    config: Path | None
    dish: str | None

    def file(self, folder: Path = FOLDER) -> Path:
        """Return the configuration file; raise `ConfigError` where it is not clear."""
        if self.config is not None:
            return self.config
        if self.dish is not None:
            return _of_dish(self.dish, folder)
        found = _dishes(folder)
        if len(found) == 1:
            return found[0]
        if not found:
            raise ConfigError(
                f"no configuration: there is none in {folder}; name one with --config FILE, "
                f"or try arckeeper demo"
            )
        names = ", ".join(path.stem for path in found)
        raise ConfigError(f"{folder} holds several dishes: {names}; choose with --dish NAME")


def _of_dish(dish: str, folder: Path) -> Path:
    found = {path.stem: path for path in _dishes(folder)}
    if dish in found:
        return found[dish]
    known = f"there are: {', '.join(found)}" if found else "there is no file of a dish at all"
    raise ConfigError(f"{folder} has no {dish}.yaml; {known}")


def _dishes(folder: Path) -> list[Path]:
    """Return the files that describe a dish; a list of satellites beside them does not."""
    return [path for path in sorted(folder.glob("*.yaml")) if _is_dish(path)]


def _is_dish(path: Path) -> bool:
    try:
        return bool(_IS_DISH.search(path.read_text(encoding="utf-8", errors="replace")))
    except OSError:
        return True  # let the reading of it say what is wrong


def choosing(command: F) -> F:
    """Give a command the options that choose a dish; it gets `chosen: Chosen`."""

    def keep(ctx: click.Context, param: click.Parameter, value: Any) -> None:
        before = ctx.params.get("chosen", Chosen(None, None))
        is_config = param.name == "config"
        ctx.params["chosen"] = Chosen(
            Path(value) if is_config and value else before.config,
            value if not is_config and value else before.dish,
        )

    dish = click.option(
        "--dish", metavar="NAME", expose_value=False, callback=keep, is_eager=True,
        help="Dish whose file is /etc/arckeeper/NAME.yaml.",
    )  # fmt: skip
    config = click.option(
        "--config", type=click.Path(), metavar="FILE", envvar="ARCKEEPER_CONFIG",
        expose_value=False, callback=keep, is_eager=True,
        help="Configuration of the dish [env: ARCKEEPER_CONFIG].",
    )  # fmt: skip
    return config(dish(command))


as_json_option = click.option(
    "--json", "as_json", is_flag=True, help="Write JSON instead of words, for scripts."
)
