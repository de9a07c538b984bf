"""Broker, yard and daemon of the demo, each started by us and ended by us."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from controller.bench.plan import YardPlan
from controller.bench.witness import RunningYard, start_yard
from controller.cli.calling import running_note
from controller.cli.demoyaml import SIGNAL_TOPIC, demo_yaml
from controller.cli.exits import NoDaemon
from controller.config import Broker
from controller.edge.broker import RunningBroker, ensure_broker

READY_S: Final = 20.0  # chosen: a busy board with a slow card
END_S: Final = 8.0  # a coast, a standstill and its save
LOG_TAIL = 12  # lines


@dataclass(frozen=True)
class Stage:
    """Everything that runs, and where it is."""

    config: Path
    state_dir: Path
    broker: RunningBroker
    yard: RunningYard
    plan: YardPlan


@contextmanager
def staged(directory: Path, plan: YardPlan, *, seed: int = 0) -> Iterator[Stage]:
    """Start broker, yard and daemon in a folder, and end them in turn."""
    state_dir = directory / "state"
    state_dir.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        broker = ensure_broker(Broker(port=0), directory=directory)
        stack.callback(broker.close)
        yard = stack.enter_context(
            start_yard(
                directory / "yard.socket",
                scenario=plan.name,
                seed=seed,
                speed_mm_per_s=plan.motor.speed_mm_per_s,
                start_mm=plan.start_mm,
                broker=f"{broker.host}:{broker.port}",
                signal_topic=SIGNAL_TOPIC,
                state=directory / "yard.json",
            )
        )
        config = directory / "demo.yaml"
        text = demo_yaml(plan, broker_port=broker.port, state_dir=state_dir)
        config.write_text(text, encoding="utf-8")
        stage = Stage(config, state_dir, broker, yard, plan)
        daemon = start_daemon(stage)
        stack.callback(end_daemon, daemon)
        wait_until_ready(daemon, stage)
        yield stage


def start_daemon(stage: Stage) -> subprocess.Popen[bytes]:
    """Start the daemon as a service manager would, with the pins of the yard."""
    (stage.state_dir / "running.json").unlink(missing_ok=True)
    with log_of(stage).open("ab") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "controller.cli", "run", "--config", str(stage.config)],
            env={**os.environ, **stage.yard.environment, "OPENBLAS_NUM_THREADS": "1"},
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            start_new_session=True,  # Ctrl-C is for us: the daemon ends when the story has
        )


def log_of(stage: Stage) -> Path:
    """Return the file that the daemon writes."""
    return stage.config.with_name("daemon.log")


def wait_until_ready(daemon: subprocess.Popen[bytes], stage: Stage) -> None:
    """Return when the daemon has left its note; raise `NoDaemon` with its last words."""
    until_s = time.monotonic() + READY_S
    while running_note(stage.state_dir) is None:
        if daemon.poll() is not None or time.monotonic() > until_s:
            words = log_of(stage).read_text(errors="replace").splitlines()[-LOG_TAIL:]
            raise NoDaemon("\n".join(["the daemon did not start:", *words]))
        time.sleep(0.02)


def end_daemon(daemon: subprocess.Popen[bytes]) -> None:
    """End this one daemon, by its own process id only."""
    if daemon.poll() is None:
        daemon.terminate()
        try:
            daemon.wait(END_S)
        except subprocess.TimeoutExpired:
            daemon.kill()
            daemon.wait()
