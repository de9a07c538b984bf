"""From a configuration to a connection with the dish's daemon."""

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click

from controller.cli.exits import REFUSED, NoDaemon
from controller.cli.place import Chosen
from controller.config.address import Address, load_address
from controller.edge.caller import Caller
from controller.errors import DoorError

PRESENCE_S: Final = 2.0  # how long the broker may take to say whether the daemon is there


@dataclass(frozen=True)
class Where:
    """Host and port of a broker."""

    host: str
    port: int


def where_of(address: Address) -> Where:
    """Return where the dish's broker is; raise `NoDaemon` when nobody has left word of it."""
    if address.broker.host is not None:
        return Where(address.broker.host, address.broker.port)
    note = running_note(address.state_dir)
    if note is not None:
        return Where(str(note["host"]), int(note["port"]))
    if address.broker.port:  # the note of a service may not be ours to read
        return Where("127.0.0.1", address.broker.port)
    raise NoDaemon(
        f"no daemon runs for dish {address.dish!r}: {address.state_dir / 'running.json'} "
        f"is not there; start it with: arckeeper run"
    )


def running_note(state_dir: Path) -> dict[str, Any] | None:
    """Return what a running daemon wrote about itself, None when it wrote nothing."""
    try:
        note = json.loads((state_dir / "running.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return note if isinstance(note, dict) and {"host", "port"} <= note.keys() else None


def caller_at(address: Address, where: Where) -> Caller:
    """Return a connection that is not made yet."""
    broker = address.broker
    return Caller(
        host=where.host,
        port=where.port,
        base=broker.base_topic,
        dish=address.dish,
        user=broker.user,
        password_file=broker.password_file,
        tls=broker.tls,
        ca_file=broker.ca_file,
        certificate_file=broker.certificate_file,
        key_file=broker.key_file,
    )


@contextmanager
def called(chosen: Chosen) -> Iterator[Caller]:
    """Connect to the daemon of a dish; raise `NoDaemon` when nobody answers for it."""
    address = load_address(chosen.file())
    where = where_of(address)
    caller = caller_at(address, where)
    try:
        caller.__enter__()
    except DoorError as error:
        raise NoDaemon(str(error)) from None
    try:
        _check_present(caller, address)
        yield caller
    except DoorError as error:
        raise NoDaemon(str(error)) from None
    finally:
        caller.__exit__(None, None, None)


def _check_present(caller: Caller, address: Address) -> None:
    until_s = time.monotonic() + PRESENCE_S
    while caller.alive is None and time.monotonic() < until_s:
        for _ in caller.watch(0.02):
            if caller.alive is not None:
                break
    if not caller.alive:
        word = "has never been" if caller.alive is None else "is not"
        raise NoDaemon(
            f"the daemon of dish {address.dish!r} {word} on its broker; start it with: "
            f"arckeeper run"
        )


def ask_once(
    chosen: Chosen, command: dict[str, Any] | str, *, as_json: bool, says: str = ""
) -> None:
    """Send a command that ends with its first answer and show that; exit 1 when refused.

    `says` is said instead of the answer's own text when it was accepted.
    """
    with called(chosen) as caller:
        answer = next(caller.ask(command))
    refused = answer["outcome"] == "refused"
    words = f"refused: {answer['text']}" if refused else says or answer["text"]
    click.echo(json.dumps(answer) if as_json else words)
    if refused:
        raise SystemExit(REFUSED)
