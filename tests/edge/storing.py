"""A store in a folder of its own, on a clock that the test turns."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.core.motion import Direction
from controller.core.orders import (
    DropReferences,
    Order,
    Outcome,
    SaveCheckpoint,
    SaveFault,
    SaveHold,
    SaveIntention,
    SaveLanding,
    SaveLimits,
    SaveMove,
    SaveReference,
    SaveRest,
)
from controller.edge.store import Store

BOOT = "boot-one"


@dataclass
class Clock:
    """Seconds since the boot, and for people."""

    now_s: float = 100.0

    def monotonic(self) -> float:
        return self.now_s

    def utc(self) -> float:
        return 1_900_000_000.0 + self.now_s


@dataclass
class Told:
    """What the store said about the disk, in its order."""

    words: list[str] = field(default_factory=list)

    def failed(self, reason: str) -> None:
        self.words.append(reason)

    def recovered(self) -> None:
        self.words.append("recovered")


def opened(
    path: Path, clock: Clock | None = None, *, boot_id: str = BOOT, told: Told | None = None
) -> Store:
    clock, told = clock or Clock(), told or Told()
    return Store(
        path,
        monotonic=clock.monotonic,
        now_utc=clock.utc,
        boot_id=boot_id,
        on_failed=told.failed,
        on_recovered=told.recovered,
    )


def intention(count: int = 500, *, doubt: int | None = 1, bound: int = 700) -> SaveIntention:
    return SaveIntention(
        count_pulses=count, doubt_pulses=doubt, direction=Direction.WEST, bound_pulses=bound
    )


def checkpoint(count: int, *, doubt: int | None = 1) -> SaveCheckpoint:
    return SaveCheckpoint(count_pulses=count, doubt_pulses=doubt)


def rest(count: int, *, doubt: int | None = 1, closed: bool | None = True) -> SaveRest:
    return SaveRest(count_pulses=count, doubt_pulses=doubt, reed_closed=closed)


def peaked(name: str, slot_deg: float, count: int) -> SaveReference:
    return SaveReference(
        name=name, slot_deg=slot_deg, count_pulses=count, sigma_pulses=0.75, signal=None
    )


def landed(direction: Direction, coast_s: float) -> SaveLanding:
    return SaveLanding(
        direction=direction,
        coast_s=coast_s,
        coast_slow_s=coast_s / 2,
        rate_pulses_per_s=12.5,
        spin_up_s=0.125,
    )


def moved(command_id: str) -> SaveMove:
    return SaveMove(
        command_id=command_id,
        what="goto Heron",
        from_pulses=100,
        target_pulses=500,
        final_pulses=501,
        duration_s=45.5,
        run_s=44.25,
        corrections=1,
        outcome=Outcome.ARRIVED,
        reason="",
    )


# A life of a dish, with every order that is stored at least once.
LIFE: tuple[Order, ...] = (
    intention(500),
    checkpoint(520),
    checkpoint(540, doubt=None),
    rest(561),
    SaveLimits(west_limit_pulses=1140),
    SaveLimits(west_limit_pulses=1141),
    peaked("Heron", 147.6, 410),
    peaked("Skua", -147.3, 902),
    peaked("Heron", 147.6, 412),
    DropReferences(name="Skua"),
    landed(Direction.WEST, 0.25),
    landed(Direction.EAST, 0.5),
    landed(Direction.WEST, 0.125),
    SaveHold(held=True, reason="painting"),
    SaveFault(text="motor on and no pulse", advice="look at the sensor"),
    moved("a"),
    moved("b"),
)


def live(store: Store, orders: tuple[Order, ...] = LIFE) -> None:
    for order in orders:
        store.write(order)
    assert store.drain(10)


def raw(path: Path) -> "closing[sqlite3.Connection]":
    return closing(sqlite3.connect(path, isolation_level=None))


def parts(folder: Path) -> Iterator[str]:
    return (found.name for found in sorted(folder.iterdir()))


def every_row(path: Path) -> dict[str, list[Any]]:
    with raw(path) as link:
        names = link.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        return {name: link.execute(f"SELECT * FROM {name}").fetchall() for (name,) in names}
