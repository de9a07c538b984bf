"""The door to the broker when that comes, goes, freezes and forgets; on a real Mosquitto."""

import gc
import json
import logging
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from controller.core.commands import GotoSatellite
from controller.core.events import CommandReceived
from controller.core.motion import Direction, MotionState
from controller.core.orders import Answer, Outcome
from controller.edge.topics import TOPICS
from tests.edge.realbroker import ROOT, Loop, Onlooker, RealBroker, settings, until
from tests.edge.test_topics import BLANK, FULL

Look = Callable[..., Onlooker]
Begin = Callable[..., Loop]

ANSWER = f"{ROOT}/answer"
SIGNAL = {"topic": "receiver/level", "json_path": "tuner.snr_db"}


def answers(onlooker: Onlooker) -> list[dict[str, object]]:
    return [json.loads(payload) for payload in onlooker.of(ANSWER)]


def commands(loop: Loop) -> list[CommandReceived]:
    return [event for event in loop.heard() if isinstance(event, CommandReceived)]


def first_command(loop: Loop) -> CommandReceived:
    until(lambda: commands(loop), "a command arrives")
    return commands(loop)[0]


def test_closing_says_offline_and_last_words_arrive(
    broker: RealBroker, loop: Begin, onlooker: Look
) -> None:
    dish, watcher = loop(broker.port), onlooker(broker.port, f"{ROOT}/#")
    for n in range(50):
        dish.door.answer(Answer(command_id=f"n{n}", outcome=Outcome.STOPPED, text="ending"))
    dish.door.tell(FULL)
    dish.door.close()
    dish.door.close()
    until(lambda: watcher.last(f"{ROOT}/alive") == b"offline", "offline")
    assert len(answers(watcher)) == 50
    assert watcher.last(f"{ROOT}/status") is not None
    assert not dish.door.connected


@pytest.mark.parametrize("state", ["running", "absent", "frozen"])
def test_closing_returns_whatever_the_broker_does(
    broker: RealBroker, loop: Begin, state: str
) -> None:
    dish = loop(broker.port)
    if state == "absent":
        broker.stop()
    elif state == "frozen":
        broker.freeze()
    dish.door.tell(FULL)
    began_s = time.monotonic()
    dish.door.close(timeout_s=1.0)
    assert time.monotonic() - began_s < 10.0


def test_a_door_without_a_broker_waits_and_connects_when_there_is_one(
    tmp_path: Path, stack: ExitStack, caplog: pytest.LogCaptureFixture, broker: RealBroker
) -> None:
    broker.stop()
    dish = Loop(settings(broker.port))
    stack.callback(dish.door.close)
    with caplog.at_level(logging.INFO):
        dish.door.start()
        dish.door.tell(FULL)
        until(lambda: "Connection refused" in caplog.text, "the first try fails")
        assert not dish.door.connected
        broker.start()
        until(lambda: dish.door.connected, "connected")
    assert caplog.text.count("no connection to the broker") == 1


def test_everything_is_announced_again_to_a_broker_that_forgot(
    broker: RealBroker, loop: Begin, onlooker: Look
) -> None:
    dish = loop(broker.port)
    dish.door.tell(FULL)
    watcher = onlooker(broker.port, f"{ROOT}/#")
    until(lambda: watcher.last(f"{ROOT}/status"), "status")
    broker.stop()
    until(lambda: not dish.door.connected, "the loss is noticed")
    later = replace(FULL, count_pulses=777)
    dish.door.tell(later)
    broker.start()
    late = onlooker(broker.port, f"{ROOT}/#")
    until(lambda: late.last(f"{ROOT}/fact/count") == b"777", "the newest count")
    until(lambda: late.last(f"{ROOT}/alive") == b"online", "alive")
    wanted = {topic.name for topic in TOPICS if topic.retained}
    until(lambda: {f"{ROOT}/{name}" for name in wanted} <= {t for t, _, _ in late.seen}, "all")
    late.say(f"{ROOT}/ask/goto", "Heron")
    until(lambda: commands(dish), "commands arrive again")


