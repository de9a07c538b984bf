"""Files that a dying card or a power cut has left: whole, or reported; never silently wrong."""

import random
import shutil
from pathlib import Path

import pytest

from controller.core.memory import Remembered
from controller.core.orders import Order, SaveLimits
from controller.edge.store import Store
from controller.errors import StoreError
from tests.edge.storing import (
    LIFE,
    checkpoint,
    intention,
    live,
    moved,
    opened,
    parts,
    peaked,
    raw,
    rest,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "count.db"


def kept_aside(path: Path) -> list[str]:
    return [name for name in parts(path.parent) if name.startswith("count.db.damaged-")]


def assert_reported(store: Store) -> None:
    (notice,) = store.notices
    (kept, *_) = kept_aside(store.path)
    assert kept in notice
    assert "the count is unknown" in notice
    assert store.recall() == Remembered()


@pytest.mark.parametrize("junk", [b"", b"x", b"not a database" * 100, b"\0" * 8192])
def test_file_that_is_no_database_is_kept_aside_and_reported(path: Path, junk: bytes) -> None:
    path.write_bytes(junk)
    with opened(path) as store:
        assert_reported(store)
        live(store, (rest(5),))
    with opened(path) as store:
        assert store.notices == ()
        assert store.recall().count is not None
    (kept,) = kept_aside(path)
    assert path.with_name(kept).read_bytes() == junk


def test_two_damages_in_one_second_are_both_kept(path: Path) -> None:
    for junk in (b"one", b"two", b"three"):
        path.write_bytes(junk)
        opened(path).close()
    found = {path.with_name(name).read_bytes() for name in kept_aside(path)}
    assert found == {b"one", b"two", b"three"}


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE count SET count_pulses = count_pulses + 1",
        "UPDATE count SET count_pulses = 0",
        "UPDATE count SET doubt_pulses = 0",
        "UPDATE count SET doubt_pulses = NULL",
        "UPDATE count SET moving = 1",
        "UPDATE count SET reed_closed = 0",
        "UPDATE count SET boot_id = 'x'",
        "UPDATE count SET saved_s = saved_s + 0.001",
        "UPDATE count SET crc = crc + 1",
        "UPDATE limits SET west_limit_pulses = west_limit_pulses + 1 WHERE id = 2",
        "UPDATE reference SET name = 'Heran' WHERE id = 1",
        "UPDATE reference SET count_pulses = count_pulses + 0.5 WHERE id = 3",
        "UPDATE reference SET slot_deg = -slot_deg",
        "DROP TABLE reference",
    ],
)
def test_row_that_was_never_written_is_reported(path: Path, change: str) -> None:
    with opened(path) as store:
        live(store)
    with raw(path) as link:
        link.execute(change)
    with opened(path) as store:
        assert_reported(store)


def test_flipped_bit_in_the_count_is_reported(path: Path) -> None:
    marker = 0x5A17C3  # three bytes that stand nowhere else in the file
    with opened(path) as store:
        live(store, (rest(marker),))
    whole = path.read_bytes()
    assert whole.count(b"\x5a\x17\xc3") == 1
    path.write_bytes(whole.replace(b"\x5a\x17\xc3", b"\x5a\x17\xc2"))
    with opened(path) as store:
        assert_reported(store)


def story() -> list[Order]:
    """Orders of which each leaves another state behind."""
    orders: list[Order] = []
    for number in range(40):
        orders += [intention(10 * number), checkpoint(10 * number + 5), rest(10 * number + 9)]
        orders += [moved(f"id-{number}"), SaveLimits(west_limit_pulses=1000 + number)]
        if number % 10 == 0:
            orders.append(peaked(f"bird-{number}", 1.0, number))
    return orders


def what_is_in(store: Store) -> tuple[object, ...]:
    found = store.recall()
    count = found.count
    return (
        None if count is None else (count.count_pulses, count.moving),
        found.west_limit_pulses,
        tuple(reference.name for reference in found.references),
        len(store.history("move")),
    )


