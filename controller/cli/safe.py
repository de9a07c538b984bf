"""`safe`: every relay open, whatever else is broken.

It reads no more of the configuration than the pins, and loads neither the daemon nor the
mathematics: whoever calls it is in a hurry.
"""

import json
from pathlib import Path

import click

from controller.cli.exits import DONE, REFUSED
from controller.cli.place import Chosen, as_json_option, choosing
from controller.config import Wiring, load_wiring
from controller.config.address import load_address
from controller.edge.boots import mark_safe
from controller.edge.safe import make_safe
from controller.errors import ArckeeperError

STORE = "count.db"


@click.command("safe")
@choosing
@as_json_option
def safe_command(chosen: Chosen, as_json: bool) -> None:
    """Open every relay, whatever state a dead or a hanging daemon has left.

    \b
      arckeeper safe
      arckeeper safe --config /etc/arckeeper/hill.yaml

    Each output is claimed and driven inactive; a failure at one keeps none of the
    others. The service calls it whenever the daemon ends. While a daemon runs, the pins
    are its own and cannot be claimed: use arckeeper halt. Exit code 1 when any relay is
    not known to be open: cut the motor's supply by hand then.
    """
    path = chosen.file()
    wiring = load_wiring(path)
    report = make_safe(wiring)
    trouble = list(report.failed)
    said = [*report]
    if not trouble:
        marked = _mark(path, wiring)
        said.append(marked)
    if as_json:
        click.echo(json.dumps({"safe": not trouble, "done": said, "failed": trouble}))
    else:
        for sentence in said:
            click.echo(sentence, err=sentence in trouble)
        if trouble:
            click.echo("NOT SAFE: cut the motor's supply by hand", err=True)
    raise SystemExit(REFUSED if trouble else DONE)


def _mark(path: Path, wiring: Wiring) -> str:
    """Note when it was, which keeps the doubt about the count small; say how that went."""
    try:
        folder = load_address(path).state_dir
    except ArckeeperError as error:
        if wiring.state_dir is None:
            return f"the time was not noted, since the dish is not known: {error}"
        folder = wiring.state_dir
    if not folder.is_dir():
        return f"the time was not noted: there is no {folder} yet"
    try:
        mark_safe(folder / STORE)
    except (ArckeeperError, OSError) as error:
        return f"the time was not noted: {error}"
    return "the time was noted beside the count"
