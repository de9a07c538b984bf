"""What the program's exit code says."""

from typing import Final

from controller.errors import ArckeeperError

DONE: Final = 0
REFUSED: Final = 1  # refused, stopped on the way, or a mistake was found
USAGE: Final = 2  # click's own for a command line that cannot be understood
NO_DAEMON: Final = 3


class NoDaemon(ArckeeperError):
    """Nobody answers for the dish."""


def code_of(error: ArckeeperError) -> int:
    """Return the exit code that an error ends with."""
    return NO_DAEMON if isinstance(error, NoDaemon) else REFUSED
