"""A receiver's signal level out of whatever its own program publishes."""

import json
import math
from typing import Final

SIZE_MAX: Final = 65536  # bytes; status messages of receivers are long


def read_level(payload: bytes, json_path: str | None) -> float | None:
    """Return the number, None where there is none; `json_path` is dotted, `a.0.b`."""
    if len(payload) > SIZE_MAX:
        return None
    try:
        value: object = json.loads(payload.decode("utf-8"))
        for step in json_path.split(".") if json_path else ():
            value = _inside(value, step)
    except (ValueError, LookupError, RecursionError):
        return None
    if isinstance(value, str):
        return _as_float(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return _as_float(value)


def _inside(value: object, step: str) -> object:
    if isinstance(value, dict):
        return value[step]
    if isinstance(value, list):
        return value[int(step)]
    raise LookupError(step)


def _as_float(value: str | float) -> float | None:
    try:
        number = float(value)
    except (ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None
