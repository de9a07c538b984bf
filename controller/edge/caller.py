"""The other side of the door: asks a dish over MQTT and listens to what it answers.

Loads neither the settings library nor the mathematics, so that a command line starts quickly.
"""

import contextlib
import json
import queue
import time
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal, Self, TypeAlias

from controller.edge.brokerkeys import Endpoint
from controller.edge.mqttlink import Link
from controller.edge.topics import Tree
from controller.errors import DoorError

Kind: TypeAlias = Literal["answer", "status", "notice"]

CONNECT_S: Final = 5.0
FIRST_S: Final = 5.0  # the first answer takes milliseconds; more is a daemon that hangs
LOOK_S: Final = 0.2
WAIT_MAX_S: Final = 3600.0  # a queue takes no infinite time
KINDS: Final[tuple[Kind, ...]] = ("answer", "status", "notice")
ENDS: Final = frozenset({"refused", "arrived", "stopped"})


@dataclass(frozen=True, kw_only=True)
class _Heard:
    """Something that came in: a report of the dish, or word of who is there."""

    name: str
    said: dict[str, Any] = field(default_factory=dict)
    present: bool = True  # the daemon, or the connection
    why: str = ""


class Caller:
    """A connection to one dish; use it as a context manager."""

    def __init__(
        self,
        *,
        host: str,
        port: int,
        base: str,
        dish: str,
        user: str | None = None,
        password_file: Path | None = None,
        tls: bool = False,
        ca_file: Path | None = None,
        certificate_file: Path | None = None,
        key_file: Path | None = None,
    ) -> None:
        self._endpoint = Endpoint(
            host=host,
            port=port,
            user=user,
            password_file=password_file,
            tls=tls,
            ca_file=ca_file,
            certificate_file=certificate_file,
            key_file=key_file,
        )
        self._tree = Tree(base=base, dish=dish)
        self._heard: queue.SimpleQueue[_Heard] = queue.SimpleQueue()
        self._names = {self._tree.topic(name): name for name in (*KINDS, "alive")}
        self._link = Link(self._endpoint, self, subscriptions=list(self._names))
        self._alive: bool | None = None
        self._status: dict[str, Any] | None = None

    def __enter__(self) -> Self:
        self._link.start()
        deadline_s = time.monotonic() + CONNECT_S
        while not self._link.is_up:
            heard = self._next(deadline_s)
            if heard is not None and not heard.present and heard.name == "link":
                self._link.close()
                raise DoorError(f"{heard.why}; does the daemon run, and is this the right address?")
            if heard is None:
                self._link.close()
                raise DoorError(
                    f"the broker at {self._endpoint.place} did not answer in {CONNECT_S:g} s; "
                    "one that speaks TLS stays silent to a client that does not"
                )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._link.close()

    @property
    def alive(self) -> bool | None:
        """Say whether the broker believes that the daemon is there; None before it said."""
        return self._alive

    def status(self, timeout_s: float = 2.0) -> dict[str, Any]:
        """Return the newest status; raise `DoorError` when there is none in time."""
        while self._next(0.0) is not None:
            pass
        deadline_s = time.monotonic() + timeout_s
        while self._status is None:
            if self._next(deadline_s) is None:
                raise DoorError(self._nobody(f"no status came within {timeout_s:g} s"))
        return self._status

    def watch(self, timeout_s: float | None = None) -> Iterator[dict[str, Any]]:
        """Yield each status as it comes, the known one first, until `timeout_s` has passed."""
        deadline_s = float("inf") if timeout_s is None else time.monotonic() + timeout_s
        if self._status is not None:
            yield self._status
        while time.monotonic() < deadline_s:
            heard = self._next(min(deadline_s, time.monotonic() + LOOK_S))
            if heard is not None and heard.name == "status":
                yield heard.said

    def ask(
        self, command: Mapping[str, Any] | str, timeout_s: float = FIRST_S
    ) -> Iterator[dict[str, Any]]:
        """Send a command and yield its answers: accepted or refused, then how it ended.

        A text is a command without keys, such as `park`. `timeout_s` is for the first answer;
        raise `DoorError` when it does not come, or when the daemon or the broker goes away.
        """
        for name, said in self.follow(command, timeout_s):
            if name == "answer":
                yield said

    def follow(
        self, command: Mapping[str, Any] | str, timeout_s: float = FIRST_S
    ) -> Iterator[tuple[Kind, dict[str, Any]]]:
        """Send a command and yield its answers, and each status and notice, until it has ended."""
        command_id = self._send(command)
        deadline_s = time.monotonic() + timeout_s
        while True:
            heard = self._next(deadline_s)
            if heard is None:
                raise DoorError(self._nobody(f"no answer came within {timeout_s:g} s"))
            self._check_present(heard, is_accepted=deadline_s == float("inf"))
            if heard.name == "answer" and heard.said.get("id") == command_id:
                yield "answer", heard.said
                deadline_s = float("inf")
                if heard.said.get("outcome") in ENDS:
                    return
            elif heard.name == "status":
                yield "status", heard.said
            elif heard.name == "notice":
                yield "notice", heard.said

    def halt(self, timeout_s: float = FIRST_S) -> dict[str, Any]:
        """Have the relays opened, and return the first answer."""
        return next(self.ask("halt", timeout_s))

    def _send(self, command: Mapping[str, Any] | str) -> str:
        keys = {"do": command} if isinstance(command, str) else dict(command)
        keys.setdefault("id", uuid.uuid4().hex[:12])
        keys.setdefault("sent_utc", _now_text())
        payload = json.dumps(keys, allow_nan=False).encode("ascii")
        if self._link.publish(self._tree.topic("ask"), payload) is None:
            raise DoorError(f"the broker at {self._endpoint.place} takes no more messages")
        return str(keys["id"])

    def _check_present(self, heard: _Heard, *, is_accepted: bool) -> None:
        if heard.present:
            return
        if heard.name == "alive" and not is_accepted:
            raise DoorError(self._nobody("nobody takes commands"))
        what = heard.why or f"the daemon of dish {self._tree.dish!r} went offline"
        raise DoorError(f"{what}; whether the command was carried out is not known")

    def _nobody(self, what: str) -> str:
        dish = f"dish {self._tree.dish!r} under {self._tree.base!r}"
        if self._alive is None:
            return f"{what}: the broker at {self._endpoint.place} has never heard of {dish}"
        if not self._alive:
            return f"{what}: the daemon of {dish} is offline; start it with: arckeeper run"
        return f"{what}, although the daemon of {dish} says that it is online"

    def _next(self, deadline_s: float) -> _Heard | None:
        heard = None
        while heard is None:
            left_s = deadline_s - time.monotonic()
            with contextlib.suppress(queue.Empty):
                heard = self._heard.get(timeout=max(0.0, min(left_s, WAIT_MAX_S)))
            if heard is None and left_s <= WAIT_MAX_S:
                return None
        if heard.name == "alive":
            self._alive = heard.present
        elif heard.name == "status":
            self._status = heard.said
        return heard

    # What the connection tells, in its own thread.

    def link_up(self) -> None:
        """Take note that messages flow."""
        self._heard.put(_Heard(name="link"))

    def link_down(self, reason: str) -> None:
        """Take note that they do not."""
        self._heard.put(_Heard(name="link", present=False, why=reason))

    def link_acknowledged(self, mid: int) -> None:
        """Take no notice: the dish's answer says more than the broker's receipt."""

    def link_message(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """Sort a message by the name of its topic."""
        name = self._names[topic]
        if name == "alive":
            self._heard.put(_Heard(name="alive", present=payload == b"online"))
        elif (said := _object(payload)) is not None and (name == "status" or not retained):
            self._heard.put(_Heard(name=name, said=said))


def _now_text() -> str:
    now_s = time.time()
    whole = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(now_s))
    return f"{whole}.{int(now_s % 1 * 1000):03d}Z"


def _object(payload: bytes) -> dict[str, Any] | None:
    try:
        read = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return read if isinstance(read, dict) else None
