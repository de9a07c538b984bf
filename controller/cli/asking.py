"""`status`: where the dish is and what it does."""

import json
import time

import click

from controller.cli.calling import called
from controller.cli.place import Chosen, as_json_option, choosing
from controller.cli.wording import status_lines


@click.command("status")
@choosing
@as_json_option
@click.option("--follow", is_flag=True, help="Go on with every change until Ctrl-C.")
def status_command(chosen: Chosen, as_json: bool, follow: bool) -> None:
    """Say where the dish is, how sure that is, and what it is doing.

    \b
      arckeeper status
      arckeeper status --json | jq .count_pulses
      arckeeper status --follow

    After a fault it also says what went wrong and what to do about it.
    """
    with called(chosen) as caller:
        _show(caller.status(), as_json=as_json)
        if not follow:
            return
        shown = caller.status()
        for status in caller.watch():
            if status != shown:
                shown = status
                click.echo("" if as_json else time.strftime("%H:%M:%S"), nl=not as_json)
                _show(status, as_json=as_json)


def _show(status: dict[str, object], *, as_json: bool) -> None:
    click.echo(json.dumps(status) if as_json else "\n".join(status_lines(status)))
