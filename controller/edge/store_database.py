"""One SQLite file: opened, looked through, migrated, read and written in transactions.

1. Autocommit with explicit transactions: what belongs together is begun and committed by name.
2. Every error leaves as a `StoreError` that names the file: `Damaged` for a file that is not whole,
   `Unwritable` for what no disk could take.
3. A connection may be used by any thread, one at a time.
"""

import os
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any, Final, TypeAlias
from urllib.parse import quote

from controller.edge.boots import sync_folder
from controller.edge.store_rows import CountLine, Statement, insert_into, row_crc
from controller.edge.store_schema import APPLICATION_ID, MIGRATIONS, SUMMED, TABLES
from controller.edge.store_writer import Unwritable
from controller.errors import StoreError

BUSY_S: Final = 2.0  # chosen: a reader holds the file for milliseconds
Row: TypeAlias = dict[str, Any]

_DAMAGE: Final = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


class Damaged(StoreError):
    """The file is not whole, or holds what was never written."""


class Database:
    """A connection to the file at `path`, or to one in memory for `:memory:`."""

    def __init__(self, path: Path, *, readonly: bool = False) -> None:
        self.path = path
        self.commits_n = 0
        self._using = threading.RLock()
        with self._errors():
            self._link = _read_only(path) if readonly else _connect(path, "rwc")

    @property
    def version(self) -> int:
        """Return the number of the last step that has run on the file."""
        return int(self._pragma("user_version"))

    def close(self) -> None:
        """Let the file go; twice is fine."""
        with self._using:
            self._link.close()

    def require_ours(self) -> None:
        """Raise `StoreError` for another program's file, or one from a newer arckeeper."""
        if self.version == 0 and not self.rows("SELECT name FROM sqlite_master"):
            return  # a start that ended before its first step
        if self._pragma("application_id") != APPLICATION_ID:
            raise StoreError(
                f"{self.path}: is a database of another program; choose another folder"
            )
        if self.version > len(MIGRATIONS):
            raise StoreError(
                f"{self.path}: was written by a newer arckeeper (version {self.version}, this one "
                f"reads up to {len(MIGRATIONS)}); install that one again, or move the file away. "
                f"Nothing was changed"
            )

    def require_whole(self) -> None:
        """Raise `Damaged` unless SQLite and the check sum of the count find nothing wrong."""
        found = self._pragma("integrity_check(1)")
        if found != "ok":
            raise Damaged(f"the file is damaged: {found}")
        names = {row["name"] for row in self.rows("SELECT name FROM sqlite_master")}
        if self.version:
            if not names.issuperset(TABLES):
                raise Damaged(f"tables are missing: {', '.join(sorted({*TABLES} - names))}")
            self.require_sums()

    def require_sums(self) -> None:
        """Raise `Damaged` unless the count, limits and references fit their check sums."""
        self.count_line()
        for table in SUMMED:
            for row in self.rows(f"SELECT * FROM {table}"):
                if row["crc"] != row_crc(table, row):
                    raise Damaged(f"row {row['id']} of {table} does not fit its check sum")

    def settle(self) -> None:
        """Make every commit last through a power cut."""
        mode = self._pragma("journal_mode = WAL")
        if mode != "wal":
            raise StoreError(
                f"{self.path}: this file system cannot keep a write-ahead log (it says {mode}); "
                f"use a local disk"
            )
        self._pragma("synchronous = FULL")

    def migrate(self, *, until: int | None = None) -> None:
        """Run the steps that the file has not seen, each with its number in one transaction."""
        last = len(MIGRATIONS) if until is None else until
        for number, step in enumerate(MIGRATIONS[:last], start=1):
            if number > self.version:
                self._step(number, step)

    def _step(self, number: int, step: Iterable[str]) -> None:
        try:
            with self.transaction():
                for sql in step:
                    self._link.execute(sql)
                self._link.execute(f"PRAGMA application_id = {APPLICATION_ID:d}")
                self._link.execute(f"PRAGMA user_version = {number:d}")
        except Damaged:
            raise
        except StoreError as error:
            raise StoreError(
                f"step {number} of the store failed, the file stays as it was: {error}"
            ) from error

    def copy_to(self, target: Path) -> None:
        """Write a whole copy, durable and under its name only when it is complete."""
        draft = target.with_name(target.name + ".draft")
        draft.unlink(missing_ok=True)
        with self._errors(), closing(sqlite3.connect(draft)) as copy:
            self._link.backup(copy)
        with draft.open("rb") as stream:
            os.fsync(stream.fileno())
        draft.replace(target)
        sync_folder(target.parent)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Make everything inside durable together, or nothing of it."""
        with self._using, self._errors():
            self._link.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._link.execute("COMMIT")
            except BaseException:
                # After a full disk SQLite may have rolled back by itself.
                with suppress(sqlite3.OperationalError):
                    self._link.execute("ROLLBACK")
                raise
            self.commits_n += 1

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """See the file as it is now, whatever others write meanwhile."""
        with self._using, self._errors():
            self._link.execute("BEGIN")
            try:
                yield
            finally:
                self._link.execute("COMMIT")

    def write(self, statements: Iterable[Statement]) -> None:
        """Carry the statements out in one transaction."""
        with self.transaction():
            for sql, values in statements:
                self._link.execute(sql, values)

    def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[Row]:
        """Return what a query finds."""
        with self._using, self._errors():
            cursor = self._link.execute(sql, values)
            names = [column[0] for column in cursor.description]
            return [dict(zip(names, row, strict=True)) for row in cursor]

    def count_line(self) -> CountLine | None:
        """Return the row of the count, None before the first; raise `Damaged` if unsound."""
        for row in self.rows("SELECT * FROM count"):
            line = CountLine(**{name: row[name] for name in CountLine.columns()})
            if line.crc != row["crc"]:
                raise Damaged("the row of the count does not fit its check sum")
            return line
        return None

    def tables(self) -> dict[str, list[Row]]:
        """Return every row of every table, all of one moment."""
        with self.snapshot():
            return {name: self.rows(f"SELECT * FROM {name} ORDER BY id") for name in TABLES}

    def replace(self, tables: Mapping[str, list[Row]]) -> None:
        """Put `tables` in place of everything at once; raise `StoreError` if they do not fit."""
        try:
            with self.transaction():
                for name in TABLES:
                    self._link.execute(f"DELETE FROM {name}")
                    for number, row in enumerate(tables[name]):
                        self._require_columns(name, number, row)
                        self._link.execute(*insert_into(name, row))
        except Unwritable as error:
            raise StoreError(f"this cannot be stored: {error}") from None

    def _require_columns(self, table: str, number: int, row: Row) -> None:
        wanted = {column["name"] for column in self.rows(f"PRAGMA table_info({table})")}
        if set(row) != wanted:
            raise StoreError(
                f"{table}[{number + 1}]: must have the columns {', '.join(sorted(wanted))}, "
                f"not {', '.join(sorted(row))}"
            )

    def _pragma(self, text: str) -> Any:
        with self._using, self._errors():
            found = self._link.execute(f"PRAGMA {text}").fetchone()
            return found[0] if found else None

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.IntegrityError, sqlite3.InterfaceError, sqlite3.DataError) as error:
            raise Unwritable(str(error)) from error
        except (sqlite3.ProgrammingError, OverflowError) as error:
            raise Unwritable(str(error)) from error
        except UnicodeDecodeError as error:
            raise Damaged(f"the file is damaged: {error}") from error
        except sqlite3.DatabaseError as error:
            # The low byte is the kind of error, the rest says more about it.
            if getattr(error, "sqlite_errorcode", 0) & 0xFF in _DAMAGE:
                raise Damaged(f"the file is damaged: {error}") from error
            raise StoreError(f"{self.path}: {error}; is the disk full, or read-only?") from error


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    name = f"file:{quote(str(path))}?mode={mode}" if str(path) != ":memory:" else ":memory:"
    return sqlite3.connect(
        name, uri=True, isolation_level=None, timeout=BUSY_S, check_same_thread=False
    )


def _read_only(path: Path) -> sqlite3.Connection:
    if not path.exists():
        raise StoreError(f"{path}: is not there; nothing has been stored yet")
    link = _connect(path, "ro")
    try:
        link.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        link.close()
        if path.with_name(path.name + "-wal").exists():
            raise
        # Nobody writes, and we may not make the files that reading beside a writer needs.
        link = _connect(path, "ro&immutable=1")
    except BaseException:
        link.close()
        raise
    return link
