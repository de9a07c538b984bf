"""A million bouncing pulses at 50 Hz through debounce and counter: none lost, none doubled.

Each edge bounces for up to 2 ms, the worst contact noise a maker names ("almost 2 ms",
Standex-Meder reed tutorial).
"""

import argparse
import sys
import time
from random import Random

from controller.core.counting import Counter, Pulse
from controller.core.debounce import Debounce
from controller.core.motion import Direction

PERIOD_S = 1 / 50
BOUNCE_S = 0.002
STABLE_S = 0.003


def count(pulses: int, *, seed: int = 0) -> tuple[int, int, int]:
    """Return how many pulses were counted, the doubt, and how many raw edges were fed."""
    chance = Random(seed)
    debounce = Debounce(stable_s=STABLE_S, closed=False)
    counter = Counter(count_pulses=0, doubt_pulses=0, rate_max_pulses_per_s=60.0)
    counted = edges = 0
    for n in range(2 * pulses):
        closed = n % 2 == 0
        first_s = 1.0 + n * PERIOD_S / 2
        times_s = sorted(
            first_s + chance.uniform(0, BOUNCE_S) for _ in range(2 * chance.randint(0, 2))
        )
        for bounce, at_s in enumerate([first_s, *times_s]):
            edges += 1
            level = closed if bounce % 2 == 0 else not closed
            settled = debounce.feed(at_s=at_s, closed=level)
            if settled:
                counted += isinstance(counter.turn(settled, Direction.WEST), Pulse)
                counter.fill_gap(Direction.WEST)
    settled = debounce.flush(at_s=first_s + 1.0)
    if settled:
        counter.turn(settled, Direction.WEST)
    assert counter.doubt_pulses is not None
    return counter.count_pulses, counter.doubt_pulses, edges


def main(argv: list[str] | None = None) -> int:
    """Print the table; return 1 when a pulse was lost or doubled."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pulses", type=int, default=1_000_000)
    chosen = parser.parse_args(argv)
    begun_s = time.perf_counter()
    counted, doubt, edges = count(chosen.pulses)
    took_s = time.perf_counter() - begun_s
    print(f"pulses given      {chosen.pulses}")
    print(f"raw edges         {edges}")
    print(f"pulses counted    {counted}")
    print(f"doubt raised      {doubt}")
    print(f"pulses a second   {chosen.pulses / took_s:.0f} (debounce and counter alone)")
    return 0 if (counted, doubt) == (chosen.pulses, 0) else 1


if __name__ == "__main__":
    sys.exit(main())
