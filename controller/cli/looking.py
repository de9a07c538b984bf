"""`look`: every visible satellite, where it stands and at which count it peaks."""

import json
from typing import Any

import click
import numpy as np
from rich.table import Table

from controller.cli.learned import Learned, learned_by
from controller.cli.place import Chosen, as_json_option, choosing
from controller.cli.tables import show
from controller.config import Satellite, Settings, load, priors
from controller.geometry.earth import look_angles, polarisation_tilt_deg
from controller.geometry.fit import fit
from controller.geometry.slots import format_slot


@click.command("look")
@choosing
@click.option(
    "--min-elevation", type=click.FloatRange(0, 90, max_open=True), default=0.0, metavar="DEG",
    help="Leave out what stands lower.",
)  # fmt: skip
@as_json_option
def look_command(chosen: Chosen, min_elevation: float, as_json: bool) -> None:
    """Show every satellite above the horizon: where it stands, and its count.

    \b
      arckeeper look
      arckeeper look --min-elevation 10
      arckeeper look --json | jq '.[] | select(.reachable) | .name'

    Azimuth is from true north over east. The count is from the east limit, with how
    sure it is (one standard deviation). Needs no daemon: without references it goes
    by the tape measure alone.
    """
    settings = load(chosen.file())
    learned = learned_by(settings)
    rows = rows_of(settings, learned)
    seen = [row for row in rows if row["elevation_deg"] >= min_elevation]
    if as_json:
        click.echo(json.dumps(seen))
        return
    show(_table(seen))
    hidden = [str(row["name"]) for row in rows if row["elevation_deg"] < min_elevation]
    if hidden:
        click.echo(f"below {min_elevation:g} deg: {', '.join(hidden)}")
    click.echo(learned.words())


def rows_of(settings: Settings, learned: Learned) -> list[dict[str, Any]]:
    """Return a row for each satellite, from east to west along the arc."""
    model = fit(priors(settings), learned.references, west_limit_pulses=learned.west_limit_pulses)
    slots_deg = np.array([s.slot_deg for s in settings.satellites], dtype=np.float64)
    if not slots_deg.size:
        return []
    angles = look_angles(model.priors.site, slots_deg)
    tilt_deg = polarisation_tilt_deg(model.priors.site, slots_deg)
    found = model.predict_many(slots_deg)
    columns = {
        "azimuth_deg": angles.azimuth_deg,
        "elevation_deg": angles.elevation_deg,
        "polarisation_tilt_deg": tilt_deg,
        "hour_angle_deg": found.hour_angle_deg,
        "count_pulses": found.count_pulses,
        "sigma_pulses": found.sigma_pulses,
        "sigma_deg": found.sigma_deg,
        "loss_db": found.loss_db,
    }
    rows = [
        _row(satellite, {name: column[n] for name, column in columns.items()})
        | {"reachable": bool(found.reachable[n])}
        for n, satellite in enumerate(settings.satellites)
    ]
    ahead_deg = (slots_deg - model.priors.site.longitude_deg + 180) % 360 - 180
    return [rows[n] for n in np.argsort(-ahead_deg)]


def _row(satellite: Satellite, values: dict[str, Any]) -> dict[str, Any]:
    plain = {name: float(value) if np.isfinite(value) else None for name, value in values.items()}
    return {"name": satellite.name, "slot_deg": satellite.slot_deg, **plain}


def _table(rows: list[dict[str, Any]]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("satellite", no_wrap=True, overflow="ellipsis")
    for name in ("slot", "azimuth", "elev.", "hour ang.", "count", "± pulses", "reach"):
        table.add_column(name, justify="right", no_wrap=True)
    for row in rows:
        table.add_row(
            str(row["name"]),
            format_slot(row["slot_deg"]),
            _number(row["azimuth_deg"], ".2f"),
            _number(row["elevation_deg"], ".2f"),
            _number(row["hour_angle_deg"], "+.2f"),
            _number(row["count_pulses"], ".0f"),
            _number(row["sigma_pulses"], ".1f"),
            "yes" if row["reachable"] else "no",
            style="" if row["reachable"] else "dim",
        )
    return table


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)
