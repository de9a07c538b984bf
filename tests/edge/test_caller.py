"""Asking a dish from the command line."""

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from controller.core.commands import GotoSatellite, Halt, Park
from controller.core.events import CommandReceived, CommandUnreadable, Event
from controller.core.motion import Direction, MotionState
from controller.core.orders import Answer, Notice, Outcome, Severity
from controller.edge.caller import Caller
from controller.errors import DoorError
from tests.edge.realbroker import BASE, DISH, ROOT, Loop, Onlooker, RealBroker, free_port, until
from tests.edge.test_topics import BLANK, FULL

Look = Callable[..., Onlooker]
Begin = Callable[..., Loop]
MOVING = replace(BLANK, state=MotionState.WESTING, direction=Direction.WEST, count_pulses=0)


def caller_to(port: int, dish: str = DISH) -> Caller:
    return Caller(host="127.0.0.1", port=port, base=BASE, dish=dish)


@pytest.fixture
def dish(broker: RealBroker, loop: Begin) -> Loop:
    return loop(broker.port)


@pytest.fixture
def caller(broker: RealBroker, dish: Loop, stack: ExitStack) -> Caller:
    return stack.enter_context(caller_to(broker.port))


def let_move(dish: Loop, end: Outcome, *, pulses: int = 5) -> None:
    """Let the loop carry a goto out, telling the count on the way."""
    usual = dish.put

    def move(command_id: str) -> None:
        for count in range(pulses):
            dish.door.tell(replace(MOVING, count_pulses=count))
            time.sleep(0.12)
        dish.door.answer(Answer(command_id=command_id, outcome=end, text="the end"))

    def put(event: Event) -> None:
        usual(event)
        if isinstance(event, CommandReceived) and isinstance(event.command, GotoSatellite):
            threading.Thread(target=move, args=(event.command_id,), daemon=True).start()

    dish.door._put = put


def test_the_status_is_the_one_that_was_told_last(dish: Loop, caller: Caller) -> None:
    dish.door.tell(FULL)
    status = caller.status()
    assert {key: status[key] for key in FULL.as_json()} == FULL.as_json()
    assert status["schema"] == 1
    assert caller.alive
    dish.door.tell(replace(FULL, count_pulses=513))
    until(lambda: caller.status()["count_pulses"] == 513, "the newer status")


@pytest.mark.parametrize("end", [Outcome.ARRIVED, Outcome.STOPPED])
def test_a_move_is_answered_twice(dish: Loop, caller: Caller, end: Outcome) -> None:
    let_move(dish, end)
    answers = list(caller.ask({"do": "goto", "satellite": "Heron"}))
    assert [said["outcome"] for said in answers] == ["accepted", end.value]
    assert answers[0]["id"] == answers[1]["id"]
    event = dish.heard()[0]
    assert isinstance(event, CommandReceived)
    assert event.age_s is not None
    assert abs(event.age_s) < 60


def test_a_refused_command_is_answered_once(dish: Loop, caller: Caller) -> None:
    answers = list(caller.ask({"do": "goto", "satelite": "Heron"}))
    assert [said["outcome"] for said in answers] == ["refused"]
    assert "did you mean satellite?" in answers[0]["text"]
    assert isinstance(dish.heard()[0], CommandUnreadable)


def test_own_keys_are_not_overwritten(dish: Loop, caller: Caller) -> None:
    first = next(caller.ask({"do": "park", "id": "mine", "sent_utc": "2031-05-04T12:00:00Z"}))
    assert first["id"] == "mine"
    event = dish.heard()[0]
    assert isinstance(event, CommandReceived)
    assert event.command == Park()
    assert event.age_s is not None
    assert abs(event.age_s) > 1000


def test_answers_to_others_are_passed_over(
    dish: Loop, caller: Caller, broker: RealBroker, onlooker: Look
) -> None:
    let_move(dish, Outcome.ARRIVED)
    following = caller.ask({"do": "goto", "satellite": "Heron", "id": "mine"})
    next(following)
    onlooker(broker.port, "nothing").say(f"{ROOT}/ask", '{"do":"goto","slot":"1","id":"other"}')
    assert {said["id"] for said in following} == {"mine"}
    assert len(dish.heard()) == 2


def test_a_move_can_be_followed_on_the_way(dish: Loop, caller: Caller) -> None:
    let_move(dish, Outcome.ARRIVED)
    dish.door.notice(Notice(severity=Severity.NOTE, text="a note"))
    heard = list(caller.follow({"do": "goto", "satellite": "Heron"}))
    assert heard[-1][0] == "answer"
    assert heard[-1][1]["outcome"] == "arrived"
    counts = [said["count_pulses"] for kind, said in heard if kind == "status"]
    assert len(counts) >= 2
    assert counts == sorted(counts)
    assert [said["text"] for kind, said in heard if kind == "notice"] == ["a note"]


