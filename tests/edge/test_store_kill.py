"""A writer that is killed at any moment, and one whose card was slow."""

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from controller.core.counting import recall_count
from controller.edge.boots import mark_safe
from controller.edge.store import Store

ROOT = Path(__file__).resolve().parents[2]
RATE_PULSES_PER_S = 400.0  # thirty times a real actuator's, and saves thirty times as often
SAVE_S = 1 / 30
WEST_LIMIT = 1140

# Moves to and fro for ever. Each line that it prints was true before it was printed: the place of
# the rod, which goes on between two saves, and the intentions that it was told to be durable.
MOVER = f"""
import sys, time
from pathlib import Path
from controller.core.motion import Direction
from controller.core.orders import SaveCheckpoint, SaveIntention, SaveRest
from controller.edge.store import Store

def say(text):
    sys.stdout.write(text + "\\n")
    sys.stdout.flush()

store = Store(Path(sys.argv[1]))
place, goal = 100, 1000
say("ready")
while True:
    way = Direction.WEST if goal > place else Direction.EAST
    store.write(SaveIntention(count_pulses=place, doubt_pulses=0, direction=way, bound_pulses=goal))
    say("intention")
    saved_s = time.monotonic()
    while place != goal:
        time.sleep({1 / RATE_PULSES_PER_S})
        place += way.sign
        say(str(place))
        if time.monotonic() - saved_s >= {SAVE_S}:
            saved_s = time.monotonic()
            store.write(SaveCheckpoint(count_pulses=place, doubt_pulses=0))
    store.write(SaveRest(count_pulses=place, doubt_pulses=0, reed_closed=True))
    store.drain(10)
    say("rest")
    goal = 1100 - goal
"""


def killed_in_the_middle(path: Path, chance: random.Random) -> list[str]:
    """Let a mover run for a moment, kill it, and return all that it said."""
    mover = subprocess.Popen(
        [sys.executable, "-c", MOVER, str(path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert mover.stdout is not None
    with mover.stdout as said:
        assert said.readline() == "ready\n"
        time.sleep(chance.uniform(0.0, 0.5))
        mover.kill()
        words = said.read().split()
    assert mover.wait() == -signal.SIGKILL
    return words


@pytest.mark.parametrize("seed", range(20))
def test_count_after_a_kill_is_inside_its_doubt(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "count.db"
    words = killed_in_the_middle(path, random.Random(seed))
    mark_safe(path)  # what the service unit does whenever the daemon ends
    places = [int(word) for word in words if word.lstrip("-").isdigit()]
    place = places[-1] if places else 100
    with Store(path) as store:
        record = store.recall().count
        assert store.notices == ()
    if not words:
        assert record is None or record.count_pulses == 100
        return
    assert record is not None
    assert record.same_boot
    assert record.moving or record.count_pulses in {100, 1000}
    count, doubt = recall_count(
        record,
        rate_pulses_per_s=RATE_PULSES_PER_S,
        coast_pulses=1,  # the kill may fall between a step and the word about it
        save_period_s=SAVE_S,
        west_limit_pulses=WEST_LIMIT,
    )
    assert doubt is not None
    assert abs(place - count) <= doubt, (place, record)


def test_kill_during_a_start_leaves_a_file_that_opens(tmp_path: Path) -> None:
    for number in range(4):
        path = tmp_path / str(number) / "count.db"
        mover = subprocess.Popen(
            [sys.executable, "-c", MOVER, str(path)], cwd=ROOT, stdout=subprocess.DEVNULL
        )
        deadline_s = time.monotonic() + 20
        while not path.exists() and time.monotonic() < deadline_s:
            time.sleep(0.001)
        time.sleep(0.002 * number)
        mover.kill()
        mover.wait()
        with Store(path) as store:
            record = store.recall().count
            assert record is None or record.count_pulses >= 100
