"""Bytes to commands."""

import json

import pytest

from controller.core import commands as c
from controller.edge.payloads import FORMS, SIZE_MAX, Asked, Unreadable, read_json, read_plain

# A command of these is a step toward motion, or lifts what forbids it.
MOVING = (
    c.GotoSatellite, c.GotoSlot, c.GotoCount, c.NudgePulses, c.NudgeDegrees, c.Park,
    c.FindLimits, c.Release, c.ClearFault,
)  # fmt: skip


def ask(**keys: object) -> bytes:
    return json.dumps(keys).encode()


def reason_of(read: Asked | Unreadable) -> str:
    assert isinstance(read, Unreadable), read
    return read.reason


@pytest.mark.parametrize(
    ("payload", "command"),
    [
        (ask(do="goto", satellite="Heron"), c.GotoSatellite(name="Heron")),
        (ask(do="goto", satellite="  Grey Heron "), c.GotoSatellite(name="Grey Heron")),
        (ask(do="goto", slot="124.0E"), c.GotoSlot(slot_deg=124.0)),
        (ask(do="goto", slot="30.5 W"), c.GotoSlot(slot_deg=-30.5)),
        (ask(do="goto", slot_deg=-30.5), c.GotoSlot(slot_deg=-30.5)),
        (ask(do="goto", slot_deg=180), c.GotoSlot(slot_deg=180.0)),
        (ask(do="goto", count_pulses=0), c.GotoCount(count_pulses=0)),
        (ask(do="goto", count_pulses=512.0), c.GotoCount(count_pulses=512)),
        (ask(do="goto", count_pulses=1_000_000), c.GotoCount(count_pulses=1_000_000)),
        (ask(do="nudge", step_pulses=-3), c.NudgePulses(step_pulses=-3)),
        (ask(do="nudge", step_deg=1.5), c.NudgeDegrees(step_deg=1.5)),
        (ask(do="halt"), c.Halt()),
        (ask(do="park"), c.Park()),
        (ask(do="hold"), c.Hold()),
        (ask(do="hold", reason="greasing"), c.Hold(reason="greasing")),
        (ask(do="release"), c.Release()),
        (ask(do="limits"), c.FindLimits()),
        (ask(do="reference", satellite="Heron"), c.TakeReference(name="Heron")),
        (
            ask(do="reference", satellite="Heron", sigma_pulses=2),
            c.TakeReference(name="Heron", sigma_pulses=2.0),
        ),
        (ask(do="drop", satellite="Heron"), c.DropReference(name="Heron")),
        (ask(do="settle", satellite="Heron"), c.SettleCount(name="Heron")),
        (ask(do="clear"), c.ClearFault()),
    ],
)
def test_a_command_is_read_from_json(payload: bytes, command: c.Command) -> None:
    assert read_json(payload) == Asked(command=command)


def test_every_command_can_be_asked_for() -> None:
    made = {form.makes for forms in FORMS.values() for form in forms}
    assert made == set(c.Command.__subclasses__())


def test_identity_and_time_are_read() -> None:
    read = read_json(ask(do="park", id="kitchen-7", sent_utc="2031-05-04T12:00:00Z"))
    # 2031-05-04T12:00:00Z: 22403 days after 1970-01-01 and a half, counted by `date -u -d`.
    assert read == Asked(command=c.Park(), command_id="kitchen-7", sent_utc=1935662400.0)


