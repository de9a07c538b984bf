"""Every topic of the dish in one table: code, hub discovery, documents and tests read it here.

Rule 1: a topic is `<base>/<dish>/<name>`; the names are in `TOPICS` and nowhere else.
Rule 2: whatever is retained describes a condition, and the newest value replaces the last.
Rule 3: an `ask` or `answer` is about one moment and is never retained.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Final

from controller.core.motion import MotionState
from controller.core.status import Status

SCHEMA: Final = 1  # of the JSON payloads; grows when a key is removed or changes its meaning
UNKNOWN: Final = "None"  # a hub shows this payload as "unknown"; an empty one would be dropped
FACT_TEXT_MAX: Final = 250  # characters; a hub keeps at most 255 of a state


class Way(Enum):
    """Who publishes on a topic."""

    TO_DISH = "to the dish"
    FROM_DISH = "from the dish"


@dataclass(frozen=True, kw_only=True)
class Topic:
    """One row of the table."""

    name: str
    way: Way
    retained: bool
    qos: int
    payload: str  # for people


@dataclass(frozen=True, kw_only=True)
class Verb:
    """Something that may be asked for, and how it is written."""

    word: str
    does: str
    plain: str  # payload of ask/<word>
    example: str  # of that payload
    json: str  # keys beside "do", for people


VERBS: Final = (
    Verb(
        word="goto",
        does="point at a satellite, a slot or a count",
        plain="a name of the catalogue, a slot, or a count with `pulses`",
        example="Heron",
        json='`satellite`, or `slot` ("124.0E"), or `slot_deg`, or `count_pulses`',
    ),
    Verb(
        word="nudge",
        does="move a little, positive toward west",
        plain="whole pulses, or degrees of hour angle with `deg`",
        example="+3",
        json="`step_pulses` or `step_deg`",
    ),
    Verb(
        word="halt",
        does="open the relays now; never refused",
        plain="anything, also nothing",
        example="halt",
        json="nothing more; other keys are overlooked",
    ),
    Verb(
        word="park",
        does="run to the parking place",
        plain="the word `park`",
        example="park",
        json="nothing more",
    ),
    Verb(
        word="hold",
        does="refuse every move until a release",
        plain="the reason, or nothing",
        example="greasing the bearing",
        json="`reason` if you like",
    ),
    Verb(
        word="release",
        does="lift the hold",
        plain="the word `release`",
        example="release",
        json="nothing more",
    ),
    Verb(
        word="limits",
        does="find both ends of the travel",
        plain="the word `limits`",
        example="limits",
        json="nothing more",
    ),
    Verb(
        word="reference",
        does="remember slot and count: the dish is peaked on this satellite now",
        plain="a name of the catalogue",
        example="Heron",
        json="`satellite`, and `sigma_pulses` if you know it",
    ),
    Verb(
        word="drop",
        does="leave the references of this satellite out from now on",
        plain="a name of the catalogue",
        example="Heron",
        json="`satellite`",
    ),
    Verb(
        word="settle",
        does="correct the count: the dish is peaked on this satellite now",
        plain="a name of the catalogue",
        example="Heron",
        json="`satellite`",
    ),
    Verb(
        word="clear",
        does="clear the fault: a person has seen it and its cause is gone",
        plain="the word `clear`",
        example="clear",
        json="nothing more",
    ),
)


@dataclass(frozen=True, kw_only=True)
class Fact:
    """One field of the status as a plain value, for simple clients and the hub."""

    name: str
    says: str
    value: Callable[[Status], str]


def _text(value: str | None) -> str:
    return value.strip()[:FACT_TEXT_MAX] if value and value.strip() else UNKNOWN


def _number(value: float | None, decimals: int = 0) -> str:
    return UNKNOWN if value is None or not math.isfinite(value) else f"{value:.{decimals}f}"


def _on(claim: bool) -> str:
    return "ON" if claim else "OFF"


def is_moving(status: Status) -> bool:
    """Say whether a move is under way, its pauses included."""
    return status.state not in (MotionState.RESTING, MotionState.FAULTED)


def _percent(progress: float | None) -> str:
    return _number(None if progress is None else 100.0 * progress)


FACTS: Final = (
    Fact(name="state", says="resting, easting, westing, coasting, settling or faulted",
         value=lambda s: s.state.value),
    Fact(name="moving", says="ON while a move is under way, its pauses included, else OFF",
         value=lambda s: _on(is_moving(s))),
    Fact(name="count", says="pulses from the east limit", value=lambda s: _number(s.count_pulses)),
    Fact(name="doubt", says="pulses by which the count may be wrong",
         value=lambda s: _number(s.doubt_pulses)),
    Fact(name="target", says="count that the move is for, pulses",
         value=lambda s: _number(s.target_pulses)),
    Fact(name="satellite", says="satellite that the dish rests on",
         value=lambda s: _text(s.satellite)),
    Fact(name="target_satellite", says="satellite that the move is for",
         value=lambda s: _text(s.target_satellite)),
    Fact(name="slot", says="where the dish points along the arc, degrees east positive",
         value=lambda s: _number(s.slot_deg, 3)),
    Fact(name="hour_angle", says="degrees from the highest point, positive toward west",
         value=lambda s: _number(s.hour_angle_deg, 3)),
    Fact(name="sigma", says="uncertainty of the pointing, degrees",
         value=lambda s: _number(s.sigma_deg, 3)),
    Fact(name="loss", says="dB that this uncertainty may cost",
         value=lambda s: _number(s.loss_db, 2)),
    Fact(name="west_limit", says="count of the west limit, pulses",
         value=lambda s: _number(s.west_limit_pulses)),
    Fact(name="references", says="how many satellites were peaked",
         value=lambda s: _number(s.references_n)),
    Fact(name="progress", says="percent of the move under way",
         value=lambda s: _percent(s.progress)),
    Fact(name="held", says="ON while every move is refused, else OFF",
         value=lambda s: _on(s.held)),
    Fact(name="hold_reason", says="why moves are held", value=lambda s: _text(s.hold_reason)),
    Fact(name="stop", says="ON while the stop input is pressed, else OFF",
         value=lambda s: _on(s.stop_pressed)),
    Fact(name="faulted", says="ON until a person clears the fault, else OFF",
         value=lambda s: _on(bool(s.fault) or s.state is MotionState.FAULTED)),
    Fact(name="fault", says="what went wrong first", value=lambda s: _text(s.fault)),
    Fact(name="advice", says="what to do about it", value=lambda s: _text(s.advice)),
    Fact(name="waiting", says="why a move under way stands still",
         value=lambda s: _text(s.waiting)),
    Fact(name="rate", says="pulses per second", value=lambda s: _number(s.rate_pulses_per_s, 1)),
    Fact(name="current", says="supply current of the motor, amperes",
         value=lambda s: _number(s.current_a, 2)),
    Fact(name="signal", says="the receiver's signal level, in its own unit",
         value=lambda s: _number(s.signal, 2)),
)  # fmt: skip


def _rows() -> Iterator[Topic]:
    ask, out = Way.TO_DISH, Way.FROM_DISH
    yield Topic(name="ask", way=ask, retained=False, qos=1, payload="a command as JSON")
    for verb in VERBS:
        name = f"ask/{verb.word}"
        yield Topic(name=name, way=ask, retained=False, qos=1, payload=verb.plain)
    yield Topic(name="answer", way=out, retained=False, qos=1,
                payload="JSON: what became of a command")  # fmt: skip
    yield Topic(name="notice", way=out, retained=False, qos=1,
                payload="JSON: something everybody should know")  # fmt: skip
    yield Topic(name="status", way=out, retained=True, qos=1, payload="JSON: the whole picture")
    for fact in FACTS:
        yield Topic(name=f"fact/{fact.name}", way=out, retained=True, qos=1, payload=fact.says)
    yield Topic(name="satellites", way=out, retained=True, qos=1, payload="JSON: the catalogue")
    yield Topic(name="alive", way=out, retained=True, qos=1,
                payload="online or offline; the last will says offline")  # fmt: skip
    yield Topic(name="hub-index", way=out, retained=True, qos=1,
                payload="JSON: which topics were announced to the hub")  # fmt: skip


TOPICS: Final = tuple(_rows())
BY_NAME: Final = {topic.name: topic for topic in TOPICS}


@dataclass(frozen=True, kw_only=True)
class Tree:
    """The topics of one dish on one broker."""

    base: str
    dish: str

    @property
    def root(self) -> str:
        """Return what every topic of the dish begins with."""
        return f"{self.base}/{self.dish}"

    def topic(self, name: str) -> str:
        """Return the full topic of a row of the table; raise `KeyError` for any other name."""
        return f"{self.root}/{BY_NAME[name].name}"

    def asks(self) -> str:
        """Return the subscription for every way to ask."""
        return f"{self.topic('ask')}/#"

    def verb_of(self, topic: str) -> str | None:
        """Return the verb of a plain ask, "" for the JSON form, None for any other topic."""
        ask = self.topic("ask")
        if topic == ask:
            return ""
        return topic.removeprefix(f"{ask}/") if topic.startswith(f"{ask}/") else None


def as_markdown() -> str:
    """Return the table of topics for the documents."""
    lines = ["| topic | way | retained | QoS | payload |", "| --- | --- | --- | --- | --- |"]
    for topic in TOPICS:
        kept = "yes" if topic.retained else "no"
        lines.append(
            f"| `{topic.name}` | {topic.way.value} | {kept} | {topic.qos} | {topic.payload} |"
        )
    return "\n".join(lines) + "\n"


def verbs_as_markdown() -> str:
    """Return the table of commands for the documents."""
    lines = ['| "do" | does | keys beside it | plain payload of `ask/<do>` | for example |']
    lines.append("| --- | --- | --- | --- | --- |")
    lines += [f"| `{v.word}` | {v.does} | {v.json} | {v.plain} | `{v.example}` |" for v in VERBS]
    return "\n".join(lines) + "\n"
