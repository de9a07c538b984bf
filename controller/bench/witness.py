"""A yard in a process of its own, for tests and the demo: start it, ask it, break it, end it."""

import queue
import subprocess
import sys
import threading
from math import floor
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from controller.bench.link import Link
from controller.bench.truth import Truth
from controller.bench.wires import Wires, wires_as_json
from controller.errors import DoorError

READY_S = 20.0  # chosen: a busy board with a slow card
END_S = 5.0


class RunningYard:
    """A running yard and our connection to it; a context manager that ends it."""

    def __init__(self, child: subprocess.Popen[str], path: Path) -> None:
        self.path = path
        self._child = child
        self._link = Link(path)

    def __enter__(self) -> "RunningYard":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def pid(self) -> int:
        """Return the yard's process id."""
        return self._child.pid

    @property
    def is_running(self) -> bool:
        """Return True until the yard's process has ended."""
        return self._child.poll() is None

    @property
    def environment(self) -> dict[str, str]:
        """Return the variable that sends a program's pin factory to this yard."""
        return {"ARCKEEPER_YARD": str(self.path)}

    def truth(self) -> Truth:
        """Return what is really so now."""
        answer = self._link.ask("truth")
        answer.pop("id")
        return Truth.from_json(answer)

    def off_deg(self, satellite: str) -> float:
        """Return the angle between the beam and a satellite now."""
        return float(self._link.ask("off", name=satellite)["off_deg"])

    def peak_pulses(self, satellite: str, *, arriving: str = "west") -> float | None:
        """Return the place of the best signal in pulses, None when it is out of reach."""
        pulses = self._link.ask("peak", name=satellite, arriving=arriving)["pulses"]
        return None if pulses is None else float(pulses)

    def peak_count(self, satellite: str, *, arriving: str = "west") -> int | None:
        """Return the true count of the best signal, None when it is out of reach."""
        pulses = self.peak_pulses(satellite, arriving=arriving)
        return None if pulses is None else floor(pulses)

    def signal_db(self) -> float:
        """Return the receiver's level now, with its noise."""
        return float(self._link.ask("signal")["level_db"])

    def fault(self, name: str, **parameters: Any) -> None:
        """Break something by name, such as `fault("missing-pulses", probability=0.1)`."""
        self._link.ask("fault", name=name, parameters=parameters)

    def clear(self, name: str | None = None) -> None:
        """Mend everything of that name, or everything."""
        self._link.ask("clear", name=name)

    def cut_power(self) -> None:
        """Take the motor's supply away."""
        self.fault("power-cut")

    def restore_power(self) -> None:
        """Give the motor its supply back."""
        self.clear("power-cut")

    def press(self, button: str, *, down: bool = True) -> None:
        """Press or let go "stop", turn "hold" on or off."""
        self._link.ask("press", button=button, down=down)

    def close(self) -> None:
        """End the yard, by its own process id only; twice is fine."""
        self._link.close()
        _end(self._child)


def start_yard(
    path: Path,
    *,
    scenario: str = "tussock-downs",
    drawn: int | None = None,
    seed: int = 0,
    speed_mm_per_s: float | None = None,
    start_mm: float | None = None,
    wires: Wires | None = None,
    broker: str | None = None,
    signal_topic: str | None = None,
    signal_json: str | None = None,
    state: Path | None = None,
    life_s: float = 600.0,
) -> RunningYard:
    """Start a yard that listens at `path` and return once it does.

    Raises `DoorError` with what the yard said when it does not start.
    """
    options: dict[str, object | None] = {
        "--drawn": drawn,
        "--seed": seed,
        "--speed-mm-per-s": speed_mm_per_s,
        "--start-mm": start_mm,
        "--wires": wires_as_json(wires) if wires else None,
        "--broker": broker,
        "--signal-topic": signal_topic,
        "--signal-json": signal_json,
        "--state": state,
        "--life-s": life_s,
    }
    if drawn is None:
        options["--scenario"] = scenario
    command = [sys.executable, "-m", "controller.bench", "--socket", str(path)]
    for name, value in options.items():
        command += [] if value is None else [f"{name}={value}"]
    child = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        _wait_until_ready(child)
        return RunningYard(child, path)
    except BaseException:
        _end(child)
        raise


def _wait_until_ready(child: subprocess.Popen[str]) -> None:
    assert child.stdout is not None
    first: queue.SimpleQueue[str] = queue.SimpleQueue()
    reading = threading.Thread(target=_first_line, args=(child.stdout, first), daemon=True)
    reading.start()
    try:
        line = first.get(timeout=READY_S)
    except queue.Empty:
        raise DoorError(f"the yard was not ready within {READY_S:g} s") from None
    if "is ready" not in line:
        child.terminate()
        _, complaint = child.communicate()
        raise DoorError(f"the yard did not start: {complaint.strip() or line or 'it was silent'}")


def _first_line(stream: IO[str], into: queue.SimpleQueue[str]) -> None:
    into.put(stream.readline())


def _end(child: subprocess.Popen[str]) -> None:
    """End this one child and give its pipes back."""
    if child.poll() is None:
        child.terminate()
        try:
            child.wait(END_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
    for pipe in (child.stdout, child.stderr):
        if pipe is not None:
            pipe.close()
