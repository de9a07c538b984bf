"""`sats`: the satellites of the configuration."""

import json

import click
from rich.table import Table

from controller.cli.place import Chosen, as_json_option, choosing
from controller.cli.tables import show
from controller.config import Satellite, load
from controller.geometry.slots import format_slot


@click.command("sats")
@choosing
@as_json_option
def sats_command(chosen: Chosen, as_json: bool) -> None:
    """List the satellites of the configuration.

    \b
      arckeeper sats
      arckeeper sats --json | jq -r '.[].name'

    Where they stand in the sky, and at which count, says arckeeper look.
    """
    satellites = load(chosen.file()).satellites
    if as_json:
        click.echo(json.dumps([satellite.model_dump() for satellite in satellites]))
    elif not satellites:
        click.echo("the configuration lists no satellites; config/minimal.yaml shows how")
    else:
        show(_table(satellites))


def _table(satellites: tuple[Satellite, ...]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("satellite", no_wrap=True)
    table.add_column("slot", justify="right", no_wrap=True)
    table.add_column("band")
    table.add_column("polarisation")
    table.add_column("notes", overflow="fold")
    for s in satellites:
        table.add_row(s.name, format_slot(s.slot_deg), s.band, s.polarisation, s.notes)
    return table
