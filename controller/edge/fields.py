"""Single values of a command: each is read within its bounds, or refused in words."""

import math
from collections.abc import Callable
from datetime import datetime
from difflib import get_close_matches
from typing import Final, Never

from controller.errors import GeometryError
from controller.geometry.slots import parse_slot

NAME_MAX: Final = 60  # characters, as in the catalogue
REASON_MAX: Final = 200  # characters
ID_MAX: Final = 64  # characters
COUNT_MAX: Final = 1_000_000  # pulses; no rod has a tenth of them


class NotACommand(Exception):
    """What was sent is not a command; the text is the answer."""


def refuse(reason: str) -> Never:
    """End the reading with this answer."""
    raise NotACommand(reason)


def clip(value: object, length: int = 40) -> str:
    """Show a value that somebody sent, however long it is."""
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "an object"
    shown = repr(value)
    return shown if len(shown) <= length else shown[: length - 1] + "…"


def did_you_mean(word: str, known: list[str]) -> str:
    """Return the end of a sentence that names the nearest known word, or all of them."""
    near = get_close_matches(word.casefold()[:NAME_MAX], known, n=1)
    return f"; did you mean {near[0]}?" if near else f"; can be: {', '.join(known)}"


def read_number(key: str, value: object) -> float:
    """Read a finite number; a boolean is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        refuse(f"{key} must be a number, not {clip(value)}")
    if isinstance(value, int) and abs(value) > COUNT_MAX:
        refuse(f"{key} must lie between -{COUNT_MAX} and {COUNT_MAX}")
    if not math.isfinite(value):
        refuse(f"{key} must be a finite number, not {value}")
    return float(value)


def bounded(lowest: float, highest: float) -> Callable[[str, object], float]:
    """Return a reader of numbers from `lowest` to `highest`, both included."""

    def read(key: str, value: object) -> float:
        number = read_number(key, value)
        if not lowest <= number <= highest:
            refuse(f"{key} must lie between {lowest:g} and {highest:g}, not {number:.10g}")
        return number

    return read


def whole(lowest: int, highest: int) -> Callable[[str, object], int]:
    """Return a reader of whole numbers; 5.0 is one, because templates of hubs write so."""
    within = bounded(lowest, highest)

    def read(key: str, value: object) -> int:
        number = within(key, value)
        if not number.is_integer():
            refuse(f"{key} must be a whole number, not {number:.10g}")
        return int(number)

    return read


def words(most: int, *, least: int) -> Callable[[str, object], str]:
    """Return a reader of printable text with `least` to `most` characters."""

    def read(key: str, value: object) -> str:
        if not isinstance(value, str):
            refuse(f"{key} must be text, not {clip(value)}")
        text = value.strip()
        if not least <= len(text) <= most:
            refuse(f"{key} must have {least} to {most} characters, not {len(text)}")
        if not text.isprintable():
            refuse(f"{key} must have no control characters: {clip(text)}")
        return text

    return read


def read_slot_deg(key: str, value: object) -> float:
    """Read a slot as degrees east."""
    number = read_number(key, value)
    if not -180.0 < number <= 180.0:
        refuse(f"{key} must be above -180 and at most 180 degrees east, not {number:.10g}")
    return number


def read_slot(key: str, value: object) -> float:
    """Read a slot as people write it."""
    if not isinstance(value, str):
        refuse(f'{key} must be text like "124.0E", not {clip(value)}; a number is slot_deg')
    try:
        return parse_slot(value[:NAME_MAX])
    except GeometryError as error:
        refuse(str(error))


def read_sent_utc(value: object) -> float | None:
    """Read the sender's own time stamp as seconds since 1970."""
    if value is None:
        return None
    wanted = 'sent_utc must be a time like "2031-05-04T12:00:00Z"'
    if not isinstance(value, str):
        refuse(f"{wanted}, not {clip(value)}")
    try:
        sent = datetime.fromisoformat(value)
    except ValueError:
        refuse(f"{wanted}, not {clip(value)}")
    if sent.tzinfo is None:
        refuse(f"{wanted}; {clip(value)} does not say which zone")
    return sent.timestamp()


read_name = words(NAME_MAX, least=1)
read_reason = words(REASON_MAX, least=0)
read_id = words(ID_MAX, least=1)
read_count = whole(0, COUNT_MAX)
read_step_pulses = whole(-COUNT_MAX, COUNT_MAX)
read_step_deg = bounded(-180, 180)
read_sigma = bounded(0.01, 1000)