@pytest.fixture(scope="module")
def crash(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, set[tuple[object, ...]]]:
    """A file and its log as they lie on the disk after a story, and every state on the way."""
    path = tmp_path_factory.mktemp("torn") / "count.db"
    shot = path.parent / "shot"
    shot.mkdir()
    with opened(path) as store:
        states = {what_is_in(store)}
        for number, order in enumerate(story()):
            live(store, (order,))
            states.add(what_is_in(store))
            if number == 100:  # everything before it stands in the file, the rest in the log
                with raw(path) as link:
                    link.execute("PRAGMA wal_checkpoint(RESTART)")
        for ending in ("", "-wal"):
            shutil.copy(path.with_name(path.name + ending), shot / f"count.db{ending}")
    return shot, states


def torn(crash: Path, folder: Path, *, file_bytes: int | None, log_bytes: int | None) -> Path:
    for name, length in (("count.db", file_bytes), ("count.db-wal", log_bytes)):
        whole = (crash / name).read_bytes()
        (folder / name).write_bytes(whole if length is None else whole[:length])
    return folder / "count.db"


@pytest.mark.parametrize("seed", range(25))
def test_torn_log_gives_a_state_that_once_was(
    crash: tuple[Path, set[tuple[object, ...]]], tmp_path: Path, seed: int
) -> None:
    shot, states = crash
    size = (shot / "count.db-wal").stat().st_size
    log_bytes = random.Random(seed).randrange(size)
    with opened(torn(shot, tmp_path, file_bytes=None, log_bytes=log_bytes)) as store:
        assert store.notices == ()
        assert what_is_in(store) in states


@pytest.mark.parametrize("seed", range(25))
def test_torn_file_gives_a_state_that_once_was_or_is_reported(
    crash: tuple[Path, set[tuple[object, ...]]], tmp_path: Path, seed: int
) -> None:
    shot, states = crash
    chance = random.Random(seed)
    file_bytes = chance.randrange((shot / "count.db").stat().st_size)
    log_bytes = chance.choice([None, 0, chance.randrange((shot / "count.db-wal").stat().st_size)])
    path = torn(shot, tmp_path, file_bytes=file_bytes, log_bytes=log_bytes)
    with opened(path) as store:
        if store.notices:
            assert_reported(store)
        else:
            assert what_is_in(store) in states
            assert what_is_in(store)[0] is not None


def opened_or_refused(path: Path) -> Store | None:
    try:
        return opened(path)
    except StoreError:
        return None


@pytest.mark.parametrize("seed", range(40))
def test_scribble_over_a_file_gives_a_state_that_once_was_or_is_reported_or_refused(
    crash: tuple[Path, set[tuple[object, ...]]], tmp_path: Path, seed: int
) -> None:
    shot, states = crash
    chance = random.Random(seed)
    path = torn(shot, tmp_path, file_bytes=None, log_bytes=chance.choice([None, 0]))
    whole = bytearray(path.read_bytes())
    start = chance.randrange(len(whole))
    whole[start : start + 64] = chance.randbytes(min(64, len(whole) - start))
    path.write_bytes(whole)
    store = opened_or_refused(path)
    if store is None:
        assert path.read_bytes() == whole
        return
    with store:
        if store.notices:
            assert_reported(store)
        else:
            assert what_is_in(store) in states


def test_crash_left_as_it_is_comes_back_to_the_last_word(
    crash: tuple[Path, set[tuple[object, ...]]], tmp_path: Path
) -> None:
    shot, _ = crash
    with opened(torn(shot, tmp_path, file_bytes=None, log_bytes=None)) as store:
        birds = tuple(f"bird-{number}" for number in range(0, 40, 10))
        assert what_is_in(store) == ((399, False), 1039, birds, 40)


def test_damaged_file_keeps_its_log_beside_it(path: Path) -> None:
    with opened(path) as store:
        live(store, LIFE)
        live_log = path.with_name("count.db-wal").read_bytes()
    path.write_bytes(b"scribble")
    path.with_name("count.db-wal").write_bytes(live_log)
    opened(path).close()
    assert [name.endswith("-wal") for name in kept_aside(path)].count(True) == 1
