"""Measure how many pulses a second come through gpiozero's pins into the inbox, and lose none.

Run `python tests/benchmarks/pin_rate.py`; `--pulses`, `--rate` and `--seconds` change the sizes.
A thread works the sensor's mock pin, the sensor puts every edge on a queue, and another thread
takes and counts them: first as fast as they go, then paced at the rate that is asked for.
"""

import argparse
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from queue import SimpleQueue

from gpiozero.pins.mock import MockFactory

from controller.config import Sensor
from controller.core.events import Event, ReedEdge
from controller.edge.inputs import ReedSensor

SENSOR_PIN = 17
STATES_KEPT = 1000  # the mock keeps every level for ever unless it is told to forget


@dataclass(frozen=True)
class Rate:
    """Pulses given to the pin and counted behind the queue, and how long that took."""

    given: int
    counted: int
    lasted_s: float
    late_s: float  # the longest time from an edge to its being taken

    @property
    def pulses_per_s(self) -> float:
        """Return the pulses counted in a second."""
        return self.counted / self.lasted_s


class Consumer(threading.Thread):
    """Takes events until None comes, and counts the closings."""

    def __init__(self, inbox: "SimpleQueue[Event | None]") -> None:
        super().__init__(name="consumer")
        self.closings = 0
        self.late_s = 0.0
        self._inbox = inbox

    def run(self) -> None:
        """Take everything."""
        while (event := self._inbox.get()) is not None:
            if isinstance(event, ReedEdge):
                self.closings += event.closed
                self.late_s = max(self.late_s, time.monotonic() - event.at_s)


def measure(pulses: int, *, pause_s: float) -> Rate:
    """Give pulses to a sensor's pin, one every `pause_s`, and count them behind the queue."""
    inbox: SimpleQueue[Event | None] = SimpleQueue()
    factory = MockFactory()
    failures: list[str] = []
    sensor = ReedSensor(Sensor(pin=SENSOR_PIN), factory, put=inbox.put, fail=failures.append)
    sensor.watch()
    consumer = Consumer(inbox)
    consumer.start()
    start_s = time.monotonic()
    pin = factory.pin(SENSOR_PIN)
    for pulse in range(pulses):
        pin.drive_low()
        pin.drive_high()
        if pulse % STATES_KEPT == 0:
            pin.clear_states()
        if pause_s:
            time.sleep(max(0.0, start_s + (pulse + 1) * pause_s - time.monotonic()))
    inbox.put(None)
    consumer.join()
    lasted_s = time.monotonic() - start_s
    sensor.close()
    if failures:
        raise RuntimeError(failures[0])
    return Rate(given=pulses, counted=consumer.closings, lasted_s=lasted_s, late_s=consumer.late_s)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print pulses a second and pulses lost; return 1 when any was, or the rate was missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pulses", type=int, default=200_000, help="pulses as fast as they go")
    parser.add_argument("--rate", type=float, default=1000.0, help="paced pulses a second")
    parser.add_argument("--seconds", type=float, default=10.0, help="how long to pace")
    asked = parser.parse_args(arguments)
    paced_n = round(asked.rate * asked.seconds)
    rates = {
        "as fast as they go": measure(asked.pulses, pause_s=0.0),
        f"paced at {asked.rate:g}/s": measure(paced_n, pause_s=1.0 / asked.rate),
    }
    print(f"{'':20} {'pulses':>10} {'pulses/s':>10} {'lost':>6} {'latest ms':>10}")
    for name, rate in rates.items():
        lost = rate.given - rate.counted
        print(
            f"{name:20} {rate.given:>10} {rate.pulses_per_s:>10.0f} {lost:>6}"
            f" {rate.late_s * 1e3:>10.2f}"
        )
    nothing_lost = all(rate.given == rate.counted for rate in rates.values())
    # A hundredth off: the last pause, and the time to start and to end.
    kept_pace = all(rate.pulses_per_s >= 0.99 * asked.rate for rate in rates.values())
    return 0 if nothing_lost and kept_pace else 1


if __name__ == "__main__":
    sys.exit(main())
