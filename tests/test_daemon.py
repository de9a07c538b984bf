"""The loop with its real doors on recording pins: order of doing, and what a failing door does."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from controller.config import Settings, load
from controller.core.commands import Halt, Hold, NudgePulses
from controller.core.events import CommandReceived
from controller.core.motion import MotionState
from controller.core.orders import Order, SaveIntention
from controller.daemon import Daemon, Ending, pilot_settings, run, state_dir_of
from controller.errors import DoorError, StoreError

ROOT = Path(__file__).resolve().parents[1]
BOUND_S = 20.0


def mocked(**changes: object) -> Settings:
    settings = load(ROOT / "config/minimal.yaml")
    pins = settings.pins.model_copy(update={"factory": "mock"})
    broker = settings.broker.model_copy(update={"port": 0, "host": None})
    return settings.model_copy(update={"pins": pins, "broker": broker, **changes})


class Living:
    """A daemon whose loop runs in a thread of the test."""

    def __init__(self, daemon: Daemon) -> None:
        self.daemon = daemon
        self._asked_n = 0
        self.thread = threading.Thread(target=daemon.run, daemon=True)

    def ask(self, command: object) -> None:
        self._asked_n += 1
        self.daemon.inbox.put(
            CommandReceived(
                at_s=time.monotonic(),
                command=command,  # type: ignore[arg-type]
                command_id=f"t{self._asked_n}",
                source="test",
            )
        )

    def until(self, claim: Callable[[], bool]) -> None:
        end_s = time.monotonic() + BOUND_S
        while not claim():
            assert time.monotonic() < end_s, "it did not come to pass"
            time.sleep(0.005)

    def end(self) -> None:
        self.daemon.inbox.put(Ending(at_s=time.monotonic()))
        self.thread.join(BOUND_S)
        assert not self.thread.is_alive()


@pytest.fixture
def living(tmp_path: Path) -> Iterator[Living]:
    with ExitStack() as stack:
        alive = Living(Daemon(mocked(), state_dir=tmp_path, stack=stack))
        alive.thread.start()
        yield alive
        alive.end()


def test_a_move_closes_a_relay_and_a_halt_opens_it(living: Living) -> None:
    living.ask(NudgePulses(step_pulses=40))
    living.until(lambda: living.daemon.board.drive.running is not None)
    assert living.daemon.pilot.status().state is MotionState.WESTING
    living.daemon.board.drive.halt()
    living.ask(Halt())
    living.until(lambda: living.daemon.board.drive.running is None)
    living.until(lambda: living.daemon.pilot.status().state is MotionState.RESTING)
    living.ask(NudgePulses(step_pulses=-40))
    living.until(lambda: living.daemon.board.drive.running is not None)  # the latch is lifted


def test_without_a_saved_intention_no_relay_closes(
    living: Living, monkeypatch: pytest.MonkeyPatch
) -> None:
    write, tried = living.daemon.store.write, threading.Event()

    def full(order: Order) -> None:
        if isinstance(order, SaveIntention):
            tried.set()
            raise StoreError("the disk is full")
        write(order)

    monkeypatch.setattr(living.daemon.store, "write", full)
    closed: list[object] = []
    monkeypatch.setattr(living.daemon.board.drive, "run", lambda *a, **k: closed.append((a, k)))
    living.ask(NudgePulses(step_pulses=40))
    assert tried.wait(BOUND_S)
    living.until(lambda: living.daemon.pilot.status().state is MotionState.RESTING)
    assert closed == []


def test_a_drive_that_cannot_run_is_a_latched_fault(
    living: Living, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise DoorError("line 5 is gone")

    monkeypatch.setattr(living.daemon.board.drive, "run", broken)
    living.ask(NudgePulses(step_pulses=40))
    living.until(lambda: living.daemon.pilot.status().fault == "line 5 is gone")
    assert living.daemon.pilot.status().state is MotionState.FAULTED


def test_the_end_opens_the_relays_waits_for_standstill_and_remembers(tmp_path: Path) -> None:
    with ExitStack() as stack:
        alive = Living(Daemon(mocked(), state_dir=tmp_path, stack=stack))
        alive.thread.start()
        alive.ask(NudgePulses(step_pulses=40))
        alive.until(lambda: alive.daemon.board.drive.running is not None)
        alive.end()
        assert alive.daemon.board.drive.running is None
        assert alive.daemon.pilot.status().state is MotionState.RESTING
        record = alive.daemon.store.recall().count
        assert record is not None
        assert not record.moving


def test_a_hold_outlives_a_restart(tmp_path: Path) -> None:
    for held_before in (False, True):
        with ExitStack() as stack:
            alive = Living(Daemon(mocked(), state_dir=tmp_path, stack=stack))
            alive.thread.start()
            assert alive.daemon.pilot.status().held is held_before
            alive.ask(Hold(reason="greasing"))
            alive.until(lambda alive=alive: alive.daemon.pilot.status().held)  # type: ignore[misc]
            alive.end()


def test_a_second_daemon_on_the_same_folder_is_refused(living: Living, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"\d+"):
        run(mocked(), state_dir=tmp_path)
    assert living.thread.is_alive()


def test_the_folder_is_the_configured_one_then_the_services_then_the_users(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    assert state_dir_of(mocked()) == tmp_path / "home/arckeeper/tussock-downs"
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "service"))
    assert state_dir_of(mocked()) == tmp_path / "service"
    assert state_dir_of(mocked(state_dir=tmp_path / "own")) == tmp_path / "own"


def test_the_tape_says_how_far_apart_the_ends_are() -> None:
    known = pilot_settings(mocked())
    assert known.travel_pulses == pytest.approx(600 * 1.9)
    assert known.travel_tolerance_pulses == pytest.approx(114.0)  # a tenth, more than three sigmas
    assert known.satellites["Heron"] == 147.6


def test_a_damaged_store_is_told_to_everybody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "count.db").write_bytes(b"this was a database once" * 400)
    told: list[str] = []
    with ExitStack() as stack:
        alive = Living(Daemon(mocked(), state_dir=tmp_path, stack=stack))
        monkeypatch.setattr(alive.daemon.door, "notice", lambda notice: told.append(notice.text))
        alive.thread.start()
        alive.until(lambda: any("damaged" in text for text in told))
        assert alive.daemon.pilot.status().count_pulses is None
        alive.end()


def test_while_it_ends_nothing_new_is_begun(
    living: Living, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    monkeypatch.setattr(living.daemon.door, "answer", lambda answer: told.append(answer.text))
    living.ask(NudgePulses(step_pulses=40))
    living.until(lambda: living.daemon.board.drive.running is not None)
    living.daemon.inbox.put(Ending(at_s=time.monotonic()))
    living.ask(NudgePulses(step_pulses=-40))
    living.thread.join(BOUND_S)
    assert "the daemon is ending" in told
    assert living.daemon.board.drive.running is None
