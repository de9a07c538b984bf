"""Bytes of any kind to commands."""

import json
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core import commands as c
from controller.edge.payloads import FORMS, Asked, Unreadable, read_json, read_plain
from tests.edge.test_payloads import MOVING, ask

quick = settings(deadline=None, max_examples=100)

JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=80),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=10,
)
KEYS = st.sampled_from(
    ["do", "id", "sent_utc", "satellite", "slot", "slot_deg", "count_pulses", "step_pulses",
     "step_deg", "reason", "sigma_pulses", "Do", ""]
)  # fmt: skip
VERBS = st.sampled_from([*FORMS, "", "Goto", "halt ", "haltt"])


@quick
@given(st.binary(max_size=200))
def test_random_bytes_are_never_a_moving_command(payload: bytes) -> None:
    read = read_json(payload)
    assert not (isinstance(read, Asked) and isinstance(read.command, MOVING))


@quick
@given(VERBS | st.text(max_size=20), st.binary(max_size=200))
def test_random_bytes_on_a_plain_topic_never_raise(verb: str, payload: bytes) -> None:
    read = read_plain(verb, payload)
    if isinstance(read, Asked) and isinstance(read.command, c.GotoSatellite):
        assert read.command.name == payload.decode().strip()


@quick
@given(st.dictionaries(KEYS, JSON_VALUES, max_size=5), VERBS)
def test_values_of_any_kind_never_raise_and_never_pass_their_bounds(
    keys: dict[str, object], verb: str
) -> None:
    read = read_json(json.dumps({**keys, "do": verb}).encode())
    match read:
        case Asked(command=c.GotoSlot(slot_deg=slot_deg)):
            assert -180 < slot_deg <= 180
        case Asked(command=c.GotoCount(count_pulses=count_pulses)):
            assert type(count_pulses) is int
            assert 0 <= count_pulses <= 1_000_000
        case Asked(command=c.NudgePulses(step_pulses=step_pulses)):
            assert type(step_pulses) is int
            assert abs(step_pulses) <= 1_000_000
        case Asked(command=c.NudgeDegrees(step_deg=step_deg)):
            assert abs(step_deg) <= 180
        case Unreadable(reason=reason):
            assert reason


@quick
@given(st.dictionaries(KEYS, JSON_VALUES, max_size=4))
def test_whatever_else_it_says_a_halt_is_a_halt(keys: dict[str, object]) -> None:
    read = read_json(json.dumps({**keys, "do": "halt"}).encode())
    assert isinstance(read, Asked)
    assert read.command == c.Halt()


WELL_FORMED = st.sampled_from(
    [ask(do="goto", satellite="Heron", id="a"), ask(do="nudge", step_deg=1.5), ask(do="park")]
)


@quick
@given(WELL_FORMED, st.integers(min_value=0), st.integers(min_value=0, max_value=255))
def test_one_changed_byte_never_turns_a_command_into_another_kind(
    payload: bytes, place: int, byte: int
) -> None:
    changed = bytearray(payload)
    changed[place % len(payload)] = byte
    before, after = read_json(payload), read_json(bytes(changed))
    assert isinstance(before, Asked)
    if isinstance(after, Asked):
        assert type(after.command) is type(before.command)


@quick
@given(st.floats(min_value=-179.9, max_value=180))
def test_a_slot_in_plain_words_is_the_slot(slot_deg: float) -> None:
    read = read_plain("goto", f"{slot_deg:.3f}".encode())
    assert isinstance(read, Asked)
    assert isinstance(read.command, c.GotoSlot)
    assert read.command.slot_deg == pytest.approx(slot_deg, abs=0.0006)


@quick
@given(st.text(min_size=1, max_size=60).filter(lambda text: text.isprintable() and text.strip()))
def test_a_printable_name_without_a_number_is_a_satellite(name: str) -> None:
    if re.match(r"\s*[-+.,\d\N{MINUS SIGN}]", name) or name.strip().lower() in {"nan", "inf"}:
        return
    read = read_plain("goto", name.encode())
    if isinstance(read, Asked):
        assert read.command == c.GotoSatellite(name=name.strip())
    else:
        assert name.strip().casefold() in {"infinity"}
