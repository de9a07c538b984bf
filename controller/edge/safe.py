"""Opens every relay, in whatever state a dead or a hanging program has left the lines.

1. Every output is tried on its own, and a failure keeps none of the others.
2. What cuts the power goes first, and a reversing relay last, after its pause.
3. It takes bounded time, and the lines are inactive when they are given back.
"""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Final

from gpiozero import Factory

from controller.config import Pins, ReversingRelay, Settings, Wiring
from controller.edge.gpio import pin_factory
from controller.edge.outputs import Line, Output, heartbeat_output, main_output, motor_outputs

PATIENCE_S: Final = 2.0  # chosen: longer than any line needs, short enough for eight of them


class SafeReport(list[str]):
    """What was done, a sentence for each output; `failed` has those that went wrong."""

    def __init__(self) -> None:
        super().__init__()
        self.failed: list[str] = []

    def fail(self, sentence: str) -> None:
        """Add a sentence about something that is not as it should be."""
        self.append(sentence)
        self.failed.append(sentence)


def make_safe(
    settings: Settings | Wiring, *, factory: Factory | None = None, patience_s: float = PATIENCE_S
) -> SafeReport:
    """Drive every output inactive and return what was done, in words; never raises.

    A line that another program holds cannot be claimed: then `failed` says which and by whom.
    `patience_s` is how long one line may take.
    """
    report = SafeReport()
    pins = settings.pins
    made: list[Factory] = []
    if factory is None:
        problem = _within(patience_s, lambda: made.append(pin_factory(pins.factory)))
        if problem:
            report.fail(f"no line was reached: {problem}")
            return report
        factory = made[0]
    lines: list[Line] = []
    for output in _in_order(pins):
        _open(output, factory, report, lines, patience_s)
    for line in lines:
        problem = _within(patience_s, line.close)
        if problem:
            report.fail(f"{_named(line.output)} could not be given back: {problem}")
    for own in made:
        with suppress(Exception):
            own.close()
    return report


def _in_order(pins: Pins) -> Iterator[Output]:
    """Yield what cuts the power first; pause before the relay that reverses."""
    if main := main_output(pins):
        yield main
    for role, output in motor_outputs(pins).items():
        if isinstance(pins.drive, ReversingRelay) and role == "reversing relay":
            time.sleep(pins.drive.settle_s)
        yield output
    if beat := heartbeat_output(pins):
        yield beat


def _open(
    output: Output, factory: Factory, report: SafeReport, lines: list[Line], patience_s: float
) -> None:
    def claim_and_look() -> None:
        line = Line(output, factory)
        lines.append(line)
        line.off()
        if line.is_on:
            raise OSError("it still reads as active")

    problem = _within(patience_s, claim_and_look)
    if problem:
        report.fail(f"{_named(output)} is not known to be open: {problem}")
    else:
        level = "high" if output.active_low else "low"
        report.append(f"{_named(output)} is open: driven {level}")


def _named(output: Output) -> str:
    return f"{output.role} (line {output.pin})"


def _within(patience_s: float, deed: Callable[[], object]) -> str:
    """Do it in a thread of its own; return why it did not happen, "" when it did."""
    problems: list[str] = []

    def attempt() -> None:
        try:
            deed()
        except Exception as error:
            problems.append(str(error) or type(error).__name__)

    thread = threading.Thread(target=attempt, name="make-safe", daemon=True)
    thread.start()
    thread.join(patience_s)
    if thread.is_alive():
        return f"no answer within {patience_s:g} s"
    return problems[0] if problems else ""
