"""Moves on random yards in simulated time: where they end, how long they take, what is counted.

Each yard is new: its ends are searched, then it makes its moves with nothing known beforehand.
The time of a move runs from the command to the last standstill of the screw, pauses and the
turn for the backlash included; full speed is the way over the motor's own loaded speed.
"""

import argparse
import sys
from collections import Counter
from dataclasses import dataclass
from random import Random
from statistics import median

from controller.bench.drawn import yard_from
from controller.core.commands import GotoCount
from controller.core.motion import Direction
from controller.core.orders import SaveMove
from tests.rig import Rig

LONG_PULSES = 100
FIRST_SEED = 1000


@dataclass(frozen=True, kw_only=True)
class Move:
    """One move and how it ended."""

    way_pulses: int
    off_pulses: int  # by the yard's own magnets
    miscount_pulses: int
    corrections: int
    took_s: float
    full_speed_s: float
    turned: bool  # against the arriving side


def moves_of(seed: int, moves_n: int) -> list[Move]:
    """Search the ends of one random yard and make random moves on it."""
    rig = Rig(yard_from(seed))
    rig.find_limits()
    status = rig.pilot.status()
    assert status.east_soft_pulses is not None
    assert status.west_soft_pulses is not None
    chance = Random(seed)
    lowest = status.east_soft_pulses + rig.settings.landing.overshoot_pulses
    targets = [chance.randint(lowest, status.west_soft_pulses) for _ in range(moves_n)]
    return [_move(rig, target) for target in targets]


def _move(rig: Rig, target: int) -> Move:
    yard = rig.yard
    start, begun_s = yard.count_pulses, yard.now_s
    stood: list[float] = []
    rig.watch_standstill(stood)
    rig.run(GotoCount(count_pulses=target))
    saved = next(order for order in reversed(rig.orders) if isinstance(order, SaveMove))
    rate = yard.plan.motor.speed_mm_per_s * yard.plan.ring.pulses_per_mm
    west = target > start
    return Move(
        way_pulses=abs(target - start),
        off_pulses=yard.count_pulses - target,
        miscount_pulses=saved.final_pulses - yard.count_pulses,
        corrections=saved.corrections,
        took_s=(stood[-1] if stood else yard.now_s) - begun_s,
        full_speed_s=abs(target - start) / rate,
        turned=west is not (rig.settings.landing.arrive is Direction.WEST),
    )


def summary(moves: list[Move]) -> list[str]:
    """Return the table."""
    offs = Counter(abs(move.off_pulses) for move in moves)
    long = [move for move in moves if move.way_pulses > LONG_PULSES]
    lines = [
        f"moves                              {len(moves)}",
        f"final count = target               {offs[0]} ({100 * offs[0] / len(moves):.2f} %)",
        f"off by one                         {offs[1]}",
        f"off by more                        {len(moves) - offs[0] - offs[1]}",
        f"count unlike the yard's magnets    {sum(m.miscount_pulses != 0 for m in moves)}",
        f"without a correction               {sum(m.corrections == 0 for m in moves)}",
        f"moves over {LONG_PULSES} pulses              {len(long)}",
    ]
    for name, some in [
        ("all", long),
        ("arriving side", [m for m in long if not m.turned]),
        ("against it", [m for m in long if m.turned]),
    ]:
        ratios = sorted(m.took_s / m.full_speed_s for m in some)
        whole = sum(m.took_s for m in some) / sum(m.full_speed_s for m in some)
        lines.append(
            f"  time / full speed, {name:<14} median {median(ratios):.3f}, "
            f"95th {ratios[int(0.95 * len(ratios))]:.3f}, whole {whole:.3f}"
        )
    return lines


def main(argv: list[str] | None = None) -> int:
    """Print the table; return 1 when a move ended more than one pulse off or was miscounted."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--yards", type=int, default=100)
    parser.add_argument("--moves", type=int, default=20, help="on each yard")
    chosen = parser.parse_args(argv)
    moves: list[Move] = []
    for seed in range(FIRST_SEED, FIRST_SEED + chosen.yards):
        moves += moves_of(seed, chosen.moves)
    print("\n".join(summary(moves)))
    bad = [m for m in moves if abs(m.off_pulses) > 1 or m.miscount_pulses]
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
