"""The daemon as a real process, with a real broker and the yard: how quick and how large.

Latency is seen from outside: from the publishing of a command to the moment at which the yard
reports the relay line's new level, polled, so that each figure includes one poll of the yard.
The flood goes to the broker first, as other devices talk, and then to the dish's own command
topic, where every message costs the daemon an answer; a command that it is too busy for then
is sent again, a halt never.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from controller.bench.scenario import scenario
from controller.cli.demostage import Stage, end_daemon, staged, start_daemon, wait_until_ready

FLOOD_PER_S = 500
TICK_S = 0.01


class Owner:
    """Publishes commands and follows the state."""

    def __init__(self, stage: Stage) -> None:
        self._topic = f"arckeeper/{stage.plan.name}"
        self.state = ""
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._heard
        self._client.connect(stage.broker.host, stage.broker.port)
        self._client.subscribe(f"{self._topic}/status", qos=1)
        self._client.loop_start()

    def _heard(self, _client: object, _seat: object, message: paho.MQTTMessage) -> None:
        self.state = json.loads(message.payload)["state"]

    def say(self, verb: str, payload: str = "") -> None:
        """Publish a plain command."""
        self._client.publish(f"{self._topic}/ask/{verb}", payload or "now", qos=0)

    def garbage(self, *, own: bool) -> None:
        """Publish what is no command, to the dish or to somebody else."""
        topic = f"{self._topic}/ask" if own else "elsewhere/meter"
        self._client.publish(topic, b'{"do": "fly"}', qos=0)

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def flood(stage: Stage, per_s: int, *, own: bool) -> Iterator[None]:
    """Send garbage to the dish at a steady rate meanwhile."""
    other, done = Owner(stage), threading.Event()

    def pour() -> None:
        due_s = time.monotonic()
        while not done.is_set():
            other.garbage(own=own)
            due_s += 1 / per_s
            time.sleep(max(0.0, due_s - time.monotonic()))

    thread = threading.Thread(target=pour, daemon=True)
    if per_s:
        thread.start()
    try:
        yield
    finally:
        done.set()
        if per_s:
            thread.join()
        other.close()


def until(condition: Callable[[], bool], bound_s: float = 20.0) -> float:
    """Return how long it took until a condition held."""
    begun_s = time.perf_counter()
    while not condition():
        if time.perf_counter() - begun_s > bound_s:
            raise TimeoutError("the daemon did not do it in time")
    return time.perf_counter() - begun_s


def latencies(
    stage: Stage, rounds: int, per_s: int, *, own: bool
) -> tuple[list[float], list[float]]:
    """Return the seconds from nudge to relay closed, and from halt to relay open."""
    owner = Owner(stage)
    closes, opens = [], []

    def powered() -> bool:
        return any(stage.yard.truth().relays.values())

    def commanded() -> bool:
        levels = stage.yard.truth().levels
        return any(level > 0.5 for pin, level in levels.items() if pin in motor)

    drive = stage.plan.wires.drive
    motor = {pin for name, pin in vars(drive).items() if name.endswith("_pin")}
    with flood(stage, per_s, own=own):
        for turn in range(rounds):
            until(lambda: owner.state == "resting" and not powered())
            closes.append(asked(owner, "+40" if turn % 2 else "-40", commanded))
            time.sleep(0.1)
            owner.say("halt")
            opens.append(until(lambda: not commanded()))
            until(lambda: owner.state != "resting", 5.0) if owner.state == "resting" else None
    owner.close()
    return closes, opens


def asked(owner: Owner, step: str, commanded: Callable[[], bool]) -> float:
    """Return how long a nudge took; one that was answered with busy is sent again."""
    for _ in range(20):
        owner.say("nudge", step)
        try:
            return until(commanded, 2.0)
        except TimeoutError:
            continue
    raise TimeoutError("no nudge was obeyed")


def cpu_s(pid: int) -> float:
    """Return the processor seconds that a process has used (proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mb(pid: int) -> float:
    """Return the resident memory of a process in MB."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) * 1024 / 1e6
    raise ValueError("no VmRSS")


def row(name: str, seconds: list[float]) -> str:
    """Return one line of the table."""
    ranked = sorted(seconds)
    worst = ranked[min(len(ranked) - 1, int(0.99 * len(ranked)))]
    middle = statistics.median(ranked)
    return f"{name:<44} median {middle * 1e3:7.2f} ms  99th {worst * 1e3:7.2f} ms"


def main(argv: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--rest-s", type=float, default=20.0)
    chosen = parser.parse_args(argv)
    plan = scenario("tussock-downs", speed_mm_per_s=25.0)
    with tempfile.TemporaryDirectory() as folder, staged(Path(folder), plan) as stage:
        note = json.loads((stage.state_dir / "running.json").read_text(encoding="utf-8"))
        pid = int(note["pid"])
        time.sleep(2.0)
        before_s = cpu_s(pid)
        time.sleep(chosen.rest_s)
        share = (cpu_s(pid) - before_s) / chosen.rest_s
        print(f"{'resident at rest':<44} {resident_mb(pid):.1f} MB")
        print(f"{'of a core at rest':<44} {100 * share:.2f} %")
        command = [sys.executable, "-m", "controller.cli", "status", "--config", str(stage.config)]
        times = [_took(command) for _ in range(7)]
        print(f"{'arckeeper status, whole process':<44} median {statistics.median(times):.2f} s")
        for name, per_s, own in [
            ("quiet", 0, False),
            (f"{FLOOD_PER_S}/s on the broker", FLOOD_PER_S, False),
            (f"{FLOOD_PER_S}/s on its own topic", FLOOD_PER_S, True),
        ]:
            closes, opens = latencies(stage, chosen.rounds, per_s, own=own)
            print(row(f"command to relay, {name}", closes))
            print(row(f"halt to relay open, {name}", opens))
        print(f"{'resident after the flood':<44} {resident_mb(pid):.1f} MB")
        os.kill(pid, 15)
        until(lambda: not (stage.state_dir / "running.json").exists())
        again = [_ready(stage) for _ in range(3)]
        print(f"{'start to ready':<44} median {statistics.median(again):.2f} s")
    return 0


def _took(command: list[str]) -> float:
    begun_s = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun_s


def _ready(stage: Stage) -> float:
    begun_s = time.perf_counter()
    daemon = start_daemon(stage)
    wait_until_ready(daemon, stage)
    took_s = time.perf_counter() - begun_s
    end_daemon(daemon)
    return took_s


if __name__ == "__main__":
    sys.exit(main())
