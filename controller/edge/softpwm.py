"""PWM by a thread, for lines whose driver has none; good enough for a soft start."""

import logging
import threading
from collections.abc import Callable
from typing import Final

# Chosen: a sleeping Python thread is late by some tenths of a millisecond.
FREQUENCY_MAX_HZ: Final = 500.0
JOIN_S: Final = 2.0  # chosen: two periods of the slowest sensible PWM

_log = logging.getLogger(__name__)


class SoftPwm:
    """Switches a line by `write` so that it is high for `duty` of the time.

    A duty of 0 or 1 is a steady level: it is there before the call returns, and the
    thread sleeps.
    """

    def __init__(self, write: Callable[[bool], None], *, frequency_hz: float) -> None:
        self._write = write
        self.frequency_hz = frequency_hz
        self._duty = 0.0
        self._condition = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="soft-pwm", daemon=True)
        write(False)
        self._thread.start()

    @property
    def duty(self) -> float:
        """Return the share of the time that the line is high."""
        return self._duty

    @duty.setter
    def duty(self, fraction: float) -> None:
        with self._condition:
            self._duty = fraction
            if fraction in (0.0, 1.0):
                self._write(fraction == 1.0)
            self._condition.notify()

    def close(self) -> None:
        """Leave the line low and end the thread; twice is fine."""
        with self._condition:
            self._closing = True
            self._duty = 0.0
            self._write(False)
            self._condition.notify()
        self._thread.join(JOIN_S)

    def _run(self) -> None:
        with self._condition:
            while not self._closing:
                try:
                    self._period()
                except Exception:
                    _log.exception("PWM failed; the line is left low if that still works")
                    self._duty = 0.0

    def _period(self) -> None:
        if self._duty in (0.0, 1.0):
            self._condition.wait()
            return
        duty, period_s = self._duty, 1.0 / self.frequency_hz
        for is_high, share in ((True, duty), (False, 1.0 - duty)):
            self._write(is_high)
            # A new duty cuts the period short.
            if self._condition.wait(share * period_s):
                return
