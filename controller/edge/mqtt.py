"""The door to the broker: what is asked comes in as events, what is told goes out as topics.

Rule 1: the door decides nothing. Whether a command is stale, retained, known or possible is
        judged by the core; the door says what it saw.
Rule 2: a halt opens the relays in the thread that received it, and is then told to the loop.
Rule 3: nobody who calls the door waits for the network; one thread of its own publishes.
"""

import logging
import queue
import threading
import time
import uuid
from collections.abc import Callable
from typing import Final

from controller.config import Settings
from controller.core.commands import Halt
from controller.core.events import CommandReceived, CommandUnreadable, Event, SignalRead
from controller.core.orders import Answer, Notice, Outcome
from controller.core.status import Status
from controller.edge.brokerkeys import endpoint_of
from controller.edge.hub import HubVoice
from controller.edge.levels import read_level
from controller.edge.mqttlink import Link, Will
from controller.edge.outbox import Outbox
from controller.edge.pace import CHANGE_S, StatusPace
from controller.edge.payloads import Asked, Unreadable, read_json, read_plain
from controller.edge.reports import (
    answer_report,
    notice_report,
    satellites_report,
    status_report,
)
from controller.edge.topics import FACTS, Tree
from controller.edge.waiting import WAITING_MAX, Waiting

LOG = logging.getLogger(__name__)

ONLINE: Final = b"online"
OFFLINE: Final = b"offline"
SIGNAL_GAP_S: Final = 0.05  # a receiver that floods must not fill the inbox
LOOK_S: Final = 1.0  # how often the publishing thread looks whether the connection's is alive


