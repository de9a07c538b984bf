"""A yard in real time behind a UNIX socket.

One thread does everything: it sleeps until somebody calls or the yard may change by itself,
brings the yard up to the present, and sends each edge with the time at which it happened.
"""

import contextlib
import json
import selectors
import signal
import socket
import time
from collections.abc import Callable
from math import inf
from pathlib import Path
from typing import Any

from controller.bench.caller import Caller, listen
from controller.bench.calls import Desk, Fields
from controller.bench.yard import Yard

TICK_S = 0.001  # while something moves
SIGNAL_S = 0.25  # how often the receiver tells its level


class YardServer:
    """Keeps a yard in step with the clock and with whoever calls."""

    def __init__(
        self,
        yard: Yard,
        path: Path,
        *,
        life_s: float,
        seed: int = 0,
        state: Path | None = None,
        publish: Callable[[float], Any] | None = None,
    ) -> None:
        self.yard = yard
        self._path, self._life_s, self._state, self._publish = path, life_s, state, publish
        self._desk = Desk(yard, quit_=self.quit, seed=seed)
        self._callers: dict[int, Caller] = {}
        self._selector = selectors.DefaultSelector()
        self._running = True
        self._idle_since_s = self._tell_at_s = time.monotonic()
        self._was_moving = self._is_deferring = False
        self._listener = listen(path)
        self._selector.register(self._listener, selectors.EVENT_READ)

    def quit(self) -> None:
        """End after the present round."""
        self._running = False

    def serve(self, announce: Callable[[], object]) -> None:
        """Serve until told to quit, until SIGTERM or SIGINT, or until nobody comes for long.

        `announce` is called once calls and signals are answered.
        """
        with _wake_on_signals(self.quit) as waker:
            self._selector.register(waker, selectors.EVENT_READ)
            announce()
            try:
                while self._running:
                    self._round()
            finally:
                self._end()

    def _round(self) -> None:
        ready = self._selector.select(self._patience_s())
        self._catch_up()
        for key, mask in ready:
            caller = self._callers.get(key.fd)
            if key.fileobj is self._listener:
                self._accept()
            elif caller is None:
                continue  # the waker, whose message is that there was a signal
            elif mask & selectors.EVENT_WRITE:
                caller.flush()
            else:
                self._take_calls(caller)
        self._watch_writers()
        self._tell_level()
        self._keep_at_rest()
        if not self._callers and time.monotonic() - self._idle_since_s > self._life_s:
            self.quit()

    def _patience_s(self) -> float:
        now_s = time.monotonic()
        asleep_s = self.yard.asleep_until_s()
        if asleep_s <= now_s:
            return TICK_S
        until_s = min(asleep_s, self._tell_at_s if self._publish else inf)
        if not self._callers:
            until_s = min(until_s, self._idle_since_s + self._life_s)
        return min(max(0.0, until_s - now_s), 60.0)

    def _catch_up(self) -> None:
        """Bring the yard to the present and send every edge that happened since."""
        now_s = time.monotonic()
        while (edge := self.yard.next_edge(now_s)) is not None:
            change = self._desk.lines.change(edge)
            if change is not None:
                owner = self._desk.lines.owners.get(change["edge"])
                if isinstance(owner, Caller):
                    owner.send(change)

    def _accept(self) -> None:
        connection, _ = self._listener.accept()
        caller = Caller(connection)
        self._callers[connection.fileno()] = caller
        self._selector.register(connection, selectors.EVENT_READ)

    def _take_calls(self, caller: Caller) -> None:
        lines = caller.receive()
        while lines:
            for line in lines:
                self._take_call(caller, line)
            lines = caller.receive()
        if lines is None:
            self._drop(caller)

    def _take_call(self, caller: Caller, line: bytes) -> None:
        try:
            call = json.loads(line)
            if not isinstance(call, dict):
                raise ValueError("a call is an object")
        except (ValueError, RecursionError) as error:
            caller.send({"error": f"not a call: {error}"})
            return
        self._let_owner_go_first(caller, call)
        answer = self._desk.answer(caller, call)
        if "id" in call:
            caller.send({"id": call["id"], **answer})
        # An edge that the call itself made, such as a pressed button's, is due at once.
        self._catch_up()

    def _let_owner_go_first(self, caller: Caller, call: Fields) -> None:
        """Take what the line's present owner sent before, or notice that it has ended.

        A program that was killed and its successor may be seen in one round, in any order;
        the first one's lines must be free when the second asks for them.
        """
        owner = self._desk.owner_of(call)
        if isinstance(owner, Caller) and owner is not caller and not self._is_deferring:
            self._is_deferring = True
            self._take_calls(owner)
            self._is_deferring = False

    def _drop(self, caller: Caller) -> None:
        fd = caller.connection.fileno()
        if self._callers.pop(fd, None) is None:
            return
        self._selector.unregister(caller.connection)
        caller.connection.close()
        self._desk.lines.forget(caller)
        self._idle_since_s = time.monotonic()

    def _watch_writers(self) -> None:
        for caller in self._callers.values():
            wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if caller.has_more else 0)
            if self._selector.get_key(caller.connection).events != wanted:
                self._selector.modify(caller.connection, wanted)

    def _tell_level(self) -> None:
        now_s = time.monotonic()
        if self._publish and now_s >= self._tell_at_s:
            self._publish(self.yard.signal_db())
            self._tell_at_s = now_s + SIGNAL_S

    def _keep_at_rest(self) -> None:
        moving = self.yard.moving
        if self._was_moving and not moving:
            self._keep()
        self._was_moving = moving

    def _keep(self) -> None:
        if self._state:
            draft = self._state.with_name(self._state.name + ".new")
            draft.write_text(json.dumps(self.yard.kept()))
            draft.replace(self._state)

    def _end(self) -> None:
        self._keep()
        for caller in list(self._callers.values()):
            caller.flush()
            self._drop(caller)
        self._listener.close()
        self._selector.close()
        self._path.unlink(missing_ok=True)


@contextlib.contextmanager
def _wake_on_signals(quit_: Callable[[], None]) -> Any:
    """Call `quit_` on SIGTERM and SIGINT, and yield a socket that becomes readable then."""
    waker, woken = socket.socketpair()
    waker.setblocking(False)
    previous_fd = signal.set_wakeup_fd(waker.fileno(), warn_on_full_buffer=False)
    previous = {
        number: signal.signal(number, lambda *_: quit_())
        for number in (signal.SIGTERM, signal.SIGINT)
    }
    try:
        yield woken
    finally:
        for number, action in previous.items():
            signal.signal(number, action)
        signal.set_wakeup_fd(previous_fd)
        waker.close()
        woken.close()