def test_watching_yields_each_status(dish: Loop, caller: Caller) -> None:
    dish.door.tell(MOVING)
    caller.status()
    watching = caller.watch(timeout_s=20.0)
    assert next(watching)["count_pulses"] == 0
    dish.door.tell(replace(MOVING, count_pulses=1))
    assert next(watching)["count_pulses"] == 1
    assert list(caller.watch(timeout_s=0.1))[0]["count_pulses"] == 1  # noqa: RUF015


def test_a_halt_opens_the_relays(dish: Loop, caller: Caller) -> None:
    assert caller.halt()["outcome"] == "accepted"
    assert dish.halted_s
    event = dish.heard()[0]
    assert isinstance(event, CommandReceived)
    assert event.command == Halt()


def test_a_halt_passes_while_a_move_is_followed(dish: Loop, caller: Caller) -> None:
    let_move(dish, Outcome.STOPPED)
    following = caller.follow({"do": "goto", "satellite": "Heron"})
    next(following)
    del following  # as Ctrl-C leaves it
    assert caller.halt()["outcome"] == "accepted"
    assert dish.halted_s


def test_no_broker_is_told_at_once() -> None:
    port = free_port()
    began_s = time.monotonic()
    with pytest.raises(DoorError) as caught, caller_to(port):
        pass
    assert f"no connection to the broker at 127.0.0.1:{port}: Connection refused" in str(
        caught.value
    )
    assert "does the daemon run" in str(caught.value)
    assert time.monotonic() - began_s < 4.0


def test_a_dish_that_nobody_knows_is_told(broker: RealBroker, dish: Loop) -> None:
    with caller_to(broker.port, dish="small-dish") as caller:
        with pytest.raises(DoorError, match="has never heard of dish 'small-dish' under 'yard'"):
            caller.status(timeout_s=0.2)
        with pytest.raises(DoorError, match=r"no answer came within 0.2 s: the broker"):
            next(caller.ask("park", timeout_s=0.2))
        assert caller.alive is None


def test_a_daemon_that_hangs_is_told(dish: Loop, caller: Caller) -> None:
    dish.answers = False
    with pytest.raises(DoorError, match=r"no answer came within 0.2 s, although the daemon of"):
        list(caller.ask("park", timeout_s=0.2))


def test_a_daemon_that_is_not_there_is_told(broker: RealBroker, dish: Loop) -> None:
    dish.door.tell(FULL)
    with caller_to(broker.port) as caller:
        caller.status()
        dish.door.close()
        until(lambda: caller.status() and caller.alive is False, "offline")
    with caller_to(broker.port) as caller:
        assert caller.status()["count_pulses"] == 512  # the last that was known
        with pytest.raises(DoorError, match="is offline; start it with: arckeeper run"):
            list(caller.ask("park"))


def test_a_daemon_that_goes_away_in_mid_move_is_told(dish: Loop, caller: Caller) -> None:
    let_move(dish, Outcome.ARRIVED, pulses=50)
    following = caller.ask({"do": "goto", "satellite": "Heron"})
    assert next(following)["outcome"] == "accepted"
    dish.door.close()
    with pytest.raises(DoorError, match="the daemon of dish 'big-dish' went offline; whether"):
        list(following)


def test_a_broker_that_goes_away_in_mid_move_is_told(
    broker: RealBroker, dish: Loop, caller: Caller
) -> None:
    let_move(dish, Outcome.ARRIVED, pulses=50)
    following = caller.ask({"do": "goto", "satellite": "Heron"})
    assert next(following)["outcome"] == "accepted"
    broker.kill()
    with pytest.raises(DoorError, match="whether the command was carried out is not known"):
        list(following)


@pytest.mark.parametrize("payload", [b"", b"{", b"[]", b"\xff", b"[" * 50_000])
def test_what_is_no_report_is_passed_over(
    broker: RealBroker, dish: Loop, caller: Caller, onlooker: Look, payload: bytes
) -> None:
    stranger = onlooker(broker.port, "nothing")
    for name in ("status", "answer", "notice"):
        stranger.say(f"{ROOT}/{name}", payload)
    dish.door.tell(FULL)
    assert caller.status()["count_pulses"] == 512
    assert caller.halt()["outcome"] == "accepted"


STATUS_PROGRAM = """
import sys, time
began_s = time.monotonic()
from controller.edge.caller import Caller
with Caller(host="127.0.0.1", port=int(sys.argv[1]), base="yard", dish="big-dish") as caller:
    assert caller.status()["count_pulses"] == 512
    print(time.monotonic() - began_s)
print(*sorted({name.split(".")[0] for name in sys.modules}))
"""


def test_a_status_costs_no_heavy_library(
    broker: RealBroker, dish: Loop, record_property: Callable[[str, object], None]
) -> None:
    dish.door.tell(FULL)
    root = Path(__file__).resolve().parents[2]
    ran = subprocess.run(
        [sys.executable, "-c", STATUS_PROGRAM, str(broker.port)],
        cwd=root, capture_output=True, text=True, check=True,
    )  # fmt: skip
    took_s, modules = ran.stdout.splitlines()
    assert not {"numpy", "pydantic", "yaml", "rich", "gpiozero"} & set(modules.split())
    record_property("status_s", float(took_s))
