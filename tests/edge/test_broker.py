"""The broker that is started when none is configured."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import pytest

from controller.core.commands import GotoSatellite
from controller.core.events import CommandReceived
from controller.edge import broker as broker_module
from controller.edge.broker import EmbeddedBroker, RunningBroker, ensure_broker
from controller.edge.mosquitto import MosquittoChild, mosquitto_program
from controller.errors import DoorError
from tests.edge.realbroker import ROOT, Loop, Onlooker, free_port, settings, until
from tests.edge.test_topics import FULL

Look = Callable[..., Onlooker]
Begin = Callable[..., Loop]
Own = Callable[[int], RunningBroker]


@pytest.fixture(params=["mosquitto", "amqtt"])
def own(request: pytest.FixtureRequest, tmp_path: Path, stack: ExitStack,
        monkeypatch: pytest.MonkeyPatch) -> Own:  # fmt: skip
    def begin(port: int) -> RunningBroker:
        if request.param == "amqtt":
            monkeypatch.setattr(broker_module, "mosquitto_program", lambda: None)
        running = ensure_broker(
            settings(broker={"host": None, "port": port}).broker, directory=tmp_path
        )
        assert running.kind == request.param
        stack.callback(running.close)
        return running

    return begin


def is_taken(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def test_a_configured_broker_is_left_alone(tmp_path: Path) -> None:
    running = ensure_broker(settings(1234).broker, directory=tmp_path)
    assert (running.kind, running.host, running.port) == ("configured", "127.0.0.1", 1234)
    running.close()
    assert list(tmp_path.iterdir()) == []


def test_a_broker_of_our_own_serves_the_door(
    own: Own, stack: ExitStack, onlooker: Look, caplog: pytest.LogCaptureFixture
) -> None:
    running = own(0)
    dish = Loop(settings(running.port))
    stack.callback(dish.door.close)
    dish.start().door.tell(FULL)
    person = onlooker(running.port, f"{ROOT}/#")
    until(lambda: person.last(f"{ROOT}/fact/count") == b"512", "the status arrives")
    person.say(f"{ROOT}/ask/goto", "Heron")
    until(dish.heard, "the command arrives")
    event = dish.heard()[0]
    assert isinstance(event, CommandReceived)
    assert event.command == GotoSatellite(name="Heron")
    until(lambda: person.last(f"{ROOT}/answer"), "the answer arrives")
    dish.door.close()
    until(lambda: person.last(f"{ROOT}/alive") == b"offline", "offline")
    assert not [record for record in caplog.records if record.levelname == "ERROR"]


def test_it_listens_on_loopback_only(own: Own) -> None:
    port = own(0).port
    listening = subprocess.run(
        ["python3", "-c", "print(open('/proc/net/tcp').read(), open('/proc/net/tcp6').read())"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    # proc(5): local address in hexadecimal, host byte order; state 0A is LISTEN.
    rows = [line.split() for line in listening.splitlines() if f":{port:04X} " in line]
    assert [row[1] for row in rows if row[3] == "0A"] == [f"0100007F:{port:04X}"]


def test_it_takes_the_configured_port_and_gives_it_back(own: Own) -> None:
    port = free_port()
    running = own(port)
    assert running.port == port
    assert is_taken(port)
    running.close()
    running.close()
    assert not is_taken(port)


def test_a_port_that_somebody_has_is_named(own: Own) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(DoorError) as caught:
            own(port)
    assert f"port {port} of 127.0.0.1 cannot be had" in str(caught.value)
    assert "broker.host: 127.0.0.1" in str(caught.value)
    assert "broker.port, or 0 for any free one" in str(caught.value)


def test_without_any_broker_both_ways_to_get_one_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broker_module, "mosquitto_program", lambda: None)
    monkeypatch.setattr(EmbeddedBroker, "is_installed", lambda: False)
    with pytest.raises(DoorError) as caught:
        ensure_broker(settings(broker={"host": None}).broker, directory=tmp_path)
    for way in ("broker.host", "apt install mosquitto", "pip install 'arckeeper[broker]'"):
        assert way in str(caught.value)


def test_mosquitto_is_found_where_a_user_does_not_look(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = mosquitto_program()
    assert usual is not None, "these tests need the real Mosquitto: apt install mosquitto"
    monkeypatch.setenv("PATH", "/nowhere")
    assert mosquitto_program() is not None


def test_a_program_that_does_not_start_is_told_with_its_last_words(tmp_path: Path) -> None:
    program = tmp_path / "mosquitto"
    program.write_text("#!/bin/sh\necho first >&2\necho no such option >&2\nexit 3\n")
    program.chmod(0o755)
    with pytest.raises(DoorError, match="does not start: no such option"):
        MosquittoChild(program, port=0, directory=tmp_path)


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    program = mosquitto_program()
    assert program is not None
    with pytest.raises(DoorError, match="No such file or directory"):
        MosquittoChild(program, port=0, directory=tmp_path / "none")


def test_a_private_broker_that_dies_is_started_again(
    tmp_path: Path, stack: ExitStack, onlooker: Look
) -> None:
    program = mosquitto_program()
    assert program is not None
    running = MosquittoChild(program, port=0, directory=tmp_path)
    stack.callback(running.close)
    dish = Loop(settings(running.port))
    stack.callback(dish.door.close)
    dish.start().door.tell(FULL)
    first_pid = running.pid
    assert first_pid is not None
    os.kill(first_pid, signal.SIGKILL)
    until(lambda: running.pid not in (None, first_pid), "another child runs")
    until(lambda: is_taken(running.port), "on the same port")
    late = onlooker(running.port, f"{ROOT}/#")
    until(lambda: late.last(f"{ROOT}/fact/count") == b"512", "the door is back too")


OWNER_PROGRAM = """
import sys, time
from pathlib import Path
from controller.edge.mosquitto import MosquittoChild, mosquitto_program
running = MosquittoChild(mosquitto_program(), port=0, directory=Path(sys.argv[1]))
print(running.port, running.pid, flush=True)
time.sleep(600)
"""


def test_a_private_broker_ends_with_its_owner_even_if_that_is_killed(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parents[2]
    with subprocess.Popen(
        [sys.executable, "-c", OWNER_PROGRAM, str(tmp_path)],
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(root)},
    ) as owner:
        try:
            assert owner.stdout is not None
            port, _ = (int(word) for word in owner.stdout.readline().split())
            assert is_taken(port)
        finally:
            owner.send_signal(signal.SIGKILL)
    until(lambda: not is_taken(port), "the broker has ended")


def test_closing_while_it_is_being_started_again_leaves_nothing(tmp_path: Path) -> None:
    program = mosquitto_program()
    assert program is not None
    for delay_s in (0.0, 0.1, 0.2, 0.25):
        running = MosquittoChild(program, port=0, directory=tmp_path)
        assert running.pid is not None
        os.kill(running.pid, signal.SIGKILL)
        time.sleep(delay_s)
        running.close()
        assert running.pid is None
        assert not is_taken(running.port)
