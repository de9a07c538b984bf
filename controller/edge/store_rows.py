"""What an order means as rows, and the one row that holds the count.

1. The row of the count is always written whole, so that an older save can never mix with a newer.
2. What the next move rests on carries a check sum: the count, the limits, the references.
"""

import zlib
from collections.abc import Mapping
from dataclasses import astuple, dataclass, fields, replace
from typing import Any, Final, TypeAlias

from controller.core.memory import CountRecord
from controller.core.motion import Direction
from controller.core.orders import (
    DropReferences,
    Order,
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
from controller.edge.store_schema import SUMMED

# Each column has the name of the order's field that it holds.
HISTORY_OF: Final[dict[type[Order], str]] = {
    SaveLimits: "limits",
    SaveReference: "reference",
    SaveLanding: "landing",
    SaveHold: "hold",
    SaveFault: "fault",
    SaveMove: "move",
}

Statement: TypeAlias = tuple[str, tuple[Any, ...]]


@dataclass(frozen=True, kw_only=True)
class CountLine:
    """The row of the count, as it stands in the table."""

    sequence: int
    count_pulses: int
    doubt_pulses: int | None
    moving: int
    direction: str | None
    bound_pulses: int | None
    reed_closed: int | None
    boot_id: str
    saved_s: float
    saved_utc: float

    @property
    def crc(self) -> int:
        """Return the check sum of everything else."""
        return zlib.crc32(repr(astuple(self)).encode())

    @classmethod
    def columns(cls) -> tuple[str, ...]:
        """Return the names of the columns that are summed."""
        return tuple(field.name for field in fields(cls))

    def statement(self) -> Statement:
        """Return what writes this line in place of the older one."""
        names = (*self.columns(), "crc")
        marks = ", ".join("?" * len(names))
        sql = f"INSERT OR REPLACE INTO count (id, {', '.join(names)}) VALUES (1, {marks})"
        return sql, (*astuple(self), self.crc)

    def record(
        self, *, boot_id: str, now_s: float, relays_opened_s: tuple[float, ...]
    ) -> CountRecord:
        """Return what the core starts from, seen from `now_s` of this boot."""
        same_boot = bool(boot_id) and self.boot_id == boot_id
        since_save_s = now_s - self.saved_s if same_boot else None
        opened_s = [at_s for at_s in relays_opened_s if same_boot and at_s >= self.saved_s]
        # A clock that ran backward cannot say how long a motor may have run unseen.
        impossible = since_save_s is not None and since_save_s < 0
        return CountRecord(
            count_pulses=self.count_pulses,
            doubt_pulses=None if impossible and self.moving else self.doubt_pulses,
            moving=bool(self.moving),
            direction=Direction(self.direction) if self.direction else None,
            bound_pulses=self.bound_pulses,
            reed_closed=None if self.reed_closed is None else bool(self.reed_closed),
            same_boot=same_boot,
            since_save_s=None if impossible else since_save_s,
            relays_open_after_s=min(opened_s) - self.saved_s if opened_s else None,
        )


@dataclass(frozen=True, kw_only=True)
class Stamp:
    """When an order was given: on the clock of this boot, and for people."""

    boot_id: str
    at_s: float
    at_utc: float


CountOrder: TypeAlias = SaveIntention | SaveCheckpoint | SaveRest


def line_after(before: CountLine | None, order: CountOrder, stamp: Stamp) -> CountLine:
    """Return the row of the count after `order`; a checkpoint keeps the run's own bounds."""
    still = CountLine(
        sequence=before.sequence + 1 if before else 1,
        count_pulses=order.count_pulses,
        doubt_pulses=order.doubt_pulses,
        moving=0,
        direction=None,
        bound_pulses=None,
        reed_closed=None,
        boot_id=stamp.boot_id,
        saved_s=stamp.at_s,
        saved_utc=stamp.at_utc,
    )
    match order:
        case SaveRest(reed_closed=closed):
            return replace(still, reed_closed=None if closed is None else int(closed))
        case SaveIntention(direction=direction, bound_pulses=bound):
            return replace(still, moving=1, direction=direction.value, bound_pulses=bound)
    direction_before = before.direction if before else None
    bound_before = before.bound_pulses if before else None
    return replace(still, moving=1, direction=direction_before, bound_pulses=bound_before)


def history_statement(order: Order, at_utc: float) -> Statement:
    """Return what writes an order into its table of history."""
    if isinstance(order, DropReferences):
        sql = "UPDATE reference SET dropped = 1, dropped_utc = ? WHERE name = ? AND NOT dropped"
        return sql, (at_utc, order.name)
    if type(order) not in HISTORY_OF:
        raise TypeError(f"{type(order).__name__} is not an order for the store")
    table, row = HISTORY_OF[type(order)], {"at_utc": at_utc, **_columns(order)}
    if table in SUMMED:
        row["crc"] = row_crc(table, row)
    return insert_into(table, row)


def row_crc(table: str, row: Mapping[str, Any]) -> int:
    """Return the check sum of a row of limits or references."""
    return zlib.crc32(repr([_as_stored(row[name]) for name in SUMMED[table]]).encode())


def _as_stored(value: Any) -> Any:
    """Return a number as it comes back from a column of REAL numbers."""
    return float(value) if isinstance(value, int) and abs(value) < 2**53 else value


def _columns(order: Order) -> dict[str, Any]:
    return {field.name: _plain(getattr(order, field.name)) for field in fields(order)}


def _plain(value: Any) -> Any:
    return getattr(value, "value", value)  # an Enum is stored by its word


def insert_into(table: str, row: dict[str, Any]) -> Statement:
    """Return what adds `row` to `table`; the names must come from this program."""
    marks = ", ".join("?" * len(row))
    return f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})", tuple(row.values())
