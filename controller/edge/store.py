"""The count, what was learned and what happened, in one SQLite file that survives anything.

1. What is committed lasts through a power cut: a write-ahead log with synchronous FULL. With
   NORMAL, 8 cuts of a block device under a writer of 50 pulses/s forgot up to 662 pulses.
2. A file from a newer program is not touched; a damaged one is kept aside, the count is unknown.
3. One program works on one folder. Others may read while it does.
"""

import logging
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path
from typing import Final, Self, TypeAlias

from controller.core.memory import CountRecord, LandingRecord, Remembered
from controller.core.motion import Direction
from controller.core.orders import Order, SaveCheckpoint, SaveIntention, SaveRest
from controller.edge.boots import boot_clock_s, relays_opened_s, sync_folder, this_boot_id
from controller.edge.claim import FolderClaim
from controller.edge.store_database import Damaged, Database, Row
from controller.edge.store_rows import CountLine, Stamp, Statement, history_statement, line_after
from controller.edge.store_schema import HISTORY, TABLES, VERSION
from controller.edge.store_writer import Writer
from controller.errors import StoreError
from controller.geometry.priors import Reference

LOG = logging.getLogger("arckeeper")
INTENTION_S: Final = 5.0  # chosen: a slow card takes a tenth of it; then the motor stays off
CLOSE_S: Final = 5.0  # chosen: what waits at the end is a few rows
HEADER: Final = b"SQLite format 3\0"  # sqlite.org/fileformat2.html, section 1.3

Work: TypeAlias = CountLine | Statement


