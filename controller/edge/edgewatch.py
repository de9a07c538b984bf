"""One thread that waits for the edges of every line and tells them in the order they came."""

import logging
import os
import select
import threading
from collections.abc import Callable
from typing import Final

JOIN_S: Final = 2.0  # chosen: a callback only puts on a queue

Told = tuple[int, Callable[[], None]]  # kernel time in ns, and what tells the edge

_log = logging.getLogger(__name__)


class EdgeWatch:
    """Calls back for what is readable on its descriptors, from one thread for all of them.

    What a callback raises is logged; the next edge is told all the same.
    """

    def __init__(self) -> None:
        self._epoll = select.epoll()
        self._wake_fd = os.eventfd(0, os.EFD_CLOEXEC)
        self._epoll.register(self._wake_fd, select.EPOLLIN)
        self._takes: dict[int, Callable[[], list[Told]]] = {}
        self._lock = threading.Lock()
        self._closing = False
        self._thread: threading.Thread | None = None

    def add(self, fd: int, take: Callable[[], list[Told]]) -> None:
        """Call `take` for the edges that wait whenever `fd` is readable."""
        with self._lock:
            self._takes[fd] = take
            self._epoll.register(fd, select.EPOLLIN)
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="line-edges", daemon=True)
                self._thread.start()

    def remove(self, fd: int) -> None:
        """Forget a descriptor, before it is closed; one that is not known is fine."""
        with self._lock:
            if self._takes.pop(fd, None) is not None:
                self._epoll.unregister(fd)

    def close(self) -> None:
        """End the thread; twice is fine, and so is calling it from a callback."""
        with self._lock:
            if self._closing:
                return
            self._closing = True
            os.eventfd_write(self._wake_fd, 1)
        if self._thread is None:
            self._release()
        elif self._thread is not threading.current_thread():
            self._thread.join(JOIN_S)

    def _run(self) -> None:
        while not self._closing:
            self._tell(self._taken([fd for fd, _ in self._epoll.poll()]))
        self._release()

    def _taken(self, ready_fds: list[int]) -> list[Told]:
        """Return the edges of all ready lines by kernel time: lines are read one by one."""
        told: list[Told] = []
        for fd in ready_fds:
            take = self._takes.get(fd)
            if take is not None:
                try:
                    told += take()
                except Exception:
                    _log.exception("edges could not be read")
        return sorted(told, key=lambda edge: edge[0])

    def _tell(self, told: list[Told]) -> None:
        for _, tell in told:
            try:
                tell()
            except Exception:
                _log.exception("a callback for an edge failed; edges go on")

    def _release(self) -> None:
        self._epoll.close()
        os.close(self._wake_fd)
