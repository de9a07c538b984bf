"""A private Mosquitto: a child of this program, on loopback, remembering nothing.

Rule 1: it listens on 127.0.0.1 only, because anybody who reaches it may move the dish.
Rule 2: it ends with the program that started it, whatever ends that, and is started again
        when it ends by itself.
"""

import contextlib
import logging
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Final

from controller.errors import DoorError

LOG = logging.getLogger(__name__)

LOOPBACK: Final = "127.0.0.1"
START_S: Final = 10.0  # a small board that boots at the same time is slow
AGAIN_MIN_S: Final = 0.2
AGAIN_MAX_S: Final = 5.0
TRIES: Final = 3  # another program may take a free port before the broker does
PROGRAM_PLACES: Final = ("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin")

# prctl(2): 1 is PR_SET_PDEATHSIG, and it outlives the exec. In a program of its own, because
# between fork and exec of a program with threads nothing of Python is safe.
ASK_KERNEL: Final = """\
import ctypes, os, signal, sys
ctypes.CDLL(None).prctl(1, signal.SIGTERM, 0, 0, 0)
if os.getppid() == int(sys.argv[1]):  # else it died before the kernel was asked
    os.execv(sys.argv[2], sys.argv[2:])
"""

MOSQUITTO_CONF: Final = """\
# Written at every start; changes here are lost.
listener {port} {loopback}
allow_anonymous true
set_tcp_nodelay true
persistence false
log_dest stderr
log_type error
log_type warning
"""


def mosquitto_program() -> Path | None:
    """Return the installed Mosquitto; a user's search path often lacks its folder."""
    path = os.pathsep.join([os.environ.get("PATH", os.defpath), *PROGRAM_PLACES])
    found = shutil.which("mosquitto", path=path)
    return None if found is None else Path(found)


def free_port() -> int:
    """Return a port of loopback that nobody has at the moment."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port


def check_free(port: int) -> None:
    """Raise `DoorError` when somebody has the port, and say what can be done."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError as error:
            raise DoorError(
                f"port {port} of {LOOPBACK} cannot be had for a private broker "
                f"({error.strerror}); if a broker listens there already, set broker.host: "
                f"{LOOPBACK} to use it, else choose another broker.port, or 0 for any free one"
            ) from error


def _answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection((LOOPBACK, port), timeout=1.0):
        return True
    return False


class MosquittoChild:
    """Mosquitto as a child of this program, on loopback, remembering nothing."""

    kind = "mosquitto"
    host = LOOPBACK

    def __init__(self, program: Path, *, port: int, directory: Path) -> None:
        self._program = program
        self._conf = directory / "private-broker.conf"
        self._log = directory / "private-broker.log"
        self._wanted_port = port
        self.port = port
        self._child: subprocess.Popen[bytes] | None = None
        self._closing = threading.Event()
        self._started = threading.Event()
        self._failure: str | None = None
        # The kernel ends a child with the thread that started it, so one thread does it all.
        self._watch = threading.Thread(target=self._watch_on, name="broker-watch", daemon=True)
        self._watch.start()
        self._started.wait()
        if self._failure is not None:
            self._watch.join()
            raise DoorError(self._failure)

    @property
    def pid(self) -> int | None:
        """Return the child's process id, None while there is none."""
        child = self._child
        return None if child is None or child.poll() is not None else child.pid

    def close(self) -> None:
        """End the child and wait for it."""
        self._closing.set()
        self._end_child()
        self._watch.join()

    def _watch_on(self) -> None:
        try:
            self._begin()
        except (DoorError, OSError) as error:
            self._failure = str(error)
        finally:
            self._started.set()
        if self._failure is None:
            self._keep_alive()

    def _begin(self) -> None:
        for tries_left in reversed(range(TRIES)):
            self.port = self._wanted_port or free_port()
            check_free(self.port)
            if self._start():
                return
            if self._wanted_port or not tries_left:
                break
        raise DoorError(f"{self._program} does not start: {self._last_words()}")

    def _start(self) -> bool:
        # A change of user would take back the wish to end with us.
        user = "user root\n" if os.geteuid() == 0 else ""
        conf = MOSQUITTO_CONF.format(port=self.port, loopback=LOOPBACK) + user
        self._conf.write_text(conf, encoding="utf-8")
        with self._log.open("wb") as log:
            self._child = subprocess.Popen(
                [*_ending_with(os.getpid()), self._program, "-c", self._conf],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=log,
                start_new_session=True,  # Ctrl-C is for us; we still have to say goodbye
            )
        deadline_s = time.monotonic() + START_S
        while self._child.poll() is None and time.monotonic() < deadline_s:
            if _answers(self.port):
                return True
            time.sleep(0.01)
        self._end_child()
        return False

    def _keep_alive(self) -> None:
        delay_s = AGAIN_MIN_S
        while self._child is not None:
            code = self._child.wait()
            if self._closing.is_set():
                return
            LOG.warning("the private broker ended (%s); starting it again", code)
            if self._closing.wait(delay_s):
                return
            delay_s = AGAIN_MIN_S if self._start_again() else min(2 * delay_s, AGAIN_MAX_S)
            if self._closing.is_set():
                self._end_child()

    def _start_again(self) -> bool:
        try:
            return self._start()
        except OSError:
            LOG.exception("the private broker cannot be started again")
            return False

    def _end_child(self) -> None:
        child = self._child
        if child is None:
            return
        for end in (child.terminate, child.kill):
            with contextlib.suppress(ProcessLookupError, subprocess.TimeoutExpired):
                end()
                child.wait(2.0)
                return

    def _last_words(self) -> str:
        words = self._log.read_text(errors="replace").strip().splitlines()
        return words[-1] if words else "it said nothing"


def _ending_with(parent_pid: int) -> list[str]:
    """Return the words before a command that make the kernel end it with its parent."""
    if sys.platform != "linux":
        return []
    return [sys.executable, "-I", "-S", "-c", ASK_KERNEL, str(parent_pid)]
