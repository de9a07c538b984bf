"""A dish whose count is known, and short words for what is asked of it and seen."""

from dataclasses import replace

from controller.bench.drawn import yard_from
from controller.core import commands as ask
from controller.core.orders import (
    Outcome,
    Severity,
)
from tests.rig import SETTINGS, Rig, known_at

WEST_LIMIT = 900  # inside the travel of every yard that is used here with a known count
SEED = 2  # 23 pulses a second, 1274 pulses between the ends


def known_rig(seed: int = SEED, **changes: object) -> Rig:
    """Return a rig whose count is known from the start."""
    yard = yard_from(seed)
    return Rig(yard, replace(SETTINGS, **changes), known_at(yard, WEST_LIMIT))  # type: ignore[arg-type]


def goto(rigged: Rig, away_pulses: int) -> str:
    count = rigged.pilot.status().count_pulses
    assert count is not None
    return rigged.ask(ask.GotoCount(count_pulses=count + away_pulses))


def outcome(rigged: Rig, command_id: str) -> Outcome:
    answer = rigged.last_answer(command_id)
    assert answer is not None
    return answer.outcome


def text(rigged: Rig, command_id: str) -> str:
    answer = rigged.last_answer(command_id)
    assert answer is not None
    return answer.text


def faults(rigged: Rig) -> list[str]:
    return [notice.text for notice in rigged.notices() if notice.severity is Severity.FAULT]


def stands(rigged: Rig) -> bool:
    truth = rigged.yard.truth()
    return not truth.moving and truth.voltage_ratio == 0
