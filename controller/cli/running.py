"""`run`: the daemon of one dish."""

import logging
from pathlib import Path

import click

from controller import daemon
from controller.cli.place import Chosen, choosing
from controller.config import load


@click.command("run")
@choosing
@click.option(
    "--state-dir", type=click.Path(path_type=Path), metavar="FOLDER",
    help="Folder for count and history, instead of the configured one.",
)  # fmt: skip
@click.option("-v", "--verbose", is_flag=True, help="Log every event as well.")
def run_command(chosen: Chosen, state_dir: Path | None, verbose: bool) -> None:
    """Run the daemon of one dish until SIGTERM or Ctrl-C.

    \b
      arckeeper run --config /etc/arckeeper/hill.yaml
      systemctl start arckeeper@hill  the same as a service

    It claims the pins, starts a private MQTT broker unless one is configured, and
    writes one line for each event to stderr. It moves nothing until it is asked to.
    """
    logging.basicConfig(
        level=logging.DEBUG if verbose else logging.INFO,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
    )
    raise SystemExit(daemon.run(load(chosen.file()), state_dir=state_dir))
