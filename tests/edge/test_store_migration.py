"""Files of every earlier version, of later ones, and of other programs."""

from pathlib import Path
from typing import Any

import pytest

from controller.core.memory import LandingRecord
from controller.core.motion import Direction
from controller.edge import store_database
from controller.edge.store import history, tables
from controller.edge.store_rows import Stamp, history_statement, line_after
from controller.edge.store_schema import APPLICATION_ID, HISTORY, MIGRATIONS, VERSION
from controller.errors import StoreError
from tests.edge.storing import BOOT, LIFE, every_row, landed, live, opened, parts, raw, rest

OLDER = range(1, VERSION)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "count.db"


def old_file(path: Path, version: int) -> None:
    """A file as an earlier program left it, made of the steps that it knew."""
    stamp = Stamp(boot_id=BOOT, at_s=90.0, at_utc=1_899_999_990.0)
    with raw(path) as link:
        link.execute("PRAGMA journal_mode = WAL")
        for sql in (sql for step in MIGRATIONS[:version] for sql in step):
            link.execute(sql)
        link.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        link.execute(f"PRAGMA user_version = {version}")
        link.execute(*line_after(None, rest(561), stamp).statement())
        for order in LIFE[4:]:
            sql, values = history_statement(order, 1_899_999_990.0)
            if "landing" in sql and version < 2:
                sql = (
                    "INSERT INTO landing (at_utc, direction, coast_s, rate_pulses_per_s, "
                    "spin_up_s) VALUES (?, ?, ?, ?, ?)"
                )
                values = (*values[:3], *values[4:])
            link.execute(sql, values)


@pytest.mark.parametrize("version", OLDER)
def test_file_of_an_earlier_version_comes_back_whole(path: Path, version: int) -> None:
    old_file(path, version)
    with opened(path) as store:
        found = store.recall()
        lengths = {kind: len(store.history(kind)) for kind in HISTORY}
    assert found.count is not None
    assert (found.count.count_pulses, found.count.since_save_s) == (561, 10.0)
    assert (found.west_limit_pulses, len(found.references), found.held) == (1141, 2, True)
    assert lengths == {
        "limits": 2, "reference": 3, "landing": 3, "hold": 1, "fault": 1, "move": 2,
    }  # fmt: skip


@pytest.mark.parametrize("version", [1])
def test_coast_learned_before_there_were_two_holds_for_both(path: Path, version: int) -> None:
    old_file(path, version)
    with opened(path) as store:
        assert store.recall().landing[Direction.EAST] == LandingRecord(
            coast_s=0.5, coast_slow_s=0.5, rate_pulses_per_s=12.5, spin_up_s=0.125
        )
        live(store, (landed(Direction.EAST, 0.75),))
        assert store.recall().landing[Direction.EAST].coast_slow_s == 0.375


@pytest.mark.parametrize("version", OLDER)
def test_file_before_a_migration_is_kept(path: Path, version: int) -> None:
    old_file(path, version)
    before = every_row(path)
    opened(path).close()
    kept = path.with_name(f"count.db.before-{version + 1}")
    assert every_row(kept) == before
    with raw(kept) as link:
        assert link.execute("PRAGMA user_version").fetchone() == (version,)


def test_file_of_this_version_is_opened_without_a_copy(path: Path) -> None:
    opened(path).close()
    opened(path).close()
    assert list(parts(path.parent)) == ["count.db", "count.db.lock"]


@pytest.mark.parametrize("version", OLDER)
def test_older_file_is_read_by_others_before_it_is_migrated(path: Path, version: int) -> None:
    old_file(path, version)
    assert {row["direction"] for row in tables(path)["landing"]} == {"east", "west"}
    assert all("coast_slow_s" in row for row in tables(path)["landing"])
    assert len(history(path, "move")) == 2


