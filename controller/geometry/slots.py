"""Orbital longitudes as people write them, and angles brought into one turn."""

import re
from typing import Final, TypeAlias, overload

import numpy as np
import numpy.typing as npt

from controller.errors import GeometryError

Array: TypeAlias = npt.NDArray[np.float64]
Numbers: TypeAlias = float | Array


@overload
def wrap_deg(angle_deg: float) -> float: ...
@overload
def wrap_deg(angle_deg: Array) -> Array: ...
def wrap_deg(angle_deg: Numbers) -> Numbers:
    """Bring an angle into -180 < angle <= 180; what is inside already stays bit for bit."""
    wrapped = 180.0 - np.mod(180.0 - np.asarray(angle_deg), 360.0)
    inside = (np.asarray(angle_deg) > -180.0) & (np.asarray(angle_deg) <= 180.0)
    # The remainder of a tiny negative number rounds up to 360.
    result = np.where(inside, angle_deg, np.where(wrapped <= -180.0, 180.0, wrapped))
    return result if isinstance(angle_deg, np.ndarray) else float(result)


_SLOT: Final = re.compile(
    r"(?P<sign>[-+]?)\s*(?P<number>\d+(?:[.,]\d*)?|[.,]\d+)\s*(?:°|deg)?\s*(?P<side>[EW]?)",
    re.IGNORECASE | re.ASCII,
)


def parse_slot(text: str) -> float:
    """Read a slot as people write it: `124.0E`, `30.5 W`, `-30.5`, `178,5 e`."""
    match = _SLOT.fullmatch(text.strip().replace("\N{MINUS SIGN}", "-"))
    if match is None:
        raise GeometryError(f"slot {text!r} is not understood; write 124.0E, 30.5W or -30.5")
    sign, number, side = match["sign"], match["number"], match["side"].upper()
    if sign and side:
        raise GeometryError(
            f"slot {text!r} has a sign and a letter; write {number}{side} or {sign}{number}"
        )
    degrees = float(number.replace(",", "."))
    if degrees > 180:
        raise GeometryError(
            f"slot {text!r} is past 180 degrees; count west of Greenwich as W, 200E is 160W"
        )
    return wrap_deg(-degrees if sign == "-" or side == "W" else degrees)


def format_slot(slot_deg: float, *, decimals: int = 1) -> str:
    """Write a slot as `124.0E` or `30.5W`, which `parse_slot` reads back."""
    if not np.isfinite(slot_deg):
        raise GeometryError(f"slot must be a number of degrees, not {slot_deg}")
    rounded_deg = wrap_deg(round(wrap_deg(float(slot_deg)), decimals))
    return f"{abs(rounded_deg):.{decimals}f}{'W' if rounded_deg < 0 else 'E'}"
