"""Bytes from anybody to a command, or to the reason why they are none.

Rule 1: nothing raises out of here, whatever the bytes are.
Rule 2: whatever can be read as a halt is a halt.
Rule 3: anything else is read completely or refused.
Rule 4: an empty payload moves nothing, because it is also how a retained one is wiped.
"""

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Never

from controller.core import commands as c
from controller.edge import fields as f
from controller.edge.fields import NotACommand, clip, did_you_mean, refuse

SIZE_MAX: Final = 4096  # bytes; the longest command there is needs fewer than 600
COMMON: Final = ("do", "id", "sent_utc")


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A command as it was sent; None for what the sender left out."""

    command: c.Command
    command_id: str | None = None
    sent_utc: float | None = None


@dataclass(frozen=True, kw_only=True)
class Unreadable:
    """What is not a command, and why."""

    reason: str
    command_id: str | None = None


@dataclass(frozen=True, kw_only=True)
class Key:
    """A key of the JSON form: the argument it becomes, and who reads it."""

    argument: str
    read: Callable[[str, object], object]
    needed: bool = True


@dataclass(frozen=True, kw_only=True)
class Form:
    """One way to write a command as JSON: its keys, and the class they make."""

    makes: type[c.Command]
    keys: Mapping[str, Key] = field(default_factory=dict)

    @property
    def needed(self) -> list[str]:
        """Return the keys without which it is not this form."""
        return [name for name, key in self.keys.items() if key.needed]

    def command(self, given: Mapping[str, object]) -> c.Command:
        """Return the command; raise `NotACommand` for a value out of its bounds."""
        read: dict[str, Any] = {
            key.argument: key.read(name, given[name])
            for name, key in self.keys.items()
            if name in given
        }
        return self.makes(**read)


_SATELLITE: Final = {"satellite": Key(argument="name", read=f.read_name)}
_SIGMA: Final = {"sigma_pulses": Key(argument="sigma_pulses", read=f.read_sigma, needed=False)}
_REASON: Final = {"reason": Key(argument="reason", read=f.read_reason, needed=False)}

FORMS: Final[Mapping[str, tuple[Form, ...]]] = {
    "goto": (
        Form(makes=c.GotoSatellite, keys=_SATELLITE),
        Form(makes=c.GotoSlot, keys={"slot": Key(argument="slot_deg", read=f.read_slot)}),
        Form(makes=c.GotoSlot, keys={"slot_deg": Key(argument="slot_deg", read=f.read_slot_deg)}),
        Form(
            makes=c.GotoCount,
            keys={"count_pulses": Key(argument="count_pulses", read=f.read_count)},
        ),
    ),
    "nudge": (
        Form(
            makes=c.NudgePulses,
            keys={"step_pulses": Key(argument="step_pulses", read=f.read_step_pulses)},
        ),
        Form(
            makes=c.NudgeDegrees, keys={"step_deg": Key(argument="step_deg", read=f.read_step_deg)}
        ),
    ),
    "halt": (Form(makes=c.Halt),),
    "park": (Form(makes=c.Park),),
    "hold": (Form(makes=c.Hold, keys=_REASON),),
    "release": (Form(makes=c.Release),),
    "limits": (Form(makes=c.FindLimits),),
    "reference": (Form(makes=c.TakeReference, keys={**_SATELLITE, **_SIGMA}),),
    "drop": (Form(makes=c.DropReference, keys=_SATELLITE),),
    "settle": (Form(makes=c.SettleCount, keys=_SATELLITE),),
    "clear": (Form(makes=c.ClearFault),),
}


def _forms_of(verb: str) -> tuple[Form, ...]:
    if verb not in FORMS:
        refuse(f"{clip(verb)} is not something to do{did_you_mean(verb, list(FORMS))}")
    return FORMS[verb]


def _check_keys(verb: str, given: Mapping[str, object], forms: tuple[Form, ...]) -> None:
    known = [key for form in forms for key in form.keys]
    for key in given:
        if key not in known:
            refuse(f"{clip(key)} is not a key of {verb}{did_you_mean(key, [*known, *COMMON])}")


def _command(verb: str, given: Mapping[str, object]) -> c.Command:
    forms = _forms_of(verb)
    _check_keys(verb, given, forms)
    ways = " or ".join(" and ".join(form.needed) for form in forms)
    begun = [form for form in forms if not form.keys or form.keys.keys() & given.keys()]
    if len(begun) > 1:
        refuse(f"{verb} takes one of {ways}, not several")
    form = begun[0] if begun else forms[0]
    if not given.keys() >= set(form.needed):
        refuse(f"{verb} needs {ways}")
    return form.command(given)


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    table = dict(pairs)
    if len(table) < len(pairs):
        names = [name for name, _ in pairs]
        refuse(f"{clip(next(n for n in names if names.count(n) > 1))} is given twice")
    return table


def _no_constant(word: str) -> Never:
    refuse(f"{word} is not a finite number")


def _text(payload: bytes) -> str:
    if len(payload) > SIZE_MAX:
        refuse(f"{len(payload)} bytes are too many; a command has at most {SIZE_MAX}")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError as error:
        refuse(f"not UTF-8 at byte {error.start}")


def _object(text: str) -> dict[str, object]:
    if not text.strip():
        refuse('empty; write {"do": "goto", "satellite": "Heron"}')
    try:
        read = json.loads(text, object_pairs_hook=_once, parse_constant=_no_constant)
    except RecursionError:
        refuse("nested too deep; a command is one flat JSON object")
    except ValueError as error:
        refuse(f'not JSON ({error}); write {{"do": "goto", "satellite": "Heron"}}')
    if not isinstance(read, dict):
        refuse(f"a command is a JSON object, not {clip(read)}")
    return read


def _asked(given: Mapping[str, object]) -> Asked:
    verb = given.get("do")
    if not isinstance(verb, str):
        refuse(f'"do" must be one of {", ".join(FORMS)}, not {clip(verb)}')
    rest = {key: value for key, value in given.items() if key not in COMMON}
    return Asked(command=_command(verb, rest), sent_utc=f.read_sent_utc(given.get("sent_utc")))


def read_json(payload: bytes) -> Asked | Unreadable:
    """Read the payload of `ask`."""
    command_id = None
    try:
        given = _object(_text(payload))
        command_id = None if given.get("id") is None else f.read_id("id", given["id"])
        asked = _asked(given)
    except Exception as error:  # rule 1
        if says_halt(payload):
            return Asked(command=c.Halt(), command_id=command_id)
        return Unreadable(reason=_sentence(error), command_id=command_id)
    return Asked(command=asked.command, command_id=command_id, sent_utc=asked.sent_utc)


def _sentence(error: Exception) -> str:
    if isinstance(error, NotACommand):
        return str(error)[:300]
    return f"cannot be read ({type(error).__name__})"


_HALT: Final = re.compile(rb'"do"\s*:\s*"\s*halt\s*"', re.IGNORECASE)


def says_halt(payload: bytes) -> bool:
    """Say whether a broken or strange payload of `ask` still asks for a halt."""
    beginning = payload[:SIZE_MAX]
    return beginning.strip(b" \t\r\n\0\"'").lower() == b"halt" or bool(_HALT.search(beginning))


_NUMERIC: Final = re.compile(r"[-+\N{MINUS SIGN}]?\s*[.,\d]+\s*(°|deg)?\s*[EW]?", re.I | re.A)
_STEP: Final = re.compile(
    r"(?P<number>[-+\N{MINUS SIGN}]?\d{1,9}([.,]\d{1,9})?)\s*(?P<unit>pulses?|deg|°)?", re.I | re.A
)


def _is_numeric(text: str) -> bool:
    try:
        float(text)  # also nan, inf and 1e400, which are no names either
    except ValueError:
        return bool(_NUMERIC.fullmatch(text))
    return True


def _measure(text: str, example: str) -> tuple[float, str]:
    found = _STEP.fullmatch(text.strip())
    if found is None:
        refuse(f"{clip(text)} is not understood; write {example}")
    number = found["number"].replace("\N{MINUS SIGN}", "-").replace(",", ".")
    unit = (found["unit"] or "pulses").lower()
    return float(number), "deg" if unit in ("deg", "°") else "pulses"


def _plain_goto(text: str) -> c.Command:
    if text.lower().rstrip().endswith(("pulse", "pulses")) and text.strip()[:1] in "+-0123456789":
        count, _ = _measure(text, "512 pulses")
        return c.GotoCount(count_pulses=f.read_count("count", count))
    if _is_numeric(text.strip()):
        return c.GotoSlot(slot_deg=f.read_slot("slot", text))
    return c.GotoSatellite(name=f.read_name("satellite", text))


def _plain_nudge(text: str) -> c.Command:
    step, unit = _measure(text, "+3 or 1.5 deg")
    if unit == "deg":
        return c.NudgeDegrees(step_deg=f.read_step_deg("step", step))
    if not step.is_integer():
        refuse(f"{step:g} is not a whole number of pulses; write {step:g} deg for degrees")
    return c.NudgePulses(step_pulses=f.read_step_pulses("step", step))


def _named(makes: Callable[..., c.Command]) -> Callable[[str], c.Command]:
    return lambda text: makes(name=f.read_name("satellite", text))


def _sure(verb: str, command: c.Command) -> Callable[[str], c.Command]:
    def read(text: str) -> c.Command:
        if text.strip().casefold() != verb:
            refuse(f"the payload must be the word {verb}, not {clip(text)}")
        return command

    return read


PLAIN: Final[Mapping[str, Callable[[str], c.Command]]] = {
    "goto": _plain_goto,
    "nudge": _plain_nudge,
    "halt": lambda _: c.Halt(),
    "park": _sure("park", c.Park()),
    "hold": lambda text: c.Hold(reason=f.read_reason("reason", text)),
    "release": _sure("release", c.Release()),
    "limits": _sure("limits", c.FindLimits()),
    "reference": _named(c.TakeReference),
    "drop": _named(c.DropReference),
    "settle": _named(c.SettleCount),
    "clear": _sure("clear", c.ClearFault()),
}


def read_plain(verb: str, payload: bytes) -> Asked | Unreadable:
    """Read the payload of `ask/<verb>`."""
    if verb == "halt":
        return Asked(command=c.Halt())
    try:
        _forms_of(verb)
        return Asked(command=PLAIN[verb](_text(payload)))
    except Exception as error:  # rule 1
        return Unreadable(reason=_sentence(error))