@pytest.mark.parametrize(
    ("text", "sent_utc"),
    [
        ("1970-01-01T00:00:10Z", 10.0),
        ("1970-01-01T01:00:10.5+01:00", 10.5),
        ("1969-12-31T23:59:59+00:00", -1.0),
    ],
)
def test_time_stamps_with_any_zone(text: str, sent_utc: float) -> None:
    read = read_json(ask(do="park", sent_utc=text))
    assert isinstance(read, Asked)
    assert read.sent_utc == sent_utc


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "empty"),
        (b" \n", "empty"),
        (b"\xff\xfe{", "not UTF-8 at byte 0"),
        (b'{"do": "goto\xe4"}', "not UTF-8 at byte 12"),
        (b"{", "not JSON"),
        (b"park", "not JSON"),
        (b'{"do": "park"} {"do": "park"}', "not JSON"),
        (b"[]", "a command is a JSON object, not a list"),
        (b'"park"', "a command is a JSON object, not 'park'"),
        (b"true", "a command is a JSON object, not True"),
        (b"null", "a command is a JSON object, not None"),
        (b"12", "a command is a JSON object, not 12"),
        (ask(), '"do" must be one of goto, nudge'),
        (ask(do=None), '"do" must be one of'),
        (ask(do=3), "not 3"),
        (ask(do=["park"]), "not a list"),
        (ask(do="gotoo"), "did you mean goto?"),
        (ask(do="Park"), "did you mean park?"),
        (ask(do="fly"), "'fly' is not something to do; can be: goto, nudge"),
        (ask(do="goto"), "goto needs satellite or slot or slot_deg or count_pulses"),
        (ask(do="goto", satellite="Heron", slot_deg=3), "takes one of"),
        (ask(do="goto", satelite="Heron"), "'satelite' is not a key of goto; did you mean satell"),
        (ask(do="park", satellite="Heron"), "'satellite' is not a key of park"),
        (ask(do="goto", satellite=""), "satellite must have 1 to 60 characters, not 0"),
        (ask(do="goto", satellite="x" * 61), "satellite must have 1 to 60 characters, not 61"),
        (ask(do="goto", satellite="He\nron"), "control characters"),
        (ask(do="goto", satellite="He\ud800ron"), "control characters"),
        (ask(do="goto", satellite=5), "satellite must be text, not 5"),
        (ask(do="goto", satellite=None), "satellite must be text, not None"),
        (
            ask(do="goto", slot_deg=-180),
            "slot_deg must be above -180 and at most 180 degrees east, not -180",
        ),
        (ask(do="goto", slot_deg=180.001), "slot_deg must be above -180"),
        (ask(do="goto", slot_deg=True), "slot_deg must be a number, not True"),
        (ask(do="goto", slot_deg="124"), "slot_deg must be a number, not '124'"),
        (ask(do="goto", slot=124.0), "a number is slot_deg"),
        (ask(do="goto", slot="200E"), "160W"),
        (b'{"do":"goto","slot_deg":NaN}', "NaN is not a finite number"),
        (b'{"do":"goto","slot_deg":Infinity}', "Infinity is not a finite number"),
        (b'{"do":"goto","slot_deg":-Infinity}', "-Infinity is not a finite number"),
        (b'{"do":"goto","slot_deg":1e400}', "slot_deg must be a finite number"),
        (b'{"do":"goto","slot_deg":1' + b"0" * 4000 + b"}", "slot_deg must lie between"),
        (b'{"do":"goto","count_pulses":-1' + b"0" * 4000 + b"}", "count_pulses must lie between"),
        (ask(do="goto", count_pulses=-1), "count_pulses must lie between 0 and 1e+06, not -1"),
        (ask(do="goto", count_pulses=1_000_001), "count_pulses must lie between"),
        (ask(do="goto", count_pulses=5.5), "count_pulses must be a whole number, not 5.5"),
        (ask(do="goto", count_pulses=False), "count_pulses must be a number, not False"),
        (ask(do="nudge", step_pulses=1, step_deg=1), "takes one of step_pulses or step_deg"),
        (ask(do="nudge", step_deg=180.5), "step_deg must lie between -180 and 180"),
        (ask(do="reference", sigma_pulses=1), "reference needs satellite"),
        (ask(do="reference", satellite="Heron", sigma_pulses=0), "sigma_pulses must lie between"),
        (ask(do="hold", reason="x" * 201), "reason must have 0 to 200 characters, not 201"),
        (ask(do="park", id=7), "id must be text, not 7"),
        (ask(do="park", id="x" * 65), "id must have 1 to 64 characters, not 65"),
        (ask(do="park", sent_utc=12.5), 'Z", not 12.5'),
        (ask(do="park", sent_utc="noon"), "Z\", not 'noon'"),
        (ask(do="park", sent_utc="2031-05-04T12:00:00"), "does not say which zone"),
        (b'{"do":"goto","slot_deg":1,"slot_deg":2}', "'slot_deg' is given twice"),
        (b'{"do":"park","x":{"a":1,"a":2}}', "'a' is given twice"),
        (b'{"do":"park"}' + b" " * 4084, "4097 bytes are too many; a command has at most 4096"),
        (b"[" * 10_000 + b"]" * 10_000, "20000 bytes are too many"),
        (b"\xff" * 10_000_000, "10000000 bytes are too many"),
    ],
)
def test_what_is_no_command_is_answered_with_the_reason(payload: bytes, reason: str) -> None:
    said = reason_of(read_json(payload))
    assert reason in said
    assert len(said) <= 300


