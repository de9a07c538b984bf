"""A move from the command to its last answer: shown, and halted with Ctrl-C."""

import json
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any, Final, Protocol

import click

from controller.cli.calling import called
from controller.cli.exits import DONE, REFUSED
from controller.cli.place import Chosen
from controller.edge.caller import Caller

STAND_S: Final = 10.0  # how long it waits for the dish to stand after a halt


class Show(Protocol):
    """What a person sees of a move."""

    def status(self, status: dict[str, Any]) -> None:
        """Show how far it is."""

    def answer(self, answer: dict[str, Any]) -> None:
        """Show what became of it."""

    def notice(self, notice: dict[str, Any]) -> None:
        """Show what everybody should know."""

    def close(self) -> None:
        """Leave the terminal as it was."""


class Lines:
    """One line for each thing that happens; for logs and pipes."""

    def __init__(self) -> None:
        self._state = ""

    def status(self, status: dict[str, Any]) -> None:
        """Write a line when the state has changed."""
        doing = status["waiting"] or status["state"]
        if doing != self._state:
            self._state = doing
            count = "not known" if status["count_pulses"] is None else status["count_pulses"]
            click.echo(f"{doing}, count {count}")

    def answer(self, answer: dict[str, Any]) -> None:
        """Write the answer."""
        click.echo(f"{answer['outcome']}: {answer['text']}")

    def notice(self, notice: dict[str, Any]) -> None:
        """Write the notice."""
        click.echo(notice_text(notice))

    def close(self) -> None:
        """Do nothing: every line is out."""


class JsonLines:
    """One JSON object a line: the answers as they are, and nothing else."""

    def status(self, status: dict[str, Any]) -> None:
        """Leave it out; `status --follow --json` shows it."""

    def answer(self, answer: dict[str, Any]) -> None:
        """Write the answer."""
        click.echo(json.dumps(answer))

    def notice(self, notice: dict[str, Any]) -> None:
        """Leave it out."""

    def close(self) -> None:
        """Do nothing: every line is out."""


def notice_text(notice: dict[str, Any]) -> str:
    """Return a notice as one line."""
    advice = f" -> {notice['advice']}" if notice["advice"] else ""
    return f"{notice['severity']}: {notice['text']}{advice}"


def show_for(*, as_json: bool) -> Show:
    """Return what suits where the output goes."""
    if as_json:
        return JsonLines()
    if not sys.stdout.isatty():
        return Lines()
    from controller.cli.bar import Bar  # noqa: PLC0415 - rich, which a pipe does not need

    return Bar()


def move(chosen: Chosen, command: dict[str, Any] | str, *, as_json: bool, wait: bool) -> int:
    """Have the dish move and return the exit code; Ctrl-C halts it."""
    with called(chosen) as caller:
        if not wait:
            answer = next(caller.ask(command))
            JsonLines().answer(answer) if as_json else click.echo(answer["text"])
            return REFUSED if answer["outcome"] == "refused" else DONE
        show = show_for(as_json=as_json)
        try:
            return follow(caller, command, show)
        except KeyboardInterrupt:
            return halt_and_wait(caller, show)
        finally:
            show.close()


def follow(caller: Caller, command: dict[str, Any] | str, show: Show) -> int:
    """Show a move until it has ended, and return the exit code."""
    outcome, accepted = "", False
    for name, said in caller.follow(command):
        if name == "answer":
            outcome, accepted = said["outcome"], True
            show.answer(said)
        elif name == "notice":
            show.notice(said)
        elif accepted:  # before that a status shows what was there anyway
            show.status(said)
    return DONE if outcome == "arrived" else REFUSED


def halt_and_wait(caller: Caller, show: Show) -> int:
    """Halt, and wait until the dish stands; a second Ctrl-C leaves at once."""
    show.answer(caller.halt())
    for status in still_moving(caller, STAND_S):
        show.status(status)
    count = caller.status()["count_pulses"]
    show.close()
    click.echo(f"stopped at count {count}" if count is not None else "stopped", err=True)
    return REFUSED


def still_moving(
    caller: Caller, timeout_s: float, *, clock: Callable[[], float] = time.monotonic
) -> Iterator[dict[str, Any]]:
    """Yield each status until one says that the dish stands."""
    until_s = clock() + timeout_s
    while clock() < until_s:
        for status in caller.watch(0.2):
            if status["state"] in ("resting", "faulted"):
                return
            yield status
