"""Where a receiver's level is best, found as a person finds it: a few stops and a look at each."""

import queue
import time
from collections.abc import Callable
from typing import Final

from controller.edge.brokerkeys import Endpoint
from controller.edge.levels import read_level
from controller.edge.mqttlink import Link
from controller.errors import CommandRefused, DoorError

HEARD_DB: Final = 4.0  # chosen: well above a receiver's noise, well below any peak
SEARCH_PULSES: Final = (12, -12, 24, -24, 36, -36)  # around the first guess
SHIFTS_MAX: Final = 6  # of half a beam each
READINGS: Final = 3
READING_S: Final = 5.0
SETTLE_S: Final = 0.3  # a level that was measured on the way may still come in


class Meter:
    """A receiver's level, as it is published."""

    def __init__(self, *, host: str, port: int, topic: str) -> None:
        self._topic = topic
        self._levels: queue.SimpleQueue[float] = queue.SimpleQueue()
        self._link = Link(Endpoint(host=host, port=port), self, subscriptions=[topic])
        self._link.start()

    def level_db(self) -> float:
        """Return the mean of the next few readings."""
        time.sleep(SETTLE_S)
        while not self._levels.empty():
            self._levels.get_nowait()
        try:
            heard = [self._levels.get(timeout=READING_S) for _ in range(READINGS)]
        except queue.Empty:
            raise DoorError(f"the receiver has said nothing for {READING_S:g} s") from None
        return sum(heard) / READINGS

    def close(self) -> None:
        """End the connection."""
        self._link.close()

    # What the connection tells, in its own thread.

    def link_up(self) -> None:
        """Take no notice."""

    def link_down(self, reason: str) -> None:
        """Take no notice: a level that does not come is told where it is missed."""

    def link_acknowledged(self, mid: int) -> None:
        """Take no notice."""

    def link_message(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """Take a level."""
        level = read_level(payload, None) if topic == self._topic else None
        if level is not None and not retained:
            self._levels.put(level)


def peak_pulses(
    guess_pulses: int, level_at: Callable[[int], float], *, half_pulses: int = 8
) -> float:
    """Return where the level is best near a guess; `level_at` goes to a count and listens.

    Raises `CommandRefused` when nothing is heard there. The level in decibels is a parabola near
    its best, whatever the dish.
    """
    known_db: dict[int, float] = {}

    def look(count_pulses: int) -> float:
        if count_pulses not in known_db:
            known_db[count_pulses] = level_at(count_pulses)
        return known_db[count_pulses]

    centre = _first_heard(guess_pulses, look)
    for _ in range(SHIFTS_MAX):
        # West before east: one way back less for a dish that arrives going west.
        west_db, east_db = look(centre + half_pulses), look(centre - half_pulses)
        bend_db = east_db - 2 * look(centre) + west_db
        if look(centre) >= max(east_db, west_db) and bend_db < 0:
            return centre + half_pulses * (east_db - west_db) / (2 * bend_db)
        centre += half_pulses if west_db > east_db else -half_pulses
    raise CommandRefused(f"no peak was found near count {guess_pulses}")


def _first_heard(guess_pulses: int, level_at: Callable[[int], float]) -> int:
    for step in (0, *SEARCH_PULSES):
        if level_at(guess_pulses + step) >= HEARD_DB:
            return guess_pulses + step
    raise CommandRefused(f"nothing is heard near count {guess_pulses}")
