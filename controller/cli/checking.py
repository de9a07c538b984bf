"""`check`: whether the configuration is sound, and what follows from it."""

import json
from pathlib import Path

import click

from controller.cli.exits import REFUSED
from controller.cli.place import Chosen, as_json_option, choosing
from controller.config import Settings, priors
from controller.config.loading import read
from controller.errors import ConfigError
from controller.geometry.fit import fit
from controller.geometry.slots import format_slot


@click.command("check")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@choosing
@as_json_option
def check_command(file: Path | None, chosen: Chosen, as_json: bool) -> None:
    """Read the configuration and tell every mistake at once, with line and column.

    \b
      arckeeper check config/minimal.yaml
      arckeeper check --config /etc/arckeeper/hill.yaml

    Needs no daemon and touches no pin. Exit code 1 when there is a mistake. What may
    be a slip is told as a note, and what is sound is summed up.
    """
    path = file or chosen.file()
    try:
        reading = read(path)
    except ConfigError as error:
        _refuse(error, as_json=as_json)
    if as_json:
        click.echo(json.dumps({"sound": True, "notes": reading.notes, "mistakes": []}))
        return
    for note in reading.notes:
        click.echo(f"note: {note}")
    click.echo(f"{path} is sound")
    for line in summary(reading.settings):
        click.echo(f"  {line}")


def _refuse(error: ConfigError, *, as_json: bool) -> None:
    mistakes = str(error).splitlines()
    if as_json:
        click.echo(json.dumps({"sound": False, "notes": [], "mistakes": mistakes}))
    else:
        click.echo("\n".join(mistakes), err=True)
        click.echo(f"{len(mistakes)} mistake{'s' if len(mistakes) > 1 else ''}", err=True)
    raise SystemExit(REFUSED)


def summary(settings: Settings) -> list[str]:
    """Return what follows from sound settings."""
    model = fit(priors(settings), (), west_limit_pulses=None)
    slots_deg = [s.slot_deg for s in settings.satellites]
    rows = model.predict_many(slots_deg)
    beyond = [s.name for s, there in zip(settings.satellites, rows.reachable, strict=True)
              if not there]  # fmt: skip
    east_deg, west_deg = (
        settings.site.longitude_deg + model.half_span_deg,
        settings.site.longitude_deg - model.half_span_deg,
    )
    lines = [
        f"dish {settings.dish.name}, {settings.dish.diameter_m:g} m, "
        f"beam {model.beamwidth_deg:.2f} deg at {settings.dish.frequency_ghz:g} GHz",
        f"sees the arc from {format_slot(west_deg)} to {format_slot(east_deg)}",
        f"travel as taped {model.travel_pulses:.0f} pulses",
        f"{len(slots_deg)} satellites, {len(slots_deg) - len(beyond)} within reach as taped",
    ]
    if beyond:
        lines.append(f"out of reach as taped: {', '.join(beyond)}")
    return lines
