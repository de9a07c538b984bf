"""How many commands may wait for their first answer before the door says that it is busy."""

import threading
from typing import Final

WAITING_MAX: Final = 32  # commands; the loop answers thousands a second, so more is a flood
FORGET_AFTER_S: Final = 10.0  # a command that nobody answered must not close the door for ever


class Waiting:
    """The commands that were passed on and not yet answered."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._rows: list[tuple[float, str]] = []

    def admit(self, command_id: str, *, at_s: float) -> bool:
        """Take one more in, or say that there is no room."""
        with self._lock:
            if len(self._rows) >= WAITING_MAX:
                self._rows = [row for row in self._rows if at_s - row[0] < FORGET_AFTER_S]
            if len(self._rows) >= WAITING_MAX:
                return False
            self._rows.append((at_s, command_id))
            return True

    def answered(self, command_id: str) -> None:
        """Let one of this id out; one that never came in is passed over."""
        with self._lock:
            for place, (_, waiting_id) in enumerate(self._rows):
                if waiting_id == command_id:
                    del self._rows[place]
                    return
