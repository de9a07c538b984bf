import json
import os
import shutil
import socket
import subprocess
from collections.abc import Iterator
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from controller.bench.link import Link
from tests.bench.conftest import Start
from tests.bench.waiting import wait_until

TOPIC = "house/receiver"


@pytest.fixture
def broker() -> Iterator[str]:
    """Return the address of a Mosquitto of our own."""
    program = shutil.which("mosquitto", path=f"{os.environ['PATH']}:/usr/sbin")
    assert program is not None, "Mosquitto is not installed; tests/run installs it"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with subprocess.Popen([program, "-p", str(port)], stderr=subprocess.DEVNULL) as child:
        yield f"127.0.0.1:{port}"
        child.terminate()


class Listener:
    """A subscriber that keeps what it hears."""

    def __init__(self, broker: str) -> None:
        host, _, port = broker.partition(":")
        self.heard: list[bytes] = []
        self._client: Any = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe(TOPIC)
        self._client.on_message = lambda _c, _u, message: self.heard.append(bytes(message.payload))
        self._client.reconnect_delay_set(1, 1)
        self._client.connect_async(host, int(port))
        self._client.loop_start()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def listener(broker: str) -> Iterator[Listener]:
    made = Listener(broker)
    yield made
    made.close()


def test_level_comes_several_times_a_second_and_follows_the_dish(
    start: Start, broker: str, listener: Listener
) -> None:
    yard = start(broker=broker, signal_topic=TOPIC, speed_mm_per_s=40.0)
    wait_until(lambda: len(listener.heard) >= 4)
    at_rest = [float(payload) for payload in listener.heard]
    assert max(at_rest) - min(at_rest) < 2.0  # noise and a little wind
    assert at_rest[-1] == pytest.approx(yard.signal_db(), abs=2.0)
    link = Link(yard.path)
    link.ask("output", pin=6, level=1.0)
    count = yard.truth().count_pulses
    wait_until(lambda: yard.truth().count_pulses > count + 120)
    link.ask("output", pin=6, level=0.0)
    link.close()
    levels = [float(payload) for payload in listener.heard]
    assert max(levels) - min(levels) > 3.0  # the dish has swept over a satellite


def test_level_may_come_in_a_json_object(start: Start, broker: str, listener: Listener) -> None:
    start(broker=broker, signal_topic=TOPIC, signal_json="cnr_db")
    wait_until(lambda: len(listener.heard) >= 2)
    assert set(json.loads(listener.heard[-1])) == {"cnr_db"}


def test_yard_without_a_broker_at_first_runs_all_the_same(start: Start) -> None:
    yard = start(broker="127.0.0.1:9", signal_topic=TOPIC)
    assert not yard.truth().moving
