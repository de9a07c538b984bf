"""A connection to a yard: calls with answers, calls without, and edges that come unasked."""

import json
import queue
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from itertools import count
from pathlib import Path
from typing import Any

from controller.errors import DoorError

ANSWER_S = 5.0  # chosen: a yard answers in a millisecond unless its machine is very busy

Fields = dict[str, Any]
Note = Callable[[Fields], None]


def _no_note(_answer: Fields) -> None:
    """Take no note of an answer."""


class Link:
    """One connection; safe from any thread but for `ask` out of `hear`."""

    def __init__(self, path: Path, *, hear: Callable[[Fields], None] | None = None) -> None:
        self.path = path
        self._hear = hear
        self._ids = count(1)
        self._sending = threading.Lock()
        self._waiting: dict[int, tuple[queue.SimpleQueue[Fields], Note]] = {}
        self._gone = False
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.connect(str(path))
        except OSError as error:
            self._socket.close()
            raise DoorError(f"no yard answers at {path}: {error}; start one there first") from error
        self._reader = threading.Thread(target=self._read, name="yard-reader", daemon=True)
        self._reader.start()

    def tell(self, do: str, **fields: Any) -> None:
        """Call without waiting; raise `DoorError` when the yard is gone."""
        self._send({"do": do, **fields})

    def ask(self, do: str, *, note: Note = _no_note, **fields: Any) -> Fields:
        """Call and return the answer; raise `DoorError` for an error, a silence or a lost yard.

        `note` gets the answer in the reader's thread, so before any edge that came after it.
        """
        number = next(self._ids)
        answers: queue.SimpleQueue[Fields] = queue.SimpleQueue()
        self._waiting[number] = (answers, note)
        try:
            self._send({"do": do, "id": number, **fields})
            answer = answers.get(timeout=ANSWER_S)
        except queue.Empty:
            raise DoorError(f"the yard at {self.path} does not answer {do!r}") from None
        finally:
            self._waiting.pop(number, None)
        if "error" in answer:
            raise DoorError(str(answer["error"]))
        return answer

    def close(self) -> None:
        """End the connection; what it drives stays as it is."""
        self._gone = True
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        if threading.current_thread() is not self._reader:
            self._reader.join(ANSWER_S)
        self._socket.close()

    def _send(self, call: Fields) -> None:
        if self._gone:
            raise DoorError(self._lost)
        line = json.dumps(call, separators=(",", ":")).encode() + b"\n"
        try:
            with self._sending:
                self._socket.sendall(line)
        except OSError as error:
            self._gone = True
            raise DoorError(self._lost) from error

    @property
    def _lost(self) -> str:
        return f"the yard at {self.path} is gone; start it again and claim the lines anew"

    def _read(self) -> None:
        with suppress(OSError, ValueError), self._socket.makefile("rb") as lines:
            for line in lines:
                self._take(json.loads(line))
        self._gone = True
        for answers, _ in list(self._waiting.values()):
            answers.put({"error": self._lost})

    def _take(self, message: Fields) -> None:
        waiting = self._waiting.get(message.get("id", 0))
        if waiting is not None:
            answers, note = waiting
            if "error" not in message:
                note(message)
            answers.put(message)
        elif "edge" in message and self._hear is not None:
            self._hear(message)
