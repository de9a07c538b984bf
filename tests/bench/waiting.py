"""Waiting for what another process does, without guessing how long it takes."""

import time
from collections.abc import Callable

PATIENCE_S = 15.0


def wait_until(holds: Callable[[], bool], *, patience_s: float = PATIENCE_S) -> None:
    """Return once `holds()`; fail when it does not within the patience."""
    until_s = time.monotonic() + patience_s
    while not holds():
        assert time.monotonic() < until_s, "it never came true"
        time.sleep(0.005)
