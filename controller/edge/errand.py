"""A small thread that comes back when something is due."""

import logging
import threading
from collections.abc import Callable
from typing import Final

JOIN_S: Final = 2.0  # chosen: nothing an errand does may take longer
AGAIN_S: Final = 0.05  # chosen: how soon it tries again after something it did raised

_log = logging.getLogger(__name__)


class Errand:
    """Calls `advance` whenever the time that it last returned has come, or when woken.

    `advance` returns when to come again in seconds of `clock`, None for only when woken.
    Whatever it raises is logged and does not end the thread: relays may depend on it.
    """

    def __init__(
        self, advance: Callable[[], float | None], *, clock: Callable[[], float], name: str
    ) -> None:
        self._advance = advance
        self._clock = clock
        self._condition = threading.Condition()
        self._woken = False
        self._closing = False
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Make it look again now."""
        with self._condition:
            self._woken = True
            self._condition.notify()

    def close(self) -> None:
        """End the thread; twice is fine, and so is calling it from that thread."""
        with self._condition:
            self._closing = True
            self._condition.notify()
        if threading.current_thread() is not self._thread:
            self._thread.join(JOIN_S)

    def _run(self) -> None:
        while not self._closing:
            due_s = self._next_due_s()
            with self._condition:
                if not (self._woken or self._closing):
                    left_s = None if due_s is None else max(0.0, due_s - self._clock())
                    self._condition.wait(left_s)
                self._woken = False

    def _next_due_s(self) -> float | None:
        try:
            return self._advance()
        except Exception:
            _log.exception("%s: failed, goes on", self._thread.name)
            return self._clock() + AGAIN_S
