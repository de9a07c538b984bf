"""Marks of open relays, the clock of a boot, and who holds a folder."""

import os
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest

from controller.edge.boots import (
    MARKS_KEPT,
    boot_clock_s,
    mark_safe,
    relays_opened_s,
    this_boot_id,
)
from controller.edge.claim import FolderClaim
from controller.errors import StoreError

ROOT = Path(__file__).resolve().parents[2]


def marked(path: Path, *marks_s: float, boot_id: str = "one") -> None:
    for mark_s in marks_s:
        mark_safe(path, monotonic=partial(float, mark_s), boot_id=boot_id)


def test_marks_of_this_boot_come_back_in_their_order(tmp_path: Path) -> None:
    marked(tmp_path / "count.db", 3.5, 4.25)
    marked(tmp_path / "count.db", 1.0, boot_id="two")
    assert relays_opened_s(tmp_path / "count.db", boot_id="one") == (3.5, 4.25)
    assert relays_opened_s(tmp_path / "count.db", boot_id="two") == (1.0,)
    assert relays_opened_s(tmp_path / "count.db", boot_id="three") == ()


def test_boot_without_a_name_has_no_marks(tmp_path: Path) -> None:
    marked(tmp_path / "count.db", 3.5, boot_id="")
    assert relays_opened_s(tmp_path / "count.db", boot_id="") == ()


def test_no_more_marks_are_kept_than_a_restart_loop_needs(tmp_path: Path) -> None:
    marked(tmp_path / "count.db", *(float(number) for number in range(MARKS_KEPT + 5)))
    found = relays_opened_s(tmp_path / "count.db", boot_id="one")
    assert (len(found), found[0], found[-1]) == (MARKS_KEPT, 5.0, MARKS_KEPT + 4.0)


def test_mark_leaves_one_file_beside_the_store(tmp_path: Path) -> None:
    marked(tmp_path / "count.db", 1.0, 2.0)
    assert [found.name for found in tmp_path.iterdir()] == ["count.db.safe"]


@pytest.mark.parametrize(
    "line",
    ["", "{", "[]", "3", '"x"', "{}", '{"boot_id": "one"}', '{"boot_id": "one", "opened_s": "x"}',
     '{"boot_id": "one", "opened_s": null}', "\ufffd\0"],
)  # fmt: skip
def test_mark_that_cannot_be_read_says_nothing(tmp_path: Path, line: str) -> None:
    path = tmp_path / "count.db"
    path.with_name("count.db.safe").write_text(line + "\n", "utf-8")
    assert relays_opened_s(path, boot_id="one") == ()
    marked(path, 5.0)
    assert relays_opened_s(path, boot_id="one") == (5.0,)


def test_mark_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"count\.db\.safe: cannot be written"):
        mark_safe(tmp_path / "nowhere" / "count.db")


def test_boot_has_a_name_and_a_clock_that_all_processes_share(tmp_path: Path) -> None:
    script = (
        "from controller.edge.boots import *; import sys; from pathlib import Path;"
        "mark_safe(Path(sys.argv[1]))"
    )
    before_s = boot_clock_s()
    subprocess.run([sys.executable, "-c", script, str(tmp_path / "c")], cwd=ROOT, check=True)
    assert len(this_boot_id()) == 36
    (mark_s,) = relays_opened_s(tmp_path / "c", boot_id=this_boot_id())
    assert before_s <= mark_s <= boot_clock_s()


def test_marking_loads_nothing_heavy() -> None:
    script = "import sys, controller.edge.boots; print(*sys.modules)"
    ended = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert {"numpy", "sqlite3", "pydantic", "gpiozero"} & set(ended.stdout.split()) == set()


def test_folder_is_held_by_one_and_named_by_its_pid(tmp_path: Path) -> None:
    first = FolderClaim(tmp_path / "lock")
    told = rf"{tmp_path}: another arckeeper \(pid {os.getpid()}\) keeps its count in this folder"
    with pytest.raises(StoreError, match=told):
        FolderClaim(tmp_path / "lock")
    first.close()
    first.close()
    FolderClaim(tmp_path / "lock").close()


def test_claim_of_a_killed_process_is_free_again(tmp_path: Path) -> None:
    script = (
        "import sys, time; from pathlib import Path; from controller.edge.claim import FolderClaim;"
        "claim = FolderClaim(Path(sys.argv[1])); print('held', flush=True); time.sleep(60)"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path / "lock")], cwd=ROOT, stdout=subprocess.PIPE
    )
    assert holder.stdout is not None
    with holder.stdout as said:
        assert said.readline() == b"held\n"
    with pytest.raises(StoreError, match=rf"pid {holder.pid}"):
        FolderClaim(tmp_path / "lock")
    holder.kill()
    holder.wait()
    FolderClaim(tmp_path / "lock").close()


def test_claim_outlives_no_program_that_its_holder_started(tmp_path: Path) -> None:
    claim = FolderClaim(tmp_path / "lock")
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(30)"])
    try:
        time.sleep(0.05)
        claim.close()
        FolderClaim(tmp_path / "lock").close()
    finally:
        child.kill()
        child.wait()
