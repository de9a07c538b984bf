"""Disks that are full, read-only, hanging or not there, and the writer that lives with them."""

import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.edge.store import Store
from controller.edge.store_writer import Unwritable, Writer
from controller.errors import StoreError
from tests.edge.storing import LIFE, Told, checkpoint, intention, live, moved, opened, rest

ROOT = Path(__file__).resolve().parents[2]


def until(condition: Callable[[], bool], *, patience_s: float = 20.0) -> None:
    deadline_s = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < deadline_s, "never happened"
        time.sleep(0.005)


class Disk:
    """A disk that takes items, or does not."""

    def __init__(self) -> None:
        self.taken: list[int] = []
        self.batches: list[list[int]] = []
        self.trouble = ""
        self.hanging = threading.Event()
        self.hanging.set()
        self.probes_n = 0

    def write(self, items: list[int]) -> None:
        self.hanging.wait(20)
        if self.trouble:
            raise StoreError(self.trouble)
        if any(item < 0 for item in items):
            raise Unwritable("below zero")
        self.batches.append(items)
        self.taken += items

    def probe(self) -> None:
        self.probes_n += 1
        if self.trouble:
            raise StoreError(self.trouble)


@pytest.fixture
def disk() -> Disk:
    return Disk()


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def writer(disk: Disk, told: Told) -> Iterator[Writer[int]]:
    made = Writer[int](
        disk.write,
        disk.probe,
        on_failed=told.failed,
        on_recovered=told.recovered,
        retry_s=0.01,
    )
    yield made
    disk.hanging.set()
    made.close(10)


def test_items_are_written_in_their_order(writer: Writer[int], disk: Disk) -> None:
    for number in range(500):
        writer.put(number)
    assert writer.drain(10)
    assert disk.taken == list(range(500))


def test_what_is_waited_for_comes_after_all_that_was_there(writer: Writer[int], disk: Disk) -> None:
    disk.hanging.clear()
    for number in range(50):
        writer.put(number)
    threading.Timer(0.05, disk.hanging.set).start()
    writer.put_and_wait(50, timeout_s=10)
    assert disk.taken == list(range(51))


def test_what_could_not_be_written_is_written_later_in_its_order(
    writer: Writer[int], disk: Disk, told: Told
) -> None:
    disk.trouble = "full"
    for number in range(10):
        writer.put(number)
    until(lambda: told.words == ["full"])
    writer.put(10)
    assert not writer.drain(0.05)
    disk.trouble = ""
    until(lambda: told.words == ["full", "recovered"])
    assert writer.drain(10)
    assert disk.taken == list(range(11))


def test_who_waits_is_told_and_the_item_is_not_written_later(
    writer: Writer[int], disk: Disk, told: Told
) -> None:
    disk.trouble = "full"
    writer.put(1)
    with pytest.raises(StoreError, match=r"^full$"):
        writer.put_and_wait(2, timeout_s=10)
    disk.trouble = ""
    until(lambda: "recovered" in told.words)
    writer.put_and_wait(3, timeout_s=10)
    assert disk.taken == [1, 3]


def test_trouble_is_told_once_however_long_it_lasts(
    writer: Writer[int], disk: Disk, told: Told
) -> None:
    disk.trouble = "full"
    writer.put(1)
    until(lambda: told.words == ["full"])
    time.sleep(0.1)
    assert told.words == ["full"]


def test_disk_is_tried_without_an_item_when_nothing_waits(
    writer: Writer[int], disk: Disk, told: Told
) -> None:
    disk.trouble = "full"
    with pytest.raises(StoreError):
        writer.put_and_wait(1, timeout_s=10)
    until(lambda: disk.probes_n >= 2)
    disk.trouble = ""
    until(lambda: told.words == ["full", "recovered"])
    assert disk.taken == []


def test_nothing_is_tried_while_all_is_well(writer: Writer[int], disk: Disk) -> None:
    writer.put_and_wait(1, timeout_s=10)
    time.sleep(0.1)
    assert (disk.probes_n, disk.batches) == (0, [[1]])


def test_what_no_disk_can_take_is_dropped_and_told(
    writer: Writer[int], disk: Disk, told: Told
) -> None:
    disk.hanging.clear()
    for number in (1, -2, 3, -4, 5):
        writer.put(number)
    disk.hanging.set()
    assert writer.drain(10)
    assert disk.taken == [1, 3, 5]
    until(lambda: told.words == ["cannot be stored: below zero", "recovered"])
    with pytest.raises(StoreError, match="cannot be stored: below zero"):
        writer.put_and_wait(-6, timeout_s=10)


def test_hanging_disk_is_waited_for_no_longer_than_told(writer: Writer[int], disk: Disk) -> None:
    disk.hanging.clear()
    with pytest.raises(StoreError, match=r"nothing could be written within 0\.05 s"):
        writer.put_and_wait(1, timeout_s=0.05)
    assert not writer.drain(0.05)


def test_callback_that_raises_does_not_end_the_writing(disk: Disk) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("nobody listens")

    writer = Writer[int](
        disk.write, disk.probe, on_failed=broken, on_recovered=broken, retry_s=0.01
    )
    disk.trouble = "full"
    writer.put(1)
    until(lambda: writer._failing)
    disk.trouble = ""
    assert writer.drain(10)
    writer.put_and_wait(2, timeout_s=10)
    writer.close(10)
    assert disk.taken == [1, 2]


