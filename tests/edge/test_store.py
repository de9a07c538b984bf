"""What the store gives back of what it was told."""

import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.memory import CountRecord, LandingRecord, Remembered
from controller.core.motion import Direction
from controller.core.orders import (
    DropReferences,
    Order,
    SaveFault,
    SaveHold,
    SaveIntention,
    SaveLimits,
    StopMotor,
)
from controller.edge.boots import mark_safe
from controller.edge.store import Store, history, tables
from controller.edge.store_rows import history_statement
from controller.errors import StoreError
from controller.geometry.priors import Reference
from tests.edge.storing import (
    LIFE,
    Clock,
    checkpoint,
    intention,
    landed,
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
    return tmp_path / "state" / "count.db"


def recalled(path: Path, clock: Clock | None = None, *, boot_id: str = "boot-one") -> Remembered:
    with opened(path, clock, boot_id=boot_id) as store:
        return store.recall()


def count_of(path: Path, clock: Clock | None = None, *, boot_id: str = "boot-one") -> CountRecord:
    record = recalled(path, clock, boot_id=boot_id).count
    assert record is not None
    return record


def test_new_store_remembers_nothing(path: Path) -> None:
    assert recalled(path) == Remembered()


def test_store_makes_its_folder(path: Path) -> None:
    recalled(path)
    assert list(parts(path.parent)) == ["count.db", "count.db.lock"]


@pytest.mark.parametrize("reopened", [False, True])
def test_everything_written_comes_back(path: Path, reopened: bool) -> None:
    clock = Clock()
    with opened(path, clock) as store:
        live(store)
        clock.now_s += 2.5
        found = store.recall()
    if reopened:
        found = recalled(path, clock)
    assert found == Remembered(
        count=CountRecord(
            count_pulses=561, doubt_pulses=1, moving=False, direction=None, bound_pulses=None,
            reed_closed=True, same_boot=True, since_save_s=2.5, relays_open_after_s=None,
        ),
        west_limit_pulses=1141,
        references=(
            Reference("Heron", 147.6, 410.0, 0.75),
            Reference("Heron", 147.6, 412.0, 0.75),
        ),
        landing={
            Direction.WEST: LandingRecord(
                coast_s=0.125, coast_slow_s=0.0625, rate_pulses_per_s=12.5, spin_up_s=0.125
            ),
            Direction.EAST: LandingRecord(
                coast_s=0.5, coast_slow_s=0.25, rate_pulses_per_s=12.5, spin_up_s=0.125
            ),
        },
        held=True,
        hold_reason="painting",
        fault_text="motor on and no pulse",
        fault_advice="look at the sensor",
    )  # fmt: skip


def test_intention_comes_back_with_its_direction_and_bound(path: Path) -> None:
    with opened(path) as store:
        store.write(intention(500, bound=700))
    record = count_of(path)
    assert (record.moving, record.direction, record.bound_pulses) == (True, Direction.WEST, 700)
    assert (record.count_pulses, record.doubt_pulses) == (500, 1)


def test_checkpoint_keeps_direction_and_bound_of_its_run(path: Path) -> None:
    with opened(path) as store:
        live(store, (intention(500, bound=700), checkpoint(512, doubt=3)))
    record = count_of(path)
    assert (record.moving, record.direction, record.bound_pulses) == (True, Direction.WEST, 700)
    assert (record.count_pulses, record.doubt_pulses) == (512, 3)


def test_checkpoint_after_a_restart_keeps_direction_and_bound_of_the_run(path: Path) -> None:
    with opened(path) as store:
        store.write(intention(500, bound=700))
    with opened(path) as store:
        live(store, (checkpoint(512),))
    record = count_of(path)
    assert (record.direction, record.bound_pulses) == (Direction.WEST, 700)


@pytest.mark.parametrize("closed", [True, False, None])
@pytest.mark.parametrize("doubt", [0, 7, None])
def test_rest_comes_back_with_what_is_unknown(
    path: Path, closed: bool | None, doubt: int | None
) -> None:
    with opened(path) as store:
        live(store, (intention(), rest(510, doubt=doubt, closed=closed)))
    record = count_of(path)
    assert (record.moving, record.direction, record.bound_pulses) == (False, None, None)
    assert (record.doubt_pulses, record.reed_closed) == (doubt, closed)


def test_count_may_stand_east_of_its_limit(path: Path) -> None:
    with opened(path) as store:
        live(store, (rest(-12),))
    assert count_of(path).count_pulses == -12


def test_age_of_a_save_is_told_within_one_boot(path: Path) -> None:
    clock = Clock(100.0)
    with opened(path, clock) as store:
        store.write(intention())
    record = count_of(path, Clock(160.25))
    assert (record.same_boot, record.since_save_s) == (True, 60.25)


@pytest.mark.parametrize(("saved", "now"), [("one", "two"), ("", ""), ("one", "")])
def test_age_of_a_save_is_unknown_after_another_boot(path: Path, saved: str, now: str) -> None:
    with opened(path, boot_id=saved) as store:
        store.write(intention())
    record = count_of(path, Clock(160.25), boot_id=now)
    assert (record.same_boot, record.since_save_s) == (False, None)
    assert record.doubt_pulses == 1


def test_clock_that_ran_backward_makes_a_run_unknown(path: Path) -> None:
    with opened(path, Clock(100.0)) as store:
        store.write(intention())
    record = count_of(path, Clock(99.0))
    assert (record.since_save_s, record.doubt_pulses) == (None, None)


def test_clock_that_ran_backward_leaves_a_rest_alone(path: Path) -> None:
    with opened(path, Clock(100.0)) as store:
        live(store, (rest(510, doubt=2),))
    assert count_of(path, Clock(99.0)).doubt_pulses == 2


@pytest.mark.parametrize(
    ("marks_s", "after_s"),
    [
        ((), None),
        ((99.75,), None),  # before the save: it says nothing about this run
        ((100.0,), 0.0),
        ((104.5,), 4.5),
        ((99.0, 104.5, 103.5), 3.5),
    ],
)
def test_opening_of_the_relays_is_told_from_the_save_on(
    path: Path, marks_s: tuple[float, ...], after_s: float | None
) -> None:
    with opened(path, Clock(100.0)) as store:
        store.write(intention())
    for mark_s in marks_s:
        mark_safe(path, monotonic=Clock(mark_s).monotonic, boot_id="boot-one")
    assert count_of(path, Clock(200.0)).relays_open_after_s == after_s


def test_opening_of_the_relays_in_another_boot_says_nothing(path: Path) -> None:
    with opened(path, Clock(100.0)) as store:
        store.write(intention())
    mark_safe(path, monotonic=Clock(104.0).monotonic, boot_id="boot-two")
    assert count_of(path, Clock(200.0)).relays_open_after_s is None
    assert count_of(path, Clock(200.0), boot_id="boot-two").relays_open_after_s is None


@pytest.mark.parametrize(
    ("orders", "held", "reason"),
    [
        ((SaveHold(held=True, reason="mowing"),), True, "mowing"),
        ((SaveHold(held=True, reason="mowing"), SaveHold(held=False, reason="")), False, ""),
    ],
)
def test_last_hold_is_what_holds(
    path: Path, orders: tuple[Order, ...], held: bool, reason: str
) -> None:
    with opened(path) as store:
        live(store, orders)
    found = recalled(path)
    assert (found.held, found.hold_reason) == (held, reason)


def test_fault_with_empty_text_is_cleared(path: Path) -> None:
    with opened(path) as store:
        live(store, (SaveFault(text="stall", advice="look"), SaveFault(text="", advice="")))
    found = recalled(path)
    assert (found.fault_text, found.fault_advice) == ("", "")
    assert [row["text"] for row in history(path, "fault")] == ["", "stall"]


def test_dropped_reference_is_kept_and_left_out(path: Path) -> None:
    with opened(path, Clock(100.0)) as store:
        live(store, (peaked("Heron", 147.6, 410), peaked("Skua", -147.3, 902)))
        live(store, (DropReferences(name="Heron"), DropReferences(name="nobody")))
    assert [reference.name for reference in recalled(path).references] == ["Skua"]
    rows = {row["name"]: (row["dropped"], row["dropped_utc"]) for row in tables(path)["reference"]}
    assert rows == {"Heron": (1, 1_900_000_100.0), "Skua": (0, None)}


def test_reference_taken_again_after_a_drop_holds(path: Path) -> None:
    with opened(path) as store:
        live(store, (peaked("Heron", 1.0, 410), DropReferences(name="Heron")))
        live(store, (peaked("Heron", 1.0, 420),))
    assert [reference.count_pulses for reference in recalled(path).references] == [420.0]


def test_history_is_newest_first_and_limited(path: Path) -> None:
    with opened(path) as store:
        live(store, tuple(moved(f"id-{number}") for number in range(5)))
        assert [row["command_id"] for row in store.history("move", 2)] == ["id-4", "id-3"]
    assert [row["command_id"] for row in history(path, "move")][-1] == "id-0"


def test_history_of_a_move_holds_every_word_of_its_order(path: Path) -> None:
    with opened(path, Clock(100.0)) as store:
        live(store, (moved("a"),))
    assert history(path, "move") == [
        {
            "id": 1, "at_utc": 1_900_000_100.0, "command_id": "a", "what": "goto Heron",
            "from_pulses": 100, "target_pulses": 500, "final_pulses": 501, "duration_s": 45.5,
            "run_s": 44.25, "corrections": 1, "outcome": "arrived", "reason": "",
        }
    ]  # fmt: skip


def test_unknown_history_is_refused_with_what_there_is(path: Path) -> None:
    with opened(path) as store, pytest.raises(StoreError, match="there are: limits, reference"):
        store.history("moves; DROP TABLE move")


def test_history_without_a_store_is_told(path: Path) -> None:
    with pytest.raises(StoreError, match="is not there; nothing has been stored yet"):
        history(path, "move")


def test_others_may_read_while_the_store_is_open(path: Path) -> None:
    with opened(path) as store:
        live(store, LIFE)
        assert len(tables(path)["move"]) == 2
        live(store, (moved("c"),))
        assert len(history(path, "move")) == 3


def test_order_that_is_not_stored_is_a_defect(path: Path) -> None:
    with opened(path) as store, pytest.raises(TypeError, match="StopMotor"):
        store.write(StopMotor(reason="x"))
    with pytest.raises(TypeError):
        history_statement(intention(), 0.0)


def test_closing_twice_is_fine_and_writing_after_is_refused(path: Path) -> None:
    store = opened(path)
    store.close()
    store.close()
    for order in (intention(), checkpoint(1), moved("a")):
        with pytest.raises(StoreError, match="the store is closed"):
            store.write(order)


def test_closing_writes_what_waits(path: Path) -> None:
    with opened(path) as store:
        for order in LIFE:
            store.write(order)
    assert recalled(path).west_limit_pulses == 1141


def test_second_store_on_a_folder_is_refused_by_the_pid_of_the_first(path: Path) -> None:
    with (
        opened(path),
        pytest.raises(StoreError, match=rf"another arckeeper \(pid {os.getpid()}\)"),
    ):
        opened(path)
    opened(path).close()


def test_intention_is_durable_on_return_and_a_checkpoint_need_not_be(path: Path) -> None:
    with opened(path) as store:
        for number in range(20):
            store.write(checkpoint(number))
            store.write(intention(1000 + number))
            assert tables(path)["count"][0]["count_pulses"] == 1000 + number


def test_file_is_kept_so_that_commits_last(path: Path) -> None:
    with opened(path) as store:
        assert store._db._pragma("journal_mode") == "wal"
        assert store._db._pragma("synchronous") == 2  # FULL
    with raw(path) as link:
        assert link.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_move_of_thirty_seconds_costs_at_most_a_commit_for_each_save(path: Path) -> None:
    with opened(path) as store:
        before = store.commits_n
        live(store, (intention(500),))
        for second in range(30):
            live(store, (checkpoint(500 + 12 * second),))
        live(store, (rest(860), landed(Direction.WEST, 0.2), moved("a")))
        # One for the intention, thirty on the way, and one to three for the end.
        assert 32 <= store.commits_n - before <= 34


def test_what_waits_together_is_written_together(path: Path) -> None:
    with opened(path) as store:
        before = store.commits_n
        store._db._using.acquire()  # as a slow card does
        try:
            for number in range(200):
                store.write(checkpoint(number))
        finally:
            store._db._using.release()
        assert store.drain(10)
        assert store.commits_n - before <= 2
    assert count_of(path).count_pulses == 199


COUNT_ORDERS = st.one_of(
    st.builds(
        intention,
        st.integers(-50, 5000),
        doubt=st.none() | st.integers(0, 50),
        bound=st.integers(-50, 5000),
    ),
    st.builds(checkpoint, st.integers(-50, 5000), doubt=st.none() | st.integers(0, 50)),
    st.builds(
        rest,
        st.integers(-50, 5000),
        doubt=st.none() | st.integers(0, 50),
        closed=st.none() | st.booleans(),
    ),
)


@settings(max_examples=40, deadline=None)
@given(orders=st.lists(COUNT_ORDERS, min_size=1, max_size=8))
def test_last_word_about_the_count_is_what_comes_back(
    tmp_path_factory: pytest.TempPathFactory, orders: list[Any]
) -> None:
    path = tmp_path_factory.mktemp("words") / "count.db"
    with opened(path) as store:
        live(store, tuple(orders))
        record = store.recall().count
    assert record is not None
    last = orders[-1]
    assert (record.count_pulses, record.doubt_pulses) == (last.count_pulses, last.doubt_pulses)
    assert record.moving == (type(last).__name__ != "SaveRest")
    if isinstance(last, SaveIntention):
        assert (record.direction, record.bound_pulses) == (last.direction, last.bound_pulses)


@settings(max_examples=40, deadline=None)
@given(west=st.integers(-(2**70), 2**70))
def test_number_that_no_disk_can_take_is_dropped_and_the_rest_is_kept(
    tmp_path_factory: pytest.TempPathFactory, west: int
) -> None:
    path = tmp_path_factory.mktemp("numbers") / "count.db"
    with Store(path) as store:
        store.write(SaveLimits(west_limit_pulses=7))
        store.write(SaveLimits(west_limit_pulses=west))
        store.write(moved("a"))
        assert store.drain(10)
        expected = west if -(2**63) <= west < 2**63 else 7
        assert store.recall().west_limit_pulses == expected
        assert len(store.history("move")) == 1
