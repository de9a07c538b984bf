"""A real Mosquitto on a free port of loopback, a door on it, and a plain client to look on."""

import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from controller.config import Settings
from controller.core.commands import Halt
from controller.core.events import CommandReceived, CommandUnreadable, Event
from controller.core.orders import Answer, Outcome
from controller.core.status import Status
from controller.edge.brokerkeys import Endpoint
from controller.edge.mosquitto import mosquitto_program
from controller.edge.mqtt import MqttDoor
from controller.edge.mqttlink import Link

PATIENCE_S = 20.0  # machines under test are busy; waiting ends as soon as the thing happens

BASE, DISH = "yard", "big-dish"
ROOT = f"{BASE}/{DISH}"

SATELLITES = [{"name": "Heron", "slot_deg": 147.6}, {"name": "Skua", "slot_deg": -147.3}]


def settings(port: int = 1883, **sections: Any) -> Settings:
    broker = {"host": "127.0.0.1", "port": port, "base_topic": BASE}
    return Settings.model_validate(
        {
            "site": {"name": "Tussock Downs", "latitude_deg": -45.1, "longitude_deg": 169.4},
            "dish": {"name": DISH, "diameter_m": 3.0},
            "actuator": {
                "side": "west",
                "dish_arm_mm": {"value": 465, "sigma": 3},
                "mast_arm_mm": {"value": 505, "sigma": 3},
                "retracted_mm": {"value": 325, "sigma": 3},
                "stroke_mm": {"value": 600, "sigma": 3},
                "pulses_per_mm": {"value": 1.9, "sigma": 0.02},
            },
            "sensor": {"pin": 17},
            "pins": {"drive": {"kind": "two-relays", "east_pin": 5, "west_pin": 6}},
            "satellites": SATELLITES,
            **sections,
            "broker": {**broker, **sections.get("broker", {})},
        }
    )


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(claim: Callable[[], Any], what: str) -> Any:
    """Wait for something to become true and return it."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        if found := claim():
            return found
        time.sleep(0.005)
    raise AssertionError(f"waited {PATIENCE_S:g} s in vain: {what}")


def installed_mosquitto() -> Path:
    program = mosquitto_program()
    if program is None:
        pytest.fail("these tests need the real Mosquitto: apt install mosquitto")
    return program


class RealBroker:
    """Mosquitto as its own users start it, not as our program does."""

    def __init__(self, directory: Path, *, port: int | None = None, conf: str = "") -> None:
        self.port = port or free_port()
        self._conf = directory / f"mosquitto-{self.port}.conf"
        standard = f"listener {self.port} 127.0.0.1\nallow_anonymous true\n"
        self._conf.write_text((conf or standard) + "user root\n")
        self._child: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        self._child = subprocess.Popen(
            [installed_mosquitto(), "-c", self._conf],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        until(self._answers, "Mosquitto listens")

    def _answers(self) -> bool:
        assert self._child is not None
        if self._child.poll() is not None and self._child.stderr is not None:
            pytest.fail(f"Mosquitto ended: {self._child.stderr.read().decode()}")
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
        except OSError:
            return False
        return True

    def freeze(self) -> None:
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def _signal(self, number: signal.Signals) -> None:
        assert self._child is not None
        self._child.send_signal(number)

    def kill(self) -> None:
        self._signal(signal.SIGKILL)

    def stop(self) -> None:
        if self._child is None:
            return
        self.thaw()
        self._child.terminate()
        self._child.wait(PATIENCE_S)
        if self._child.stderr is not None:
            self._child.stderr.close()
        self._child = None


class Onlooker:
    """A client that notes everything on the given topics, and may speak."""

    def __init__(self, endpoint: Endpoint | int, topics: Sequence[str] = ("#",)) -> None:
        if isinstance(endpoint, int):
            endpoint = Endpoint(host="127.0.0.1", port=endpoint)
        self.seen: list[tuple[str, bytes, bool]] = []
        self.acknowledged: set[int] = set()
        self.downs: list[str] = []
        self._link = Link(endpoint, self, subscriptions=topics)
        self._link.start()

    def ready(self) -> "Onlooker":
        until(lambda: self._link.is_up, "the onlooker is connected")
        return self

    def link_up(self) -> None: ...

    def link_down(self, reason: str) -> None:
        self.downs.append(reason)

    def link_acknowledged(self, mid: int) -> None:
        self.acknowledged.add(mid)

    def link_message(self, topic: str, payload: bytes, *, retained: bool) -> None:
        self.seen.append((topic, payload, retained))

    def say(self, topic: str, payload: bytes | str, *, retained: bool = False) -> None:
        data = payload.encode() if isinstance(payload, str) else payload
        mid = self._link.publish(topic, data, retained=retained)
        until(lambda: mid in self.acknowledged, f"the broker takes {topic}")

    def throw(self, topic: str, payload: bytes) -> None:
        """Say something and do not wait."""
        self._link.publish(topic, payload)

    def of(self, topic: str) -> list[bytes]:
        return [payload for seen, payload, _ in list(self.seen) if seen == topic]

    def last(self, topic: str) -> bytes | None:
        payloads = self.of(topic)
        return payloads[-1] if payloads else None

    def retained(self) -> dict[str, bytes]:
        """Return what the broker had kept when this client came."""
        return {topic: payload for topic, payload, kept in list(self.seen) if kept}

    def close(self) -> None:
        self._link.close()


class Loop:
    """The daemon's loop in small: obeys nothing, answers everything."""

    def __init__(self, door_settings: Settings) -> None:
        self.events: list[Event] = []
        self.halted_s: list[float] = []
        self.answers = True
        self.door = MqttDoor(
            door_settings,
            put=self.put,
            halt=lambda: self.halted_s.append(time.monotonic()),
            now_utc=time.time,
            monotonic=time.monotonic,
        )

    def start(self) -> "Loop":
        self.door.start()
        until(lambda: self.door.connected, "the door is connected")
        return self

    def put(self, event: Event) -> None:
        self.events.append(event)
        if not self.answers:
            return
        if isinstance(event, CommandUnreadable):
            self._answer(event.command_id, Outcome.REFUSED, event.reason)
        elif isinstance(event, CommandReceived):
            self._answer(event.command_id, Outcome.ACCEPTED, f"{event.command}")
            if isinstance(event.command, Halt):
                self._answer(event.command_id, Outcome.ARRIVED, "halted")

    def _answer(self, command_id: str, outcome: Outcome, text: str) -> None:
        self.door.answer(Answer(command_id=command_id, outcome=outcome, text=text))

    def heard(self) -> list[Event]:
        return list(self.events)

    def tell_often(self, statuses: Sequence[Status], *, every_s: float) -> threading.Thread:
        def speak() -> None:
            for status in statuses:
                self.door.tell(status)
                time.sleep(every_s)

        thread = threading.Thread(target=speak, daemon=True)
        thread.start()
        return thread
