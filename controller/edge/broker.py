"""The broker: the configured one, else a private Mosquitto, else one inside this program."""

import asyncio
import logging
import threading
from pathlib import Path
from typing import Any, Protocol

from controller.config import Broker
from controller.edge.mosquitto import (
    LOOPBACK,
    START_S,
    MosquittoChild,
    check_free,
    free_port,
    mosquitto_program,
)
from controller.errors import DoorError


class RunningBroker(Protocol):
    """A broker that clients can connect to."""

    @property
    def host(self) -> str:
        """Return where it listens."""

    @property
    def port(self) -> int:
        """Return the port on which it listens."""

    @property
    def kind(self) -> str:
        """Return `configured`, `mosquitto` or `amqtt`."""

    def close(self) -> None:
        """End it if it is ours; may be called twice."""


def ensure_broker(broker: Broker, *, directory: Path) -> RunningBroker:
    """Return a broker to connect to, starting a private one where none is configured.

    `directory` takes the private broker's settings. Raise `DoorError` when none can be had.
    """
    if broker.host is not None:
        return ConfiguredBroker(broker.host, broker.port)
    program = mosquitto_program()
    if program is not None:
        return MosquittoChild(program, port=broker.port, directory=directory)
    if EmbeddedBroker.is_installed():
        return EmbeddedBroker(port=broker.port)
    raise DoorError(
        "there is no MQTT broker: set broker.host to one that runs in your network, or install "
        "one for this machine alone, either Mosquitto (apt install mosquitto) or the one that "
        "comes with pip install 'arckeeper[broker]'"
    )


class ConfiguredBroker:
    """A broker that somebody else runs."""

    kind = "configured"

    def __init__(self, host: str, port: int) -> None:
        self.host = host
        self.port = port

    def close(self) -> None:
        """Leave it alone."""


class EmbeddedBroker:
    """A small broker in a thread of this program; good for loopback, not for a network."""

    kind = "amqtt"
    host = LOOPBACK

    def __init__(self, *, port: int) -> None:
        self.port = port or free_port()
        check_free(self.port)
        self._loop = asyncio.new_event_loop()
        self._started = threading.Event()
        self._failure: BaseException | None = None
        self._closing: asyncio.Event | None = None
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)
        self._thread.start()
        if not self._started.wait(START_S) or self._failure is not None:
            raise DoorError(
                f"the embedded broker does not start on port {self.port}: {self._failure}"
            )

    @staticmethod
    def is_installed() -> bool:
        """Say whether the optional library is there."""
        try:
            import amqtt.broker  # noqa: F401, PLC0415  slow, and an extra
        except ImportError:
            return False
        return True

    def close(self) -> None:
        """End the broker and its thread."""
        if self._closing is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._closing.set)
        self._thread.join(START_S)

    def _run(self) -> None:
        try:
            self._loop.run_until_complete(self._serve())
        except BaseException as error:
            self._failure = error
        finally:
            self._started.set()
            self._loop.close()

    async def _serve(self) -> None:
        for name in ("amqtt", "transitions"):  # every dropped socket is an error to them
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self._closing = asyncio.Event()
        broker = _amqtt(self.port, self._loop)
        await broker.start()
        self._started.set()
        await self._closing.wait()
        await broker.shutdown()
        await _end_other_tasks()


async def _end_other_tasks() -> None:
    # The library leaves the tasks of clients that never said who they are.
    others = asyncio.all_tasks() - {asyncio.current_task()}
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
    await asyncio.sleep(0.05)  # transports close in the loop's next rounds


def _amqtt(port: int, loop: asyncio.AbstractEventLoop) -> Any:
    from amqtt.broker import Broker as Amqtt  # noqa: PLC0415  slow, and an extra

    class Tidy(Amqtt):  # type: ignore[misc]  # the library has no types
        """The library's broker, which leaves the sockets of silent clients open for ever."""

        async def stream_connected(
            self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
        ) -> None:
            try:
                await super().stream_connected(reader, writer, listener_name)
            finally:
                writer.close()

    anonymous = "amqtt.plugins.authentication.AnonymousAuthPlugin"
    conf = {
        "listeners": {"default": {"type": "tcp", "bind": f"{LOOPBACK}:{port}"}},
        "plugins": {anonymous: {"allow_anonymous": True}},
    }
    return Tidy(conf, loop=loop)
