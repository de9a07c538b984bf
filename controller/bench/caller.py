"""Connections to a yard, and the place where they come in."""

import json
import os
import socket
from pathlib import Path

from controller.bench.calls import Fields
from controller.errors import DoorError

LINE_MAX = 65536  # bytes of one call
BACKLOG_MAX = 4 << 20  # bytes that a connection may leave unread
PATH_MAX = 107  # bytes of a socket's path, from unix(7)


class Caller:
    """One connection."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.connection.setblocking(False)
        self._incoming = b""
        self._outgoing = b""

    def receive(self) -> list[bytes] | None:
        """Return the whole lines that have come, None when the connection is over."""
        try:
            piece = self.connection.recv(LINE_MAX)
        except BlockingIOError:
            return []
        except OSError:
            return None
        if not piece or len(self._incoming) > LINE_MAX:
            return None
        *lines, self._incoming = (self._incoming + piece).split(b"\n")
        return lines

    def send(self, message: Fields) -> None:
        """Queue a message and send what the connection takes."""
        self._outgoing += json.dumps(message, separators=(",", ":")).encode() + b"\n"
        self.flush()

    def flush(self) -> None:
        """Send what is queued, as far as the connection takes it."""
        try:
            while self._outgoing:
                sent = self.connection.send(self._outgoing)
                self._outgoing = self._outgoing[sent:]
        except BlockingIOError:
            if len(self._outgoing) > BACKLOG_MAX:
                self.connection.shutdown(socket.SHUT_RDWR)
        except OSError:
            self._outgoing = b""

    @property
    def has_more(self) -> bool:
        """Return True while something waits to be sent."""
        return bool(self._outgoing)


def listen(path: Path) -> socket.socket:
    """Return a socket that listens at `path`; raise `DoorError` where that cannot be."""
    if len(os.fsencode(path)) > PATH_MAX:
        raise DoorError(
            f"{path} is longer than the {PATH_MAX} bytes of a socket's path; choose a shorter one"
        )
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        _make_room(path)
        listener.bind(str(path))
        path.chmod(0o600)
        listener.listen()
    except OSError as error:
        listener.close()
        raise DoorError(f"the yard cannot listen at {path}: {error}") from error
    except DoorError:
        listener.close()
        raise
    listener.setblocking(False)
    return listener


def _make_room(path: Path) -> None:
    """Remove a socket that a yard left behind; raise `DoorError` when one still answers."""
    if not path.is_socket():
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            path.unlink()
            return
    raise DoorError(f"a yard is listening at {path} already; end it or choose another path")
