"""One connection to a broker that never gives up; the only place for paho.

Rule 1: MQTT 3.1.1, so that every broker serves.
Rule 2: a callback never raises: paho's thread would end and still look connected.
Rule 3: the connection is up when the subscriptions are acknowledged, not before.
Rule 4: whatever arrives is acknowledged to the kernel at once. A broker as installed holds its
        next message back until then (Nagle), and the kernel would wait 40 ms: a halt to a dish
        that tells its count took 14 ms in the median and 45 at worst, measured with
        Mosquitto 2.0.11 on loopback.
"""

import contextlib
import logging
import socket
import sys
import threading
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from controller.edge.brokerkeys import Endpoint, check, password, tls_context

LOG = logging.getLogger(__name__)

RECONNECT_MIN_S: Final = 1
RECONNECT_MAX_S: Final = 10  # the library's own 120 s would leave a dish unheard for minutes
CONNECT_TIMEOUT_S: Final = 5.0
QUICKACK: Final[int | None] = getattr(socket, "TCP_QUICKACK", None)  # Linux only
QUEUE_MAX: Final = 500  # messages inside the library; the outbox keeps it far below


class Listener(Protocol):
    """What a connection tells, in the thread of the connection; must be quick."""

    def link_up(self) -> None:
        """Tell that messages flow both ways."""

    def link_down(self, reason: str) -> None:
        """Tell that they no longer do, or that another try has failed."""

    def link_message(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """Tell what arrived; `retained` is True for a copy that the broker kept."""

    def link_acknowledged(self, mid: int) -> None:
        """Tell that the broker has a message."""


@dataclass(frozen=True, kw_only=True)
class Will:
    """What the broker says for us, retained, when we are gone without a word."""

    topic: str
    payload: bytes


class Link:
    """A connection that subscribes by itself whenever it comes up."""

    def __init__(
        self,
        endpoint: Endpoint,
        listener: Listener,
        *,
        subscriptions: Sequence[str],
        will: Will | None = None,
    ) -> None:
        self._endpoint = endpoint
        self._listener = listener
        self._subscriptions = [(topic, 1) for topic in subscriptions]
        self._up = threading.Event()
        self._closing = False
        self._client = _client(endpoint, will)
        self._client.on_socket_open = _send_at_once
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_disconnect = self._on_disconnect
        self._client.on_connect_fail = self._on_connect_fail
        self._client.on_message = self._on_message
        self._client.on_publish = self._on_publish

    @property
    def is_up(self) -> bool:
        """Say whether messages flow both ways, as far as the connection knows."""
        return self._up.is_set()

    def start(self) -> None:
        """Begin to connect, and return at once whether or not there is a broker."""
        self._client.connect_async(
            self._endpoint.host, self._endpoint.port, self._endpoint.keepalive_s
        )
        self.revive()

    def revive(self) -> None:
        """Start the connection's thread again if anything has ended it."""
        if not self._closing:
            self._client.loop_start()

    def publish(self, topic: str, payload: bytes, *, retained: bool = False) -> int | None:
        """Hand over a message (QoS 1) and return its id, None if it was not taken."""
        taken = self._client.publish(topic, payload, qos=1, retain=retained)
        refused = taken.rc not in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_NO_CONN)
        return None if refused else taken.mid

    def close(self, timeout_s: float = 2.0) -> None:
        """Disconnect; may be called twice, and returns in time even from a frozen broker."""
        self._closing = True
        self._client.disconnect()
        self._stop_loop(timeout_s / 2)
        self._break_off()
        self._stop_loop(timeout_s / 2)
        self._up.clear()

    def _stop_loop(self, timeout_s: float) -> None:
        # The library waits without end for its thread, so somebody else waits for it.
        waiter = threading.Thread(target=self._client.loop_stop, daemon=True)
        waiter.start()
        waiter.join(timeout_s)

    def _break_off(self) -> None:
        open_socket: Any = self._client.socket()
        if open_socket is not None:
            with contextlib.suppress(OSError):
                open_socket.shutdown(socket.SHUT_RDWR)

    def _on_connect(
        self,
        client: paho.Client,
        _userdata: Any,
        _flags: paho.ConnectFlags,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if code.is_failure:
            self._tell_down(f"the broker at {self._endpoint.place} refuses us: {code}")
        elif self._subscriptions:
            client.subscribe(self._subscriptions)
        else:
            self._tell_up()

    def _on_subscribe(
        self,
        _client: paho.Client,
        _userdata: Any,
        _mid: int,
        codes: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        self._acknowledge_at_once()
        for (topic, _), code in zip(self._subscriptions, codes, strict=False):
            if code.is_failure:
                LOG.warning("the broker refuses the subscription to %s: %s", topic, code)
        self._tell_up()

    def _on_disconnect(
        self,
        _client: paho.Client,
        _userdata: Any,
        _flags: paho.DisconnectFlags,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._tell_down(f"lost the broker at {self._endpoint.place}: {code}")

    def _on_connect_fail(self, _client: paho.Client, _userdata: Any) -> None:
        # The library calls this while it handles the error, and does not hand it on.
        why = sys.exception()
        said = getattr(why, "verify_message", None) or getattr(why, "strerror", None) or why
        self._tell_down(f"no connection to the broker at {self._endpoint.place}: {said}")

    def _on_message(self, _client: paho.Client, _userdata: Any, message: paho.MQTTMessage) -> None:
        self._acknowledge_at_once()
        try:
            self._listener.link_message(
                message.topic, bytes(message.payload), retained=message.retain
            )
        except Exception:  # rule 2
            LOG.exception("a message could not be taken")

    def _on_publish(
        self,
        _client: paho.Client,
        _userdata: Any,
        mid: int,
        _code: ReasonCode,
        _properties: Properties,
    ) -> None:
        self._acknowledge_at_once()
        try:
            self._listener.link_acknowledged(mid)
        except Exception:  # rule 2
            LOG.exception("an acknowledgement could not be taken")

    def _acknowledge_at_once(self) -> None:
        _set(self._client.socket(), QUICKACK, 1)  # holds for a while only, so it is set each time

    def _tell_up(self) -> None:
        self._up.set()
        try:
            self._listener.link_up()
        except Exception:  # rule 2
            LOG.exception("the connection could not be taken up")

    def _tell_down(self, reason: str) -> None:
        self._up.clear()
        try:
            self._listener.link_down(reason)
        except Exception:  # rule 2
            LOG.exception("the loss of the connection could not be taken")


def _set(open_socket: Any, option: int | None, value: int) -> None:
    if open_socket is not None and option is not None:
        with contextlib.suppress(OSError):
            open_socket.setsockopt(socket.IPPROTO_TCP, option, value)


def _send_at_once(_client: paho.Client, _userdata: Any, open_socket: Any) -> None:
    _set(open_socket, socket.TCP_NODELAY, 1)


def _client(endpoint: Endpoint, will: Will | None) -> paho.Client:
    check(endpoint)
    client = paho.Client(
        callback_api_version=CallbackAPIVersion.VERSION2,
        # Two clients of the same name would throw each other out without end.
        client_id=f"arckeeper-{uuid.uuid4().hex[:12]}",
        protocol=MQTTProtocolVersion.MQTTv311,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    client.reconnect_delay_set(RECONNECT_MIN_S, RECONNECT_MAX_S)
    client.max_queued_messages_set(QUEUE_MAX)
    client.max_inflight_messages_set(QUEUE_MAX)
    if endpoint.user is not None:
        client.username_pw_set(endpoint.user, password(endpoint))
    if endpoint.tls:
        client.tls_set_context(tls_context(endpoint))
    if will is not None:
        client.will_set(will.topic, will.payload, qos=1, retain=True)
    return client
