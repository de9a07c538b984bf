"""Everything that was learned, written out and taken in again."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.edge.exports import export_json, import_json
from controller.edge.store import Store, migrated, tables
from controller.edge.store_schema import TABLES, VERSION
from controller.errors import StoreError
from tests.edge.storing import LIFE, Clock, live, moved, opened, parts, rest

Document = dict[str, Any]


@pytest.fixture
def full(tmp_path: Path) -> Document:
    with opened(tmp_path / "full" / "count.db") as store:
        live(store)
        return export_json(store, now_utc=lambda: 1_900_000_000.0)


def taken_in(folder: Path, document: object) -> Store:
    store = opened(folder / "count.db", Clock(300.0))
    live(store, (rest(7), moved("before")))
    import_json(store, document)
    return store


def test_export_says_what_it_is(full: Document) -> None:
    assert (full["format"], full["version"]) == ("arckeeper-store", VERSION)
    assert full["exported_utc"] == 1_900_000_000.0
    assert {name: len(rows) for name, rows in full["tables"].items()} == {
        "count": 1, "limits": 2, "reference": 3, "landing": 3, "hold": 1, "fault": 1, "move": 2,
    }  # fmt: skip


def test_export_through_json_and_back_is_equal(full: Document, tmp_path: Path) -> None:
    document = json.loads(json.dumps(full))
    with taken_in(tmp_path, document) as store:
        assert export_json(store)["tables"] == full["tables"]
    assert tables(tmp_path / "count.db") == full["tables"]


def test_what_was_taken_in_is_recalled_and_gone_on_from(full: Document, tmp_path: Path) -> None:
    with opened(tmp_path / "full" / "count.db", Clock(300.0)) as first:
        expected = first.recall()
    with taken_in(tmp_path, full) as store:
        assert store.recall() == expected
        live(store, (rest(600), moved("after")))
    with opened(tmp_path / "count.db") as store:
        record = store.recall().count
        assert record is not None
        assert record.count_pulses == 600
        assert store.history("move")[0]["command_id"] == "after"
    (row,) = tables(tmp_path / "count.db")["count"]
    assert row["sequence"] == full["tables"]["count"][0]["sequence"] + 1


def test_file_before_an_import_is_kept(full: Document, tmp_path: Path) -> None:
    taken_in(tmp_path, full).close()
    (kept,) = [name for name in parts(tmp_path) if "before-import" in name]
    assert [row["command_id"] for row in tables(tmp_path / kept)["move"]] == ["before"]


def test_empty_store_is_exported_and_taken_in(tmp_path: Path) -> None:
    with opened(tmp_path / "empty" / "count.db") as store:
        document = export_json(store)
    assert document["tables"] == {name: [] for name in TABLES}
    with taken_in(tmp_path, document) as store:
        assert store.recall().count is None
        live(store, (rest(5),))


def test_export_of_a_file_needs_no_store(full: Document, tmp_path: Path) -> None:
    assert export_json(tmp_path / "full" / "count.db")["tables"] == full["tables"]


def older(document: Document) -> Document:
    """The document as version 1 would have written it."""
    landing = [
        {name: value for name, value in row.items() if name != "coast_slow_s"}
        for row in document["tables"]["landing"]
    ]
    return {**document, "version": 1, "tables": {**document["tables"], "landing": landing}}


def test_export_of_an_earlier_version_is_taken_in(full: Document, tmp_path: Path) -> None:
    with taken_in(tmp_path, older(full)) as store:
        rows = store.tables()["landing"]
    assert [row["coast_slow_s"] for row in rows] == [row["coast_s"] for row in rows]


Change = Callable[[Document], object]


def with_tables(**changed: Any) -> Change:
    return lambda document: {**document, "tables": {**document["tables"], **changed}}


def with_count(**changed: Any) -> Change:
    return lambda document: {
        **document,
        "tables": {
            **document["tables"],
            "count": [{**document["tables"]["count"][0], **changed}],
        },
    }


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda _: None, '"format": "arckeeper-store"'),
        (lambda _: [], '"format": "arckeeper-store"'),
        (lambda _: {}, '"format": "arckeeper-store"'),
        (lambda d: {**d, "format": "other"}, '"format": "arckeeper-store"'),
        (lambda d: {**d, "version": 0}, f"version 1 to {VERSION}, not 0"),
        (lambda d: {**d, "version": VERSION + 1}, f"not {VERSION + 1}"),
        (lambda d: {**d, "version": "1"}, "not '1'"),
        (lambda d: {**d, "version": True}, "not True"),
        (lambda d: {**d, "version": None}, "not None"),
        (lambda d: {**d, "tables": []}, "there must be the tables count, limits"),
        (lambda d: {**d, "tables": {}}, "there must be the tables count, limits"),
        (with_tables(more=[]), "and no others"),
        (with_tables(move={}), "move must be a list of objects"),
        (with_tables(move=[1]), "move must be a list of objects"),
        (with_tables(hold=[{}]), r"hold\[1\]: must have the columns at_utc, held, id, reason"),
        (
            with_tables(hold=[{"id": 1, "at_utc": 1.0, "held": 1, "reason": "", "x": 1}]),
            r"hold\[1\]: must have the columns",
        ),
        (
            with_tables(hold=[{"id": 1, "at_utc": 1.0, "held": 2, "reason": ""}]),
            "cannot be stored: CHECK constraint failed",
        ),
        (
            with_tables(hold=[{"id": 1, "at_utc": "now", "held": 1, "reason": ""}]),
            "cannot be stored: cannot store TEXT value in REAL column",
        ),
        (
            with_tables(hold=[{"id": 1, "at_utc": 1.0, "held": 1, "reason": None}]),
            "cannot be stored: NOT NULL constraint failed",
        ),
        (
            with_tables(hold=[{"id": 1, "at_utc": 1.0, "held": 1, "reason": ["x"]}]),
            "cannot be stored: ",
        ),
        (
            with_tables(hold=[{"id": 2**70, "at_utc": 1.0, "held": 1, "reason": ""}]),
            "cannot be stored: ",
        ),
        (with_count(count_pulses=99), "the row of the count does not fit its check sum"),
        (with_count(id=2), "cannot be stored: CHECK constraint failed"),
        (
            with_tables(limits=[{"id": 1, "at_utc": 1.0, "west_limit_pulses": 9, "crc": 1}]),
            "row 1 of limits does not fit its check sum",
        ),
    ],
)
def test_garbage_is_refused_and_changes_nothing(
    full: Document, tmp_path: Path, change: Change, told: str
) -> None:
    with opened(tmp_path / "count.db") as store:
        live(store, LIFE)
        before = store.tables()
        with pytest.raises(StoreError, match=told):
            import_json(store, change(full))
        assert store.tables() == before
        live(store, (rest(8),))
    assert [name for name in parts(tmp_path) if "import" in name] == []


def test_name_of_a_column_cannot_smuggle_sql(full: Document) -> None:
    row = {"id": 1, "at_utc": 1.0, "held": 1, "reason) VALUES (1,1,1,1); DROP TABLE move; --": ""}
    with pytest.raises(StoreError, match="must have the columns"):
        migrated({**full["tables"], "hold": [row]}, version=VERSION)
