"""What people write after `goto` and `nudge`, as keys of a command."""

import re
from typing import Any, Final

import click

_COUNT: Final = re.compile(r"count:\s*(?P<count>.*)", re.IGNORECASE)
_SLOT: Final = re.compile(r"[-+\N{MINUS SIGN}]?\s*[.,\d]+\s*(°|deg)?\s*[EW]?", re.I | re.A)
_STEP: Final = re.compile(
    r"(?P<number>[-+\N{MINUS SIGN}]?\d{1,9}([.,]\d{1,9})?)\s*(?P<unit>pulses?|deg|°)?", re.I | re.A
)


def goto_keys(text: str) -> dict[str, Any]:
    """Read NAME, SLOT or count:N; what it means is for the daemon to say."""
    text = text.strip()
    counted = _COUNT.fullmatch(text)
    if counted is not None:
        if not re.fullmatch(r"\d{1,7}", counted["count"], re.ASCII):
            raise click.BadParameter(f"{text!r} is no count; write count:512")
        return {"do": "goto", "count_pulses": int(counted["count"])}
    if _SLOT.fullmatch(text):
        return {"do": "goto", "slot": text}
    return {"do": "goto", "satellite": text}


def nudge_keys(text: str) -> dict[str, Any]:
    """Read `+3` pulses or `-1.5deg`."""
    found = _STEP.fullmatch(text.strip())
    if found is None:
        raise click.BadParameter(f"{text!r} is not understood; write +3 or -1.5deg")
    number = float(found["number"].replace("\N{MINUS SIGN}", "-").replace(",", "."))
    if (found["unit"] or "").lower() in ("deg", "°"):
        return {"do": "nudge", "step_deg": number}
    if not number.is_integer():
        raise click.BadParameter(
            f"{number:g} is not a whole number of pulses; write {number:g}deg for degrees"
        )
    return {"do": "nudge", "step_pulses": int(number)}