@pytest.mark.parametrize(
    "broken",
    [
        ("CREATE TABLE more (id INTEGER)", "CREATE TABLE more (id INTEGER)"),
        ("INSERT INTO hold (held, reason) VALUES (7, 'x')",),
        ("nonsense",),
    ],
)
@pytest.mark.parametrize("version", [*OLDER, VERSION])
def test_step_that_fails_leaves_the_earlier_version(
    path: Path, version: int, broken: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    old_file(path, version)
    steps = (*MIGRATIONS[:version], broken)
    monkeypatch.setattr(store_database, "MIGRATIONS", steps)
    monkeypatch.setattr("controller.edge.store.VERSION", len(steps))
    before = every_row(path)
    with pytest.raises(StoreError, match=f"step {version + 1} of the store failed"):
        opened(path)
    assert every_row(path) == before
    with raw(path) as link:
        assert link.execute("PRAGMA user_version").fetchone() == (version,)
    monkeypatch.undo()
    with opened(path) as store:
        assert store.recall().west_limit_pulses == 1141


def test_step_is_committed_together_with_its_number(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_database, "MIGRATIONS", (*MIGRATIONS, ("nonsense",)))
    with pytest.raises(StoreError, match=f"step {VERSION + 1} of the store failed"):
        opened(path)
    with raw(path) as link:
        assert link.execute("PRAGMA user_version").fetchone() == (VERSION,)
        assert link.execute("SELECT count(*) FROM count").fetchone() == (0,)


def test_file_of_a_newer_program_is_refused_and_not_touched(path: Path) -> None:
    with opened(path) as store:
        live(store)
    with raw(path) as link:
        link.execute(f"PRAGMA user_version = {VERSION + 1}")
        link.execute("CREATE TABLE later (id INTEGER)")
    before = path.read_bytes()
    with pytest.raises(
        StoreError,
        match=rf"written by a newer arckeeper \(version {VERSION + 1}, this one reads up to "
        rf"{VERSION}\).*Nothing was changed",
    ):
        opened(path)
    with pytest.raises(StoreError, match="written by a newer"):
        tables(path)
    assert path.read_bytes() == before
    assert [name for name in parts(path.parent) if "damaged" in name or "before" in name] == []


def test_refused_store_gives_its_folder_back(path: Path) -> None:
    opened(path).close()
    with raw(path) as link:
        link.execute(f"PRAGMA user_version = {VERSION + 1}")
    with pytest.raises(StoreError):
        opened(path)
    with raw(path) as link:
        link.execute(f"PRAGMA user_version = {VERSION}")
    opened(path).close()


def test_database_of_another_program_is_refused_and_not_touched(path: Path) -> None:
    with raw(path) as link:
        link.execute("CREATE TABLE photographs (id INTEGER)")
    before = path.read_bytes()
    with pytest.raises(StoreError, match="database of another program; choose another folder"):
        opened(path)
    assert path.read_bytes() == before


def test_start_that_ended_before_its_first_step_is_made_good(path: Path) -> None:
    with raw(path) as link:
        link.execute("PRAGMA journal_mode = WAL")
    with opened(path) as store:
        assert store.recall().count is None
        assert store.notices == ()


def test_every_save_of_the_count_has_the_next_number_whoever_opens_the_file(path: Path) -> None:
    for expected in (1, 2, 3):
        with opened(path) as store:
            live(store, (rest(5),))
        assert [row["sequence"] for row in tables(path)["count"]] == [expected]


def test_no_step_has_been_edited_or_forgotten() -> None:
    # What the tables of version 1 were; a file somewhere has them.
    first: dict[str, Any] = {}
    for sql in MIGRATIONS[0]:
        name = sql.split("CREATE TABLE ")[1].split()[0]
        lines = [line.strip() for line in sql.splitlines()]
        first[name] = [line.split()[0] for line in lines if line and line[0].islower()]
    assert first == {
        "count": [
            "id", "sequence", "count_pulses", "doubt_pulses", "moving", "direction",
            "bound_pulses", "reed_closed", "boot_id", "saved_s", "saved_utc", "crc",
        ],
        "limits": ["id", "at_utc", "west_limit_pulses", "crc"],
        "reference": [
            "id", "at_utc", "name", "slot_deg", "count_pulses", "sigma_pulses", "signal",
            "crc", "dropped", "dropped_utc",
        ],
        "landing": ["id", "at_utc", "direction", "coast_s", "rate_pulses_per_s", "spin_up_s"],
        "hold": ["id", "at_utc", "held", "reason"],
        "fault": ["id", "at_utc", "text", "advice"],
        "move": [
            "id", "at_utc", "command_id", "what", "from_pulses", "target_pulses", "final_pulses",
            "duration_s", "run_s", "corrections", "outcome", "reason",
        ],
    }  # fmt: skip