class MqttDoor:
    """The dish on the broker."""

    def __init__(
        self,
        settings: Settings,
        *,
        put: Callable[[Event], None],
        halt: Callable[[], None],
        now_utc: Callable[[], float],
        monotonic: Callable[[], float],
        host: str | None = None,
        port: int | None = None,
    ) -> None:
        self._settings = settings
        self._put = put
        self._halt = halt
        self._now_utc = now_utc
        self._monotonic = monotonic
        self._tree = Tree(base=settings.broker.base_topic, dish=settings.dish.name)
        self._alive = self._tree.topic("alive")
        self._outbox = Outbox()
        self._pace = StatusPace()
        self._waiting = Waiting()
        self._hub = HubVoice(settings, self._tree)
        self._acknowledged: queue.SimpleQueue[int] = queue.SimpleQueue()
        self._wake = threading.Event()
        self._is_closing = self._ended = False
        self._signal_s = float("-inf")
        self._complained = False
        self._link = Link(
            endpoint_of(settings.broker, host=host, port=port),
            self,
            subscriptions=self._subscriptions(),
            will=Will(topic=self._alive, payload=OFFLINE),
        )
        self._voice = threading.Thread(target=self._speak_on, name="mqtt-voice", daemon=True)

    def _subscriptions(self) -> list[str]:
        signal = [self._settings.signal.topic] if self._settings.signal.topic else []
        return [self._tree.asks(), self._alive, *self._hub.subscriptions, *signal]

    @property
    def connected(self) -> bool:
        """Say whether messages flow both ways, as far as the connection knows."""
        return self._link.is_up

    def start(self) -> None:
        """Begin to connect, for ever, and return at once."""
        self._outbox.keep(
            self._tree.topic("satellites"), satellites_report(self._settings.satellites)
        )
        self._outbox.keep(self._alive, ONLINE)
        self._voice.start()
        self._link.start()

    def tell(self, status: Status) -> None:
        """Show this status from now on; it leaves only where it differs."""
        if self._pace.told(status, at_utc=self._now_utc()):
            self._wake.set()

    def answer(self, answer: Answer) -> None:
        """Tell whoever asked."""
        if answer.outcome in (Outcome.ACCEPTED, Outcome.REFUSED):
            self._waiting.answered(answer.command_id)
        self._report("answer", answer_report(answer, at_utc=self._now_utc()))

    def notice(self, notice: Notice) -> None:
        """Tell everybody."""
        self._report("notice", notice_report(notice, at_utc=self._now_utc()))

    def _report(self, name: str, payload: bytes) -> None:
        self._outbox.report(self._tree.topic(name), payload)
        self._wake.set()

    def close(self, timeout_s: float = 3.0) -> None:
        """Say offline, wait until the broker has it, and go; may be called twice."""
        deadline_s = time.monotonic() + timeout_s
        self._is_closing = True
        self._outbox.keep(self._alive, OFFLINE)
        while self._has_more_to_say() and time.monotonic() < deadline_s - timeout_s / 3:
            self._wake.set()
            time.sleep(0.005)
        self._ended = True
        self._wake.set()
        if self._voice.is_alive():
            self._voice.join(timeout_s / 3)
        self._link.close(max(0.2, deadline_s - time.monotonic()))

    def _has_more_to_say(self) -> bool:
        if not (self.connected and self._voice.is_alive()):
            return False
        return not self._outbox.is_empty or (self._pace.wait_s(now_s=self._monotonic()) <= CHANGE_S)

    # What the connection tells, in its own thread.

    def link_up(self) -> None:
        """Announce everything that is retained, which a new broker does not know."""
        LOG.info("connected to the broker")
        self._complained = False
        self._hub.connected(now_s=self._monotonic())
        self._outbox.announce_again()
        self._wake.set()

    def link_down(self, reason: str) -> None:
        """Write the first of a row of failures in the log."""
        if not self._complained and not self._ended:
            LOG.warning("%s; trying again until it works", reason)
        self._complained = True

    def link_acknowledged(self, mid: int) -> None:
        """Pass the receipt to the publishing thread, which may not have noted the id yet."""
        self._acknowledged.put(mid)
        self._wake.set()

    def link_message(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """Turn a message into an event."""
        verb = self._tree.verb_of(topic)
        if verb is not None:
            self._asked(verb, payload, retained=retained)
        elif self._hub.takes(topic):
            self._heard_hub(topic, payload, retained=retained)
        elif retained:
            return  # a level or a sign of life that the broker kept is not from now
        elif topic == self._alive:
            self._heard_alive(payload)
        else:
            self._heard_signal(payload)

    def _asked(self, verb: str, payload: bytes, *, retained: bool) -> None:
        read = read_plain(verb, payload) if verb else read_json(payload)
        command_id = read.command_id or uuid.uuid4().hex[:12]
        at_s = self._monotonic()
        if isinstance(read, Asked) and isinstance(read.command, Halt):
            self._halt_now()
        elif not self._waiting.admit(command_id, at_s=at_s):
            self._say_busy(command_id)
            return
        self._put(self._event(read, command_id, at_s=at_s, retained=retained))

    def _event(
        self, read: Asked | Unreadable, command_id: str, *, at_s: float, retained: bool
    ) -> Event:
        if isinstance(read, Unreadable):
            return CommandUnreadable(
                at_s=at_s, command_id=command_id, source="mqtt", reason=read.reason
            )
        return CommandReceived(
            at_s=at_s,
            command=read.command,
            command_id=command_id,
            source="mqtt",
            retained=retained,
            age_s=None if read.sent_utc is None else self._now_utc() - read.sent_utc,
        )

    def _halt_now(self) -> None:
        try:
            self._halt()
        except Exception:  # the loop must hear of the halt all the same
            LOG.exception("the relays could not be opened at once")

    def _say_busy(self, command_id: str) -> None:
        busy = Answer(
            command_id=command_id,
            outcome=Outcome.REFUSED,
            text=f"busy: {WAITING_MAX} commands wait unread; send it again when they are answered",
        )
        self._report("answer", answer_report(busy, at_utc=self._now_utc()))

    def _heard_hub(self, topic: str, payload: bytes, *, retained: bool) -> None:
        if self._hub.heard(topic, payload, retained=retained):
            self._outbox.announce_again()
        self._wake.set()

    def _heard_alive(self, payload: bytes) -> None:
        if payload != ONLINE and not self._is_closing:
            # Such as the will of our own connection of before, carried out late.
            LOG.warning("somebody says that this dish is offline; saying that it is online")
            self._outbox.announce_again()
            self._wake.set()

    def _heard_signal(self, payload: bytes) -> None:
        at_s = self._monotonic()
        if at_s - self._signal_s < SIGNAL_GAP_S:
            return
        level = read_level(payload, self._settings.signal.json_path)
        if level is not None:
            self._signal_s = at_s
            self._put(SignalRead(at_s=at_s, level=level))

    # What the publishing thread does.

    def _speak_on(self) -> None:
        while not self._ended:
            self._wake.wait(self._wait_s())
            self._wake.clear()
            try:
                self._speak()
                self._link.revive()
            except Exception:
                LOG.exception("the broker could not be told")
                time.sleep(LOOK_S)

    def _wait_s(self) -> float:
        if not self._link.is_up:
            return LOOK_S
        return min(LOOK_S, self._pace.wait_s(now_s=self._monotonic()))

    def _speak(self) -> None:
        while not self._acknowledged.empty():
            self._outbox.acknowledged(self._acknowledged.get_nowait())
        if not self._link.is_up:
            return
        self._keep_status()
        for topic, payload in self._hub.due(now_s=self._monotonic()):
            self._outbox.keep(topic, payload)
        for letter in self._outbox.due():
            mid = self._link.publish(letter.topic, letter.payload, retained=letter.retained)
            if mid is None:
                self._outbox.not_sent(letter)
            else:
                self._outbox.sent(letter, mid)

    def _keep_status(self) -> None:
        told = self._pace.due(now_s=self._monotonic())
        if told is None:
            return
        report = status_report(told.status, updated_utc=told.at_utc)
        self._outbox.keep(self._tree.topic("status"), report)
        for fact in FACTS:
            topic = self._tree.topic(f"fact/{fact.name}")
            self._outbox.keep(topic, fact.value(told.status).encode("utf-8"))