def test_a_frozen_broker_costs_nothing_but_time(
    broker: RealBroker, loop: Begin, onlooker: Look
) -> None:
    dish = loop(broker.port)
    watcher = onlooker(broker.port, f"{ROOT}/#")
    moving = replace(BLANK, state=MotionState.WESTING, direction=Direction.WEST, count_pulses=0)
    dish.door.tell(moving)
    until(lambda: watcher.last(f"{ROOT}/status"), "status")
    broker.freeze()
    began_s = time.monotonic()
    for n in range(1000):
        dish.door.answer(Answer(command_id=f"n{n}", outcome=Outcome.STOPPED, text="frozen"))
        dish.door.tell(replace(moving, count_pulses=n + 1))
    assert time.monotonic() - began_s < 5.0  # the loop never waits for the network
    time.sleep(0.3)
    broker.thaw()
    until(lambda: watcher.last(f"{ROOT}/fact/count") == b"1000", "the newest count arrives")
    until(lambda: answers(watcher) and answers(watcher)[-1]["id"] == "n999", "the newest answer")
    counts = [int(payload) for payload in watcher.of(f"{ROOT}/fact/count")]
    assert counts == sorted(counts)  # never an old value after a new one
    assert len(answers(watcher)) <= 300


DOOR_PROGRAM = """
import sys, time
from tests.edge.realbroker import Loop, settings
dish = Loop(settings(int(sys.argv[1]))).start()
print("up", flush=True)
time.sleep(600)
"""


def test_the_broker_says_offline_for_a_door_that_was_killed(
    broker: RealBroker, onlooker: Look
) -> None:
    watcher = onlooker(broker.port, f"{ROOT}/alive")
    root = Path(__file__).resolve().parents[2]
    with subprocess.Popen(
        [sys.executable, "-c", DOOR_PROGRAM, str(broker.port)],
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(root)},
    ) as child:
        try:
            assert child.stdout is not None
            assert child.stdout.readline() == b"up\n"
            until(lambda: watcher.last(f"{ROOT}/alive") == b"online", "online")
        finally:
            child.send_signal(signal.SIGKILL)
    until(lambda: watcher.last(f"{ROOT}/alive") == b"offline", "offline")
    late = onlooker(broker.port, f"{ROOT}/alive")
    until(lambda: late.retained() == {f"{ROOT}/alive": b"offline"}, "offline is retained")


def test_a_message_that_breaks_the_reading_does_not_deafen_the_door(
    broker: RealBroker, loop: Begin, onlooker: Look, caplog: pytest.LogCaptureFixture
) -> None:
    dish, person = loop(broker.port), onlooker(broker.port)
    put = dish.door._put

    def broken(_event: object) -> None:
        raise RuntimeError("the inbox is gone")

    dish.door._put = broken
    person.say(f"{ROOT}/ask/goto", "Heron")
    until(lambda: "a message could not be taken" in caplog.text, "the failure is logged")
    dish.door._put = put
    person.say(f"{ROOT}/ask/goto", "Skua")
    assert first_command(dish).command == GotoSatellite(name="Skua")


def test_after_a_freeze_that_cost_the_connection_no_old_value_follows_a_new_one(
    broker: RealBroker, loop: Begin, onlooker: Look
) -> None:
    dish = loop(broker.port, broker={"keepalive_s": 5})
    moving = replace(BLANK, state=MotionState.WESTING, direction=Direction.WEST, count_pulses=0)
    dish.door.tell(moving)
    broker.freeze()
    for count_pulses in range(1, 2000):
        dish.door.tell(replace(moving, count_pulses=count_pulses))
        if not dish.door.connected:
            break
        time.sleep(0.02)
    assert not dish.door.connected
    dish.door.tell(replace(moving, count_pulses=99_999))
    broker.thaw()
    until(lambda: dish.door.connected, "connected again")
    late = onlooker(broker.port, f"{ROOT}/#")
    until(lambda: late.last(f"{ROOT}/fact/count") == b"99999", "the newest count")
    late.say("end", b"")
    assert late.last(f"{ROOT}/fact/count") == b"99999"


# The thread is meant to end so, and the library leaves its sockets to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_connection_whose_thread_has_ended_is_taken_up_again(
    broker: RealBroker, loop: Begin, onlooker: Look
) -> None:
    dish, person = loop(broker.port), onlooker(broker.port)
    client = dish.door._link._client
    usual = client.on_message

    def broken(*_everything: object) -> None:
        raise RuntimeError("what the library does not catch")

    client.on_message = broken
    person.say(f"{ROOT}/ask/goto", "Heron")
    until(lambda: client._thread is None, "the thread has ended")
    client.on_message = usual
    person.say(f"{ROOT}/ask/goto", "Skua")
    skua = GotoSatellite(name="Skua")
    until(lambda: skua in [event.command for event in commands(dish)], "commands arrive again")
    dish.door.close()
    gc.collect()
