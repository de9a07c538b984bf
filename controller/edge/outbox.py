"""What waits to be published: the newest of each retained topic, and a bounded row of reports.

Rule 1: a retained topic has at most one message on its way; a newer value waits for the
        acknowledgement of the older one. So nothing piles up while the broker is frozen, and
        no old value can arrive after a newer one.
Rule 2: while nobody can be reached, values replace each other and the oldest reports are lost.
Rule 3: any thread may put in; only the thread that publishes takes out.
"""

import threading
from collections import deque
from dataclasses import dataclass
from typing import Final

REPORTS_MAX: Final = 200  # waiting answers and notices; the oldest are lost first
ON_THE_WAY_MAX: Final = 100  # unacknowledged messages altogether


@dataclass(frozen=True, kw_only=True)
class Letter:
    """A message that is due."""

    topic: str
    payload: bytes
    retained: bool


@dataclass
class _Kept:
    """A retained topic: what it should say, and what was last handed to the broker."""

    wanted: bytes
    sent: bytes | None = None
    on_its_way: bool = False


class Outbox:
    """Everything that should leave, until the broker has acknowledged it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[str, _Kept] = {}
        self._reports: deque[Letter] = deque(maxlen=REPORTS_MAX)
        self._on_the_way: dict[int, str | None] = {}

    def keep(self, topic: str, payload: bytes) -> None:
        """Let a retained topic say this from now on; an empty payload wipes it."""
        with self._lock:
            kept = self._kept.get(topic)
            if kept is None:
                self._kept[topic] = _Kept(wanted=payload)
            else:
                kept.wanted = payload

    def report(self, topic: str, payload: bytes) -> None:
        """Say something once."""
        with self._lock:
            self._reports.append(Letter(topic=topic, payload=payload, retained=False))

    def announce_again(self) -> None:
        """Forget that retained topics were sent: the broker or the hub may have lost them."""
        with self._lock:
            for kept in self._kept.values():
                kept.sent = None

    def due(self) -> list[Letter]:
        """Take what can be sent now; each must be followed by `sent` or `not_sent`."""
        with self._lock:
            room = ON_THE_WAY_MAX - len(self._on_the_way)
            letters: list[Letter] = []
            while self._reports and len(letters) < room:
                letters.append(self._reports.popleft())
            for topic, kept in self._kept.items():
                if len(letters) >= room:
                    break
                if kept.sent != kept.wanted and not kept.on_its_way:
                    kept.sent, kept.on_its_way = kept.wanted, True
                    letters.append(Letter(topic=topic, payload=kept.wanted, retained=True))
            return letters

    def sent(self, letter: Letter, mid: int) -> None:
        """Note that a letter is on its way under this message id."""
        with self._lock:
            self._on_the_way[mid] = letter.topic if letter.retained else None

    def not_sent(self, letter: Letter) -> None:
        """Put a letter back that could not be handed over."""
        with self._lock:
            if not letter.retained:
                self._reports.appendleft(letter)
            elif letter.topic in self._kept:
                self._kept[letter.topic].sent = None
                self._kept[letter.topic].on_its_way = False

    def acknowledged(self, mid: int) -> None:
        """Note that the broker has a message."""
        with self._lock:
            topic = self._on_the_way.pop(mid, None)
            kept = self._kept.get(topic) if topic is not None else None
            if topic is None or kept is None:
                return
            kept.on_its_way = False
            if kept.wanted == b"" and kept.sent == b"":
                del self._kept[topic]  # wiped: the broker has forgotten it, so do we

    @property
    def is_empty(self) -> bool:
        """Say whether everything has left and was acknowledged."""
        with self._lock:
            waiting = any(kept.sent != kept.wanted for kept in self._kept.values())
            return not (self._reports or self._on_the_way or waiting)