class Store:
    """Carries out the orders that are stored, and gives back at start what they left.

    Raises `StoreError` when the folder is in use, cannot be written, or holds a newer file.
    `notices` says what a person should know about the start.
    """

    def __init__(
        self,
        path: Path,
        *,
        monotonic: Callable[[], float] = boot_clock_s,
        now_utc: Callable[[], float] = time.time,
        boot_id: str | None = None,
        on_failed: Callable[[str], None] = lambda _reason: None,
        on_recovered: Callable[[], None] = lambda: None,
    ) -> None:
        self.path = path
        self.notices: tuple[str, ...] = ()
        self._monotonic, self._now_utc = monotonic, now_utc
        self._boot_id = this_boot_id() if boot_id is None else boot_id
        self._claim = _claimed(path)
        try:
            self._db = self._opened()
        except BaseException:
            self._claim.close()
            raise
        self._line = self._db.count_line()
        self._order = threading.Lock()
        self._writer = Writer[Work](
            self._write, self._probe, on_failed=on_failed, on_recovered=on_recovered
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def commits_n(self) -> int:
        """Return how many times something was made durable since the start."""
        return self._db.commits_n

    def recall(self) -> Remembered:
        """Return everything the pilot starts from."""
        self.drain(CLOSE_S)
        line, hold, fault = self._db.count_line(), self._last("hold"), self._last("fault")
        return Remembered(
            count=self._seen(line) if line else None,
            west_limit_pulses=self._last("limits").get("west_limit_pulses"),
            references=self._references(),
            landing=self._landing(),
            held=bool(hold.get("held", False)),
            hold_reason=hold.get("reason", ""),
            fault_text=fault.get("text", ""),
            fault_advice=fault.get("advice", ""),
        )

    def write(self, order: Order) -> None:
        """Have `order` written; an intention is durable on return, or `StoreError` is raised."""
        stamp = Stamp(boot_id=self._boot_id, at_s=self._monotonic(), at_utc=self._now_utc())
        with self._order:
            if not isinstance(order, SaveIntention | SaveCheckpoint | SaveRest):
                self._writer.put(history_statement(order, stamp.at_utc))
                return
            self._line = line_after(self._line, order, stamp)
            line = self._line
            if not isinstance(order, SaveIntention):
                self._writer.put(line)
                return
        self._writer.put_and_wait(line, timeout_s=INTENTION_S)

    def drain(self, timeout_s: float) -> bool:
        """Wait until everything is durable; return whether it is."""
        return self._writer.drain(timeout_s)

    def history(self, kind: str, limit: int = 100) -> list[Row]:
        """Return the newest rows of one kind, newest first; see `store_schema.HISTORY`."""
        return history(self.path, kind, limit)

    def tables(self) -> dict[str, list[Row]]:
        """Return every row of every table."""
        self.drain(CLOSE_S)
        return tables(self.path)

    def replace_tables(self, rows: Mapping[str, list[Row]]) -> None:
        """Put `rows` in place of everything, all at once; raise `StoreError` with nothing changed.

        A copy of the file before is kept beside it.
        """
        self.drain(CLOSE_S)
        stamp = time.strftime("%Y%m%dT%H%M%S", time.gmtime(self._now_utc()))
        self._db.copy_to(self.path.with_name(f"{self.path.name}.before-import-{stamp}"))
        self._db.replace(rows)
        with self._order:
            self._line = self._db.count_line()

    def close(self) -> None:
        """Write what waits and let the folder go; twice is fine."""
        self._writer.close(CLOSE_S)
        self._db.close()
        self._claim.close()

    def _write(self, batch: list[Work]) -> None:
        """Write the history in its order, and of the counts the newest."""
        lines = [work for work in batch if isinstance(work, CountLine)]
        statements = [work for work in batch if not isinstance(work, CountLine)]
        self._db.write([*statements, *(line.statement() for line in lines[-1:])])

    def _probe(self) -> None:
        self._db.write([("UPDATE probe SET tries = tries + 1", ())])

    def _seen(self, line: CountLine) -> CountRecord:
        opened_s = relays_opened_s(self.path, boot_id=self._boot_id)
        return line.record(boot_id=self._boot_id, now_s=self._monotonic(), relays_opened_s=opened_s)

    def _last(self, table: str) -> Row:
        found = self._db.rows(f"SELECT * FROM {table} ORDER BY id DESC LIMIT 1")
        return found[0] if found else {}

    def _landing(self) -> dict[Direction, LandingRecord]:
        newest = "SELECT max(id) FROM landing GROUP BY direction"
        return {
            Direction(row["direction"]): LandingRecord(
                coast_s=row["coast_s"],
                coast_slow_s=row["coast_slow_s"],
                rate_pulses_per_s=row["rate_pulses_per_s"],
                spin_up_s=row["spin_up_s"],
            )
            for row in self._db.rows(f"SELECT * FROM landing WHERE id IN ({newest})")
        }

    def _references(self) -> tuple[Reference, ...]:
        kept = self._db.rows("SELECT * FROM reference WHERE NOT dropped ORDER BY id")
        return tuple(
            Reference(row["name"], row["slot_deg"], row["count_pulses"], row["sigma_pulses"])
            for row in kept
        )

    def _opened(self) -> Database:
        try:
            return _ready(self.path)
        except Damaged as error:
            damage = str(error)
        kept = _set_aside(self.path, self._now_utc())
        notice = (
            f"{self.path}: {damage}; it is kept as {kept.name} and a new one is begun: the count "
            f"is unknown and the references are gone until an export is imported"
        )
        LOG.error(notice)
        self.notices = (notice,)
        return _ready(self.path)


def history(path: Path, kind: str, limit: int = 100) -> list[Row]:
    """Return the newest rows of one kind from the file at `path`, while anybody writes."""
    if kind not in HISTORY:
        raise StoreError(f"no history is called {kind!r}; there are: {', '.join(HISTORY)}")
    with closing(Database(path, readonly=True)) as db:
        return db.rows(f"SELECT * FROM {kind} ORDER BY id DESC LIMIT ?", (limit,))


def tables(path: Path) -> dict[str, list[Row]]:
    """Return every row of every table of the file at `path`, in the columns of this version."""
    with closing(Database(path, readonly=True)) as db:
        db.require_ours()
        version, rows = db.version, db.tables() if db.version else {}
    if version in (0, VERSION):
        return rows or {name: [] for name in TABLES}
    return migrated(rows, version=version)


def migrated(rows: object, *, version: int) -> dict[str, list[Row]]:
    """Return rows of an older version as they are in this one; raise `StoreError` for garbage."""
    if not isinstance(rows, dict) or set(rows) != set(TABLES):
        raise StoreError(f"there must be the tables {', '.join(TABLES)}, and no others")
    for name, table in rows.items():
        if not isinstance(table, list) or not all(isinstance(row, dict) for row in table):
            raise StoreError(f"{name} must be a list of objects, one for each row")
    with closing(Database(Path(":memory:"))) as db:
        db.migrate(until=version)
        db.replace(rows)
        db.migrate()
        db.require_sums()
        return db.tables()


def _claimed(path: Path) -> FolderClaim:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"{path.parent}: cannot be made: {error.strerror}") from None
    return FolderClaim(path.with_name(path.name + ".lock"))


def _ready(path: Path) -> Database:
    """Open the file, look whether it is whole and ours, and bring it up to date."""
    new = not path.exists()
    if not new:
        _inspect(path)
    db = Database(path)
    try:
        db.settle()
        if 0 < db.version < VERSION:
            db.copy_to(path.with_name(f"{path.name}.before-{db.version + 1}"))
        db.migrate()
        if new:
            sync_folder(path.parent)
    except BaseException:
        db.close()
        raise
    return db


def _inspect(path: Path) -> None:
    # SQLite would take a file of a few bytes for a new one, and begin at nothing.
    try:
        with path.open("rb") as stream:
            header = stream.read(len(HEADER))
    except OSError as error:
        raise StoreError(f"{path}: cannot be read: {error.strerror}") from None
    if header != HEADER:
        raise Damaged("the file is no database")
    with closing(Database(path, readonly=True)) as db:
        db.require_ours()
        db.require_whole()


def _set_aside(path: Path, now_utc: float) -> Path:
    kept = path.with_name(
        f"{path.name}.damaged-{time.strftime('%Y%m%dT%H%M%S', time.gmtime(now_utc))}"
    )
    number = 1
    while kept.exists():
        number += 1
        kept = kept.with_name(f"{kept.name.split('+')[0]}+{number}")
    for ending in ("", "-wal", "-shm"):
        part = path.with_name(path.name + ending)
        if part.exists():
            part.rename(kept.with_name(kept.name + ending))
    sync_folder(path.parent)
    return kept