def test_closing_with_a_full_disk_ends(writer: Writer[int], disk: Disk) -> None:
    disk.trouble = "full"
    writer.put(1)
    began_s = time.monotonic()
    writer.close(10)
    assert time.monotonic() - began_s < 8
    with pytest.raises(StoreError, match="closed"):
        writer.put(2)


# Fills the disk that the limit of file sizes makes, then makes room again.
FILLER = """
import json, resource, signal, sys, time
from pathlib import Path
from controller.core.motion import Direction
from controller.core.orders import SaveFault, SaveIntention, SaveRest
from controller.edge.store import Store
from controller.errors import StoreError

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
path, said = Path(sys.argv[1]), []
store = Store(path, on_failed=lambda why: said.append(why), on_recovered=lambda: said.append("ok"))

def intend(count):
    store.write(SaveIntention(
        count_pulses=count, doubt_pulses=0, direction=Direction.WEST, bound_pulses=900))

def limit(size):
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

def until(condition):
    end_s = time.monotonic() + 30
    while not condition() and time.monotonic() < end_s:
        time.sleep(0.01)

store.write(SaveRest(count_pulses=500, doubt_pulses=2, reed_closed=None))
store.drain(10)
limit(Path(f"{path}-wal").stat().st_size + 2000)
for number in range(20):
    store.write(SaveFault(text=f"fault {number}", advice="x" * 500))
until(lambda: said)
try:
    intend(510)
    refused = ""
except StoreError as error:
    refused = str(error)
drained = store.drain(0.1)
limit(resource.RLIM_INFINITY)
until(lambda: len(said) > 1)
intend(520)
store.close()
print(json.dumps([said, refused, drained]))
"""


def test_full_disk_is_told_refuses_an_intention_and_loses_nothing(tmp_path: Path) -> None:
    path = tmp_path / "count.db"
    ended = subprocess.run(
        [sys.executable, "-c", FILLER, str(path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=90,
    )
    said, refused, drained = json.loads(ended.stdout)
    assert (len(said), said[1], drained) == (2, "ok", False)
    for told in (said[0], refused):
        assert str(path) in told
        assert "is the disk full, or read-only?" in told
    with opened(path) as store:
        assert store.notices == ()
        record = store.recall().count
        faults = [row["text"] for row in store.history("fault", 100)]
    assert record is not None
    assert (record.count_pulses, record.moving) == (520, True)
    assert faults == [f"fault {number}" for number in reversed(range(20))]


@pytest.fixture
def shared() -> Iterator[Path]:
    """A folder that everybody may enter, and that is mended at the end."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder
        folder.chmod(0o755)


# Root may write everywhere: what an ordinary user may not is tried by one, in a process of his
# own. He has imported everything before, since he may not read our interpreter's folders either.
ORDINARY_USER = """
import os, sys, tempfile
from pathlib import Path
from controller.edge.store import Store, tables
from controller.errors import StoreError

with tempfile.TemporaryDirectory() as folder:
    Store(Path(folder) / "count.db").close()
    tables(Path(folder) / "count.db")
if os.geteuid() == 0:
    os.seteuid(65534)
deed, path = {"open": Store, "read": tables}[sys.argv[1]], Path(sys.argv[2])
try:
    found = deed(path)
    print(len(found["move"]))
except StoreError as error:
    print(error)
"""


def as_ordinary_user(deed: str, path: Path) -> str:
    ended = subprocess.run(
        [sys.executable, "-c", ORDINARY_USER, deed, str(path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return ended.stdout.strip()


def test_read_only_folder_is_refused(shared: Path) -> None:
    shared.chmod(0o555)
    told = as_ordinary_user("open", shared / "count.db")
    assert told == f"{shared}/count.db.lock: cannot be written: Permission denied"
    told = as_ordinary_user("open", shared / "state" / "count.db")
    assert told == f"{shared}/state: cannot be made: Permission denied"


def test_file_that_may_not_be_written_is_refused_and_not_touched(shared: Path) -> None:
    path = shared / "count.db"
    with opened(path) as store:
        live(store)
    before = path.read_bytes()
    path.chmod(0o444)
    path.with_name("count.db.lock").chmod(0o666)
    shared.chmod(0o555)
    assert "is the disk full, or read-only?" in as_ordinary_user("open", path)
    assert path.read_bytes() == before


def test_others_may_read_what_they_may_not_write(shared: Path) -> None:
    path = shared / "count.db"
    with opened(path) as store:
        live(store, LIFE)
    path.chmod(0o444)
    shared.chmod(0o555)
    assert as_ordinary_user("read", path) == "2"


@pytest.mark.parametrize("blocked", ["file", "file/state"])
def test_folder_that_cannot_be_made_is_told(tmp_path: Path, blocked: str) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match=r"file.*: cannot be made: "):
        Store(tmp_path / blocked / "count.db")


def test_folder_in_the_place_of_the_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "count.db").mkdir()
    with pytest.raises(StoreError, match=r"count\.db: cannot be read: Is a directory"):
        Store(tmp_path / "count.db")


def test_slow_disk_stops_nobody_but_who_waits(tmp_path: Path) -> None:
    with opened(tmp_path / "count.db") as store:
        store._db._using.acquire()
        try:
            began_s = time.monotonic()
            for order in (checkpoint(1), rest(2), moved("a")):
                store.write(order)
            assert time.monotonic() - began_s < 2
            assert not store.drain(0.01)
        finally:
            store._db._using.release()
        store.write(intention(3))
        record = store.recall().count
    assert record is not None
    assert record.count_pulses == 3
