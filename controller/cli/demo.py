"""`demo`: the whole program on a simulated yard."""

import shlex
import shutil
import signal
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click
from rich.table import Table

from controller.bench.scenario import SCENARIOS, scenario
from controller.cli.calling import caller_at, where_of
from controller.cli.demostage import Stage, log_of, staged
from controller.cli.demostory import Landing, Story, all_on_the_pulse
from controller.cli.demoyaml import SIGNAL_TOPIC
from controller.cli.exits import DONE, REFUSED
from controller.cli.signalpeak import Meter
from controller.cli.tables import show
from controller.config import load
from controller.config.address import load_address

SPEED_MM_PER_S = 40.0  # eight times a real actuator: the evening fits into two minutes


@click.command("demo")
@click.option("--once", is_flag=True, help="End after the story instead of staying up.")
@click.option(
    "--dish", type=click.Choice(sorted(SCENARIOS)), default="tussock-downs", show_default=True,
    help="Which of the two invented sites.",
)  # fmt: skip
@click.option(
    "--speed", type=click.FloatRange(3, 55), default=SPEED_MM_PER_S, show_default=True,
    metavar="MM_PER_S", help="Speed of the motor; real ones do 3 to 8.",
)  # fmt: skip
@click.option("--seed", type=int, default=0, help="Of noise, bounce and wind.")
@click.option(
    "--state-dir", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
    help="Keep everything here instead of in a folder that is removed.",
)  # fmt: skip
def demo_command(once: bool, dish: str, speed: float, seed: int, state_dir: Path | None) -> None:
    """Show it all on a simulated yard; nothing is wired, nothing real moves.

    \b
      arckeeper demo                  stays up for you to play with
      arckeeper demo --once           ends by itself; exit code 0: all went well
      arckeeper demo --dish alder-fen

    A private broker, a yard in software and the daemon are started. Both ends are found,
    three satellites are peaked on the receiver's level, two others are found by the
    model, and a table shows how far from the true peak each move ended.
    """
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # ended so, it cleans up as well
    plan = scenario(dish, speed_mm_per_s=speed)
    with _folder(state_dir) as folder:
        try:
            click.echo(f"starting a broker, the yard {dish} and its daemon in {folder}")
            with staged(folder, plan, seed=seed) as stage:
                landings = _tell(stage)
                code = DONE if all_on_the_pulse(landings) else REFUSED
                if not once:
                    _stay(stage)
        except KeyboardInterrupt:
            click.echo("ended", err=True)
            code = REFUSED if once else DONE
    raise SystemExit(code)


@contextmanager
def _folder(state_dir: Path | None) -> Iterator[Path]:
    if state_dir is not None:
        state_dir.mkdir(parents=True, exist_ok=True)
        yield state_dir.resolve()
        return
    with tempfile.TemporaryDirectory(prefix="arckeeper-demo-") as folder:
        yield Path(folder)


def _tell(stage: Stage) -> list[Landing]:
    address, settings = load_address(stage.config), load(stage.config)
    meter = Meter(host=stage.broker.host, port=stage.broker.port, topic=SIGNAL_TOPIC)
    try:
        with caller_at(address, where_of(address)) as caller:
            landings = Story(stage, settings, caller, meter).tell()
    finally:
        meter.close()
    click.echo()
    show(_table(landings))
    click.echo()
    if all_on_the_pulse(landings):
        click.echo("every move ended within one pulse of its target")
    else:
        click.echo(f"NOT every move ended within one pulse of its target; see {log_of(stage)}")
    return landings


def _table(landings: list[Landing]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("satellite", no_wrap=True)
    for name in ("sent to", "landed", "true peak", "off pulses", "off deg", "costs dB"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("how", no_wrap=True)
    for each in landings:
        table.add_row(
            each.name,
            str(each.target_pulses),
            str(each.landed_pulses),
            f"{each.peak_pulses:.1f}",
            f"{each.off_pulses:+.1f}",
            f"{each.off_deg:+.3f}",
            f"{each.loss_db:.2f}",
            each.role,
        )
    return table


def _stay(stage: Stage) -> None:
    program = "arckeeper" if shutil.which("arckeeper") else shlex.quote(sys.argv[0])
    if program.endswith("__main__.py"):
        program = f"{sys.executable} -m controller.cli"
    config = f"--config {shlex.quote(str(stage.config))}"
    name = stage.plan.satellites[len(stage.plan.satellites) // 2].name
    click.echo("it stays up until Ctrl-C; in another terminal, for example:")
    for words in ("status", "look", f"goto {name}", "nudge +3", "history"):
        click.echo(f"  {program} {words} {config}")
    socket = stage.yard.environment["ARCKEEPER_YARD"]
    click.echo("opening the simulated relays needs to know the yard as well:")
    click.echo(f"  ARCKEEPER_YARD={shlex.quote(socket)} {program} safe {config}")
    click.echo(f"any MQTT client: {stage.broker.host}:{stage.broker.port}, arckeeper/#")
    signal.pause()
