"""The one command and the table of what it can do.

A command's module is loaded when it is called, so that `status` never waits for what only
`look` or `demo` needs.
"""

import sys
from dataclasses import dataclass
from importlib import import_module
from importlib.metadata import version
from typing import Final

import click

from controller.cli.exits import code_of
from controller.errors import ArckeeperError


@dataclass(frozen=True, kw_only=True)
class Row:
    """Where a command lives and what it does in one line; the chapter is for the help."""

    module: str
    does: str
    chapter: str


_FIRST, _MOVE = "Begin here", "Move the dish"
_KNOW, _LEARN, _SERVE = "Ask", "Teach and mend", "Keep it running"

COMMANDS: Final = {
    "demo": Row(module="demo", chapter=_FIRST, does="Show it all on a simulated yard."),
    "check": Row(module="checking", chapter=_FIRST, does="Read the configuration, tell mistakes."),
    "goto": Row(module="moves", chapter=_MOVE, does="Go to a satellite, a slot or a count."),
    "nudge": Row(module="moves", chapter=_MOVE, does="Move a few pulses or degrees."),
    "park": Row(module="moves", chapter=_MOVE, does="Go to the parking place."),
    "halt": Row(module="stopping", chapter=_MOVE, does="Open the relays now; never refused."),
    "hold": Row(module="stopping", chapter=_MOVE, does="Refuse every move until release."),
    "release": Row(module="stopping", chapter=_MOVE, does="Lift the hold."),
    "status": Row(module="asking", chapter=_KNOW, does="Where the dish is and what it does."),
    "sats": Row(module="catalogue", chapter=_KNOW, does="The satellites of the configuration."),
    "look": Row(module="looking", chapter=_KNOW, does="Every visible satellite and its count."),
    "history": Row(module="past", chapter=_KNOW, does="Moves, references and faults so far."),
    "limits": Row(module="limits", chapter=_LEARN, does="Find both ends of the travel."),
    "reference": Row(module="teaching", chapter=_LEARN, does="Say which satellite is peaked now."),
    "settle": Row(module="teaching", chapter=_LEARN, does="Correct the count on a satellite."),
    "clear": Row(module="teaching", chapter=_LEARN, does="Clear a fault that was seen to."),
    "run": Row(module="running", chapter=_SERVE, does="Run the daemon of one dish."),
    "safe": Row(module="safe", chapter=_SERVE, does="Open every relay, whatever else runs."),
    "export": Row(module="past", chapter=_SERVE, does="Write everything learned as JSON."),
    "import": Row(module="past", chapter=_SERVE, does="Take such a file in again."),
}


class Chapters(click.Group):
    """A group that loads a command when it is called and lists them by what they are for."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        """Return every name, in the order of the table."""
        return list(COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load one command."""
        row = COMMANDS.get(cmd_name)
        if row is None:
            return None
        module = import_module(f"controller.cli.{row.module}")
        command = getattr(module, f"{cmd_name}_command")
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the table, chapter by chapter, without loading anything."""
        for chapter in dict.fromkeys(row.chapter for row in COMMANDS.values()):
            with formatter.section(chapter):
                rows = [(name, row) for name, row in COMMANDS.items() if row.chapter == chapter]
                formatter.write_dl([(name, row.does) for name, row in rows], col_max=12)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or say which one may be meant."""
        name = args[0] if args else ""
        if name and not name.startswith("-") and name not in COMMANDS:
            from difflib import get_close_matches  # noqa: PLC0415 - only for a slip

            near = get_close_matches(name, list(COMMANDS), n=1)
            hint = f"did you mean {near[0]}?" if near else f"can be: {', '.join(COMMANDS)}"
            raise click.UsageError(f"there is no command {name!r}; {hint}", ctx)
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """Carry the command out; tell what people have to know without a traceback."""
        try:
            return super().invoke(ctx)
        except ArckeeperError as error:
            click.echo(str(error), err=True)
            ctx.exit(code_of(error))


@click.group(cls=Chapters, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(version("arckeeper"), prog_name="arckeeper")
def main() -> None:
    """Keep a large dish on the geostationary arc.

    A daemon (`run`) owns the pins of one dish and counts its pulses. Everything
    else asks that daemon over MQTT, or reads the configuration.

    \b
      arckeeper demo                  a simulated dish, nothing to wire
      arckeeper check                 is my configuration sound?
      arckeeper goto Heron            go there, wait, show how far it is
      arckeeper goto 147.6E           the same by slot

    The configuration is --config FILE, or $ARCKEEPER_CONFIG, or with --dish NAME
    /etc/arckeeper/NAME.yaml, or the only one in /etc/arckeeper.

    \b
    Exit code  0  done, arrived
               1  refused, stopped on the way, or a mistake was found
               2  the command line was not understood
               3  no daemon answers for the dish

    A moving dish can crush. Software never keeps people safe: cut the motor's
    supply and lock it before anybody touches the dish.
    """
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="replace")  # a terminal that has no degree sign