# How deep is too deep for the parser depends on the Python, so there are two right answers.
@pytest.mark.parametrize(
    ("payload", "shallow_enough"),
    [
        (b"[" * 2000 + b"]" * 2000, "a command is a JSON object, not a list"),
        (
            b'{"do":"goto","satellite":' + b"[" * 1900 + b"]" * 1900 + b"}",
            "satellite must be text, not a list",
        ),
    ],
)
def test_what_is_nested_deeply_is_answered_with_a_reason(
    payload: bytes, shallow_enough: str
) -> None:
    said = reason_of(read_json(payload))
    assert said in (shallow_enough, "nested too deep; a command is one flat JSON object")


@pytest.mark.parametrize(
    ("length", "shown"), [(38, f"'{'x' * 38}'"), (39, f"'{'x' * 38}…"), (3000, f"'{'x' * 38}…")]
)
def test_a_long_value_is_cut_in_the_answer(length: int, shown: str) -> None:
    said = reason_of(read_json(ask(do="goto", slot_deg="x" * length)))
    assert said == f"slot_deg must be a number, not {shown}"


def test_a_payload_of_exactly_the_limit_is_read() -> None:
    payload = ask(do="park")
    assert read_json(payload + b" " * (SIZE_MAX - len(payload))) == Asked(command=c.Park())


@pytest.mark.parametrize("length", [60, 64])
def test_the_longest_texts_are_taken(length: int) -> None:
    key = {60: "satellite", 64: "id"}[length]
    given_keys = {"satellite": "Heron", "id": "a", key: "x" * length}
    assert isinstance(read_json(ask(do="goto", **given_keys)), Asked)


def test_the_answer_to_a_broken_command_carries_its_id() -> None:
    assert read_json(ask(do="gotoo", id="kitchen-7")).command_id == "kitchen-7"


@pytest.mark.parametrize(
    "payload",
    [
        b"halt",
        b" HALT\n",
        b'"halt"',
        b"halt\x00",
        b'{"do":"halt"',
        b'{"do": "Halt", "sent_utc": "whenever"}',
        b'{"do":"halt","slot_deg":NaN}',
        b'{"do":"goto","do":"halt"}',
        b'{"do":"halt","id":7}',
        b'{"do":"halt"}' + b" " * 10_000_000,
        b'\xff{"do":"halt"}',
    ],
)
def test_a_broken_halt_is_a_halt(payload: bytes) -> None:
    assert read_json(payload) == Asked(command=c.Halt())


def test_a_halt_with_strange_keys_keeps_its_id() -> None:
    read = read_json(ask(do="halt", id="kitchen-7", colour="blue"))
    assert read == Asked(command=c.Halt(), command_id="kitchen-7")


def test_talking_about_a_halt_is_none() -> None:
    read = read_json(ask(do="hold", reason='say "do": "halt"'))
    assert read == Asked(command=c.Hold(reason='say "do": "halt"'))


