"""The usual cautions, before the first move from a machine and before both ends are looked for."""

import os
import sys
from pathlib import Path
from typing import Final

import click

from controller.errors import CommandRefused

CAUTIONS: Final = """\
Before a dish moves for the first time:
  * It can crush and throw. Nobody stands in its swing, on its ladder or below
    it, and children and animals cannot get there.
  * Software never keeps people safe. Wires do: end switches in the motor's own
    circuit, a fuse, and a stop button that cuts the motor's supply by itself.
  * Somebody watches the dish, with a hand on that button.
  * Cables have slack for the whole way, and no ice, rope or prop holds the dish.
Ctrl-C stops a move. So does: arckeeper halt"""


def marker() -> Path:
    """Return the file that remembers that this person has read them."""
    home = Path(os.environ.get("XDG_STATE_HOME", "~/.local/state")).expanduser()
    return home / "arckeeper" / "cautions-read"


def before_the_first_move(*, yes: bool) -> None:
    """Show the cautions once; raise `CommandRefused` when nobody can agree to them."""
    if marker().exists():
        return
    agree("Is all of that so, and may the dish move?", yes=yes)
    try:
        marker().parent.mkdir(parents=True, exist_ok=True)
        marker().touch()
    except OSError:
        return  # then they are shown again


def agree(question: str, *, yes: bool) -> None:
    """Show the cautions and go on only when a person agrees or `--yes` was given."""
    click.echo(CAUTIONS, err=True)
    if yes:
        return
    ask(question)


def ask(question: str) -> None:
    """Go on only when a person at a terminal says yes."""
    if not sys.stdin.isatty():
        raise CommandRefused("nobody is here to agree; a script does so with --yes")
    if not click.confirm(question, err=True):
        raise CommandRefused("nothing was moved")


yes_option = click.option("--yes", is_flag=True, help="Agree to the cautions, for scripts.")
