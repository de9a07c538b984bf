"""What every drive has in common: one gate for threads, a lease, a dead time, a latch.

1. Everything that touches an output holds the lock, and nothing sleeps while it does.
2. One direction is closed only after the other has been open for the dead time.
3. Nobody renews, the relays open: the lease has its own thread.
4. A halt comes from any thread, opens at once, and bars every run until it is handled.
"""

import math
import threading
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from controller.core.motion import Direction
from controller.edge.errand import Errand
from controller.edge.outputs import Line
from controller.errors import DoorError

LEASE_MAX_S: Final = 5.0  # chosen: a longer permission is cut to this, whoever gave it

Step = tuple[float, Callable[[], None]]  # when, in seconds of the drive's clock, and what


def _ignore(_at_s: float) -> None:
    """Tell nobody that a lease ran out."""


def _swallow(_reason: str) -> None:
    """Tell nobody that an output failed."""


class Drive(ABC):
    """Runs the motor one way or the other for as long as somebody renews it."""

    def __init__(
        self,
        motor: Sequence[Line],
        *,
        main: Line | None = None,
        dead_time_s: float,
        on_expired: Callable[[float], None] = _ignore,
        on_failed: Callable[[str], None] = _swallow,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._lines = [*motor, *([main] if main else [])]  # in the order of switching off
        self._main = main
        self._dead_time_s = dead_time_s
        self._on_expired = on_expired
        self._on_failed = on_failed
        self._clock = clock
        self._lock = threading.RLock()  # a level that we set may call us back: stop inputs do
        self._running: Direction | None = None
        self._until_s = -math.inf
        self._opened_at_s = dict.fromkeys(Direction, -math.inf)
        self._plan: deque[Step] = deque()
        self._halts_n = 0
        self._stuck = ""  # why an output could not be opened, "" while all could
        self._is_closed = False
        self._errand = Errand(self.advance, clock=clock, name="drive-lease")

    @property
    def running(self) -> Direction | None:
        """Return the direction that is switched on, None at rest."""
        return self._running

    @property
    def halted(self) -> bool:
        """Tell whether a halt waits to be handled."""
        return self._halts_n > 0

    def run(self, direction: Direction, *, until_s: float) -> None:
        """Run the motor until `until_s` (CLOCK_MONOTONIC), or extend the run to that time.

        Does nothing while a halt waits. Raises `DoorError`, with everything opened, for the
        other direction while running or within the dead time, and for an output that fails.
        """
        expired_at_s = None
        with self._lock:
            if self.halted:
                return
            now_s = self._clock()
            try:
                self._require_possible(direction, until_s, now_s)
            except DoorError:
                self.stop()
                raise
            self._until_s = min(until_s, now_s + LEASE_MAX_S)
            if self._until_s <= now_s:
                self.stop()
                expired_at_s = now_s
            elif self._running is None:
                self._begin(direction, now_s)
        if expired_at_s is not None:
            self._on_expired(expired_at_s)

    def stop(self) -> None:
        """Open everything; never raises, from any thread, as often as you like."""
        with self._lock:
            failure = self._open_all()
        self._tell(failure)

    def halt(self) -> None:
        """Open everything now and ignore every run until `rearm`; from any thread."""
        with self._lock:
            self._halts_n += 1
            failure = self._open_all()
        self._tell(failure)

    def rearm(self) -> None:
        """Count one halt as handled."""
        with self._lock:
            self._halts_n = max(0, self._halts_n - 1)

    def drop_main(self) -> None:
        """Take the motor's supply away after a fault; the next run brings it back."""
        self.stop()

    def close(self) -> None:
        """Open everything and give the lines back; twice is fine."""
        with self._lock:
            self._is_closed = True
            failure = self._open_all()
        self._errand.close()
        self._finish_plan()
        for line in self._lines:
            try:
                line.close()
            except Exception as error:
                failure = failure or f"{line.output.role} could not be given back: {error}"
        self._tell(failure)

    def advance(self) -> float | None:
        """Do what is due now; return when to come again, None for when woken."""
        expired_at_s = None
        failure = ""
        with self._lock:
            now_s = self._clock()
            if self._running is not None and now_s >= self._until_s:
                failure = self._open_all()
                expired_at_s = now_s
            failure = failure or self._take_steps(now_s)
            due = self._due_s()
        self._tell(failure)
        if expired_at_s is not None:
            self._on_expired(expired_at_s)
        return due

    @abstractmethod
    def _plan_start(self, direction: Direction, now_s: float) -> list[Step]:
        """Return the steps that lead from everything open to the motor running."""

    @abstractmethod
    def _plan_rest(self, now_s: float) -> list[Step]:
        """Return the steps that follow once the motor's power is off."""

    def _cut(self) -> Sequence[Line]:
        """Return the lines that are switched off at once, in that order."""
        return self._lines

    def _require_possible(self, direction: Direction, until_s: float, now_s: float) -> None:
        if self._is_closed:
            raise DoorError(f"the drive is closed and cannot run {direction.value}")
        if not math.isfinite(until_s):
            raise DoorError(f"a run {direction.value} needs an end, not until_s={until_s}")
        if self._stuck:
            raise DoorError(f"cannot run {direction.value}: {self._stuck}")
        other = direction.opposite
        if self._running is other:
            raise DoorError(
                f"asked to run {direction.value} while running {other.value}: stopped;"
                f" ask again after {self._dead_time_s:g} s"
            )
        open_s = now_s - self._opened_at_s[other]
        if self._running is None and open_s < self._dead_time_s:
            raise DoorError(
                f"asked to run {direction.value} {open_s:.3f} s after {other.value} was opened:"
                f" refused, the dead time is {self._dead_time_s:g} s"
            )

    def _begin(self, direction: Direction, now_s: float) -> None:
        self._running = direction
        start = self._plan_start(direction, now_s)
        self._plan = deque([(now_s, main.on), *start] if (main := self._main) else start)
        failure = self._take_steps(now_s)
        if failure:
            raise DoorError(f"cannot run {direction.value}: {failure}")
        self._errand.wake()

    def _take_steps(self, now_s: float) -> str:
        """Take the steps that are due; open everything and return why when one fails."""
        while self._plan and self._plan[0][0] <= now_s:
            _, step = self._plan.popleft()
            try:
                step()
            except Exception as error:
                return self._open_all() or f"an output failed, all are open now: {error}"
        return ""

    def _due_s(self) -> float | None:
        dues = [self._plan[0][0]] if self._plan else []
        if self._running is not None:
            dues.append(self._until_s)
        return min(dues, default=None)

    def _open_all(self) -> str:
        """Open every line, each on its own; return which could not be opened and why."""
        was, self._running = self._running, None
        failures = []
        for line in self._cut():
            try:
                line.off()
            except Exception as error:
                failures.append(f"{line.output.role} could not be opened: {error}")
        now_s = self._clock()
        if was is not None:
            self._opened_at_s[was] = now_s
            self._plan = deque(self._plan_rest(now_s))
            self._errand.wake()
        told, self._stuck = self._stuck, "; ".join(failures)
        return self._stuck if self._stuck != told else ""

    def _finish_plan(self) -> None:
        """Take what is left of the plan in its own time; only at the end."""
        while self._plan and self._running is None:
            time.sleep(max(0.0, min(1.0, self._plan[0][0] - self._clock())))
            with self._lock:
                self._take_steps(math.inf)

    def _tell(self, failure: str) -> None:
        if failure:
            self._on_failed(failure)