@pytest.mark.parametrize(
    ("verb", "payload", "command"),
    [
        ("goto", b"Heron", c.GotoSatellite(name="Heron")),
        ("goto", b" Grey Heron\n", c.GotoSatellite(name="Grey Heron")),
        ("goto", "Vogel 42° O".encode(), c.GotoSatellite(name="Vogel 42° O")),
        ("goto", b"124.0E", c.GotoSlot(slot_deg=124.0)),
        ("goto", b"124", c.GotoSlot(slot_deg=124.0)),
        ("goto", b"-30.5", c.GotoSlot(slot_deg=-30.5)),
        ("goto", b"30.5 w", c.GotoSlot(slot_deg=-30.5)),
        ("goto", "\N{MINUS SIGN}30.5°".encode(), c.GotoSlot(slot_deg=-30.5)),
        ("goto", b"512 pulses", c.GotoCount(count_pulses=512)),
        ("nudge", b"+3", c.NudgePulses(step_pulses=3)),
        ("nudge", b"-3", c.NudgePulses(step_pulses=-3)),
        ("nudge", b"1 pulse", c.NudgePulses(step_pulses=1)),
        ("nudge", b"1.5 deg", c.NudgeDegrees(step_deg=1.5)),
        ("nudge", "-1,5°".encode(), c.NudgeDegrees(step_deg=-1.5)),
        ("nudge", b"2deg", c.NudgeDegrees(step_deg=2.0)),
        ("halt", b"", c.Halt()),
        ("halt", b"\xff" * 10_000_000, c.Halt()),
        ("park", b"park", c.Park()),
        ("hold", b"", c.Hold()),
        ("hold", b"greasing", c.Hold(reason="greasing")),
        ("release", b"Release", c.Release()),
        ("limits", b"limits\n", c.FindLimits()),
        ("reference", b"Heron", c.TakeReference(name="Heron")),
        ("drop", b"Heron", c.DropReference(name="Heron")),
        ("settle", b"Heron", c.SettleCount(name="Heron")),
        ("clear", b"clear", c.ClearFault()),
    ],
)
def test_a_command_is_read_from_plain_text(verb: str, payload: bytes, command: c.Command) -> None:
    assert read_plain(verb, payload) == Asked(command=command)


@pytest.mark.parametrize(
    ("verb", "payload", "reason"),
    [
        ("goto", b"", "satellite must have 1 to 60 characters, not 0"),
        ("goto", b"999", "past 180 degrees"),
        ("goto", b"nan", "is not understood"),
        ("goto", b"-inf", "is not understood"),
        ("goto", b"1e400", "is not understood"),
        ("goto", b"1.2.3", "is not understood"),
        ("goto", b"9" * 4000, "past 180 degrees"),
        ("goto", b"-5 pulses", "count must lie between 0"),
        ("goto", b"5.5 pulses", "count must be a whole number"),
        ("goto", b"\xc3\x28", "not UTF-8 at byte 0"),
        ("goto", b"He\x00ron", "control characters"),
        ("goto", b"x" * 4097, "4097 bytes are too many"),
        ("nudge", b"", "write +3 or 1.5 deg"),
        ("nudge", b"1.5", "1.5 is not a whole number of pulses; write 1.5 deg"),
        ("nudge", b"three", "write +3 or 1.5 deg"),
        ("nudge", b"nan", "write +3 or 1.5 deg"),
        ("nudge", b"1e9", "write +3 or 1.5 deg"),
        ("nudge", b"200 deg", "step must lie between -180 and 180"),
        ("nudge", b"9999999", "step must lie between"),
        ("nudge", b"true", "write +3 or 1.5 deg"),
        ("park", b"", "the payload must be the word park"),
        ("park", b"yes", "the payload must be the word park, not 'yes'"),
        ("release", b"", "the payload must be the word release"),
        ("limits", b"1", "the payload must be the word limits"),
        ("clear", b"", "the payload must be the word clear"),
        ("hold", b"\xff", "not UTF-8"),
        ("reference", b"", "satellite must have 1 to 60 characters"),
        ("gotoo", b"Heron", "did you mean goto?"),
        ("goto/now", b"Heron", "is not something to do"),
    ],
)
def test_what_is_no_plain_command_is_answered(verb: str, payload: bytes, reason: str) -> None:
    assert reason in reason_of(read_plain(verb, payload))


@pytest.mark.parametrize("verb", sorted(FORMS))
def test_wiping_a_retained_message_moves_nothing(verb: str) -> None:
    read = read_plain(verb, b"")
    assert not (isinstance(read, Asked) and isinstance(read.command, MOVING))
