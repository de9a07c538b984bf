"""`history`, `export` and `import`: what was learned and what happened."""

import json
import time
from pathlib import Path
from typing import Any, Final

import click

from controller.cli.calling import running_note
from controller.cli.learned import store_path
from controller.cli.place import Chosen, as_json_option, choosing
from controller.config import load
from controller.edge.exports import export_json, import_json
from controller.edge.store import Store, tables
from controller.errors import CommandRefused, StoreError

KINDS: Final = ("move", "reference", "fault", "hold", "limits", "landing")
SHOWN: Final = ("move", "reference", "fault", "hold", "limits")
BYTES_MAX: Final = 64 << 20  # chosen: a hundred years of moves


@click.command("history")
@choosing
@click.option(
    "--kind", type=click.Choice(KINDS), multiple=True, help="Only this kind; may be repeated."
)
@click.option(
    "-n", "--last", type=click.IntRange(1, 100_000), default=20, show_default=True,
    metavar="N", help="How many, the newest.",
)  # fmt: skip
@as_json_option
def history_command(chosen: Chosen, kind: tuple[str, ...], last: int, as_json: bool) -> None:
    """Tell what happened: moves, references, faults, holds, limits.

    \b
      arckeeper history
      arckeeper history --kind fault -n 5
      arckeeper history --json

    The newest is at the bottom.
    """
    rows = newest(tables(_there(store_path(load(chosen.file())))), kind or SHOWN, last)
    if as_json:
        click.echo(json.dumps(rows))
    elif not rows:
        click.echo("nothing has happened yet")
    for row in () if as_json else rows:
        click.echo(line_of(row))


def newest(
    rows: dict[str, list[dict[str, Any]]], kinds: tuple[str, ...], last: int
) -> list[dict[str, Any]]:
    """Return the newest rows of these kinds, the oldest of them first."""
    mixed = [{"kind": kind, **row} for kind in kinds for row in rows[kind]]
    return sorted(mixed, key=lambda row: float(row["at_utc"]))[-last:]


def line_of(row: dict[str, Any]) -> str:
    """Return one event as a line; the time is the local one."""
    at = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(row["at_utc"]))
    return f"{at}  {row['kind']:<9}  {_says(row)}"


def _says(row: dict[str, Any]) -> str:
    match row["kind"]:
        case "move":
            reason = f": {row['reason']}" if row["reason"] else ""
            corrections = f", {row['corrections']} corrections" if row["corrections"] else ""
            return (
                f"{row['what']}, {row['outcome']}{reason}; from {row['from_pulses']} to "
                f"{row['final_pulses']} in {row['duration_s']:.1f} s{corrections}"
            )
        case "reference":
            dropped = ", left out since" if row["dropped"] else ""
            return (
                f"{row['name']} at {row['count_pulses']:g} within {row['sigma_pulses']:g}{dropped}"
            )
        case "fault":
            return row["text"] or "cleared"
        case "hold":
            return f"held {row['reason']}".strip() if row["held"] else "released"
        case "limits":
            return f"west limit at {row['west_limit_pulses']}"
    return (
        f"{row['direction']}: coasts {row['coast_s']:.2f} s at {row['rate_pulses_per_s']:.0f} "
        f"pulses/s"
    )


@click.command("export")
@click.argument("file", type=click.Path(dir_okay=False, allow_dash=True, path_type=Path))
@choosing
def export_command(file: Path, chosen: Chosen) -> None:
    """Write everything that was learned and everything that happened as JSON.

    \b
      arckeeper export hill-2031-05-04.json
      arckeeper export - | gzip > hill.json.gz

    May be done while the daemon runs. Keep a copy elsewhere: cards die.
    """
    path = _there(store_path(load(chosen.file())))
    text = json.dumps(export_json(path), indent=1) + "\n"
    with click.open_file(str(file), "w", encoding="utf-8", atomic=str(file) != "-") as stream:
        stream.write(text)
    click.echo(f"{path} is written to {file}", err=True)


@click.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@choosing
@click.option("--yes", is_flag=True, help="Do not ask.")
def import_command(file: Path, chosen: Chosen, yes: bool) -> None:
    """Take an exported file in, in place of everything that is there.

    \b
      arckeeper import hill-2031-05-04.json

    The daemon must not run. What was there is kept as a copy beside it. The count
    comes back as well: when the dish was moved since, find the limits again.
    """
    document = document_in(file)
    path = store_path(load(chosen.file()))
    if running_note(path.parent) is not None:
        raise CommandRefused(
            f"a daemon runs on {path.parent}; stop it first, or the two would write over each other"
        )
    if not yes:
        click.confirm(f"Replace everything in {path}?", abort=True, err=True)
    with Store(path) as store:
        import_json(store, document)
    click.echo(f"{file} is taken in")


def document_in(file: Path) -> object:
    """Return what a JSON file holds; raise `StoreError` where it is none."""
    try:
        if file.stat().st_size > BYTES_MAX:
            raise StoreError(f"{file}: must be at most {BYTES_MAX >> 20} MiB")
        return json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise StoreError(f"{file}: is no export: {error}") from None


def _there(path: Path) -> Path:
    if not path.exists():
        raise StoreError(f"{path} is not there yet; the daemon makes it when it first runs")
    return path
