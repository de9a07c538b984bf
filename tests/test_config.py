"""The loader: what it reads, what it refuses, and the words of each refusal."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.config import (
    Satellite,
    TwoRelays,
    load,
)
from controller.config.paper import BYTES_MAX, DEPTH_MAX
from controller.config.places import MISTAKES_TOLD
from controller.errors import ConfigError

# Arms 300 and 400 with a right angle between them: the rod is 500, and reaches from 100 to 700.
DISH = """\
site: {name: Tussock Downs, latitude_deg: -45.1, longitude_deg: 169.4}
dish: {name: tussock, diameter_m: 3}
actuator:
  side: west
  dish_arm_mm: {value: 300, sigma: 3}
  mast_arm_mm: {value: 400, sigma: 3}
  axial_offset_mm: {value: 0, sigma: 3}
  retracted_mm: {value: 300, sigma: 3}
  stroke_mm: {value: 350, sigma: 3}
  pulses_per_mm: {value: 2, sigma: 0.02}
sensor: {pin: 17}
pins:
  drive: {kind: two-relays, east_pin: 5, west_pin: 6}
"""

TOO_LARGE = "dish.yaml: must be at most 256 KiB, and is more; is it the right file?"

Written = Callable[[str], Path]


@pytest.fixture
def written(tmp_path: Path) -> Written:
    def write(text: str, name: str = "dish.yaml") -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode("utf-8", "surrogateescape"))
        return path

    return write


def refusal(path: Path) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        load(path)
    return [line.removeprefix(f"{path.parent}/") for line in str(caught.value).splitlines()]


def complaint(path: Path) -> str:
    """The one complaint about a file, without where it stands."""
    (line,) = refusal(path)
    return re.sub(r"^[\w.-]+:\d+:\d+: ", "", line)


def test_the_least_file_is_read_with_every_default(written: Written) -> None:
    settings = load(written(DISH))
    assert settings.site.latitude_deg == -45.1
    assert settings.pins.drive == TwoRelays(kind="two-relays", east_pin=5, west_pin=6)
    assert settings.motion.max_run_s == 180.0
    assert settings.satellites == ()


def test_settings_cannot_be_changed(written: Written) -> None:
    settings = load(written(DISH))
    with pytest.raises(ValueError, match="frozen"):
        settings.motion.max_run_s = 600.0


def test_a_name_may_be_given_as_text(written: Written) -> None:
    assert load(str(written(DISH))).dish.name == "tussock"


def test_every_mistake_is_told_at_once_in_the_order_of_the_file(written: Written) -> None:
    text = (
        DISH.replace("side: west", "side: up").replace("-45.1", "-95").replace("17}", "17, x: 1}")
    )
    assert refusal(written(text)) == [
        "dish.yaml:1:29: site.latitude_deg: must be above -90, not -95",
        "dish.yaml:4:3: actuator.side: must be one of east, west, not 'up'",
        "dish.yaml:11:19: sensor.x: is not an option; there are: pin, second_pin, pull_up, "
        "closed_is_low, stable_s, rate_max_pulses_per_s",
    ]


def test_checks_between_sections_run_beside_a_mistake_in_another(written: Written) -> None:
    text = DISH.replace("sensor: {pin: 17}", "sensor: {pin: 5}\nhub: {discovry: true}")
    assert refusal(written(text)) == [
        "dish.yaml:12:7: hub.discovry: is not an option; did you mean discovery?",
        "dish.yaml:14:29: pins.drive.east_pin: line 5 is in use by sensor.pin already; "
        "every pin needs its own",
    ]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("motion: {max_run: 60}", "motion.max_run: is not an option; did you mean max_run_s?"),
        ("motion: {max-run-s: 60}", "motion.max-run-s: is not an option; did you mean max_run_s?"),
        ("hub: {max_run_s: 60}", "hub.max_run_s: is not an option; did you mean motion.max_run_s?"),
        ("moton: {}", "moton: is not an option; did you mean motion?"),
        ("pull_up: true", "pull_up: is not an option; did you mean sensor.pull_up?"),
        ("hub: {zzz: 1}", "hub.zzz: is not an option; there are: discovery, prefix"),
    ],
)
def test_unknown_option_is_answered_with_what_was_meant(
    written: Written, line: str, told: str
) -> None:
    assert complaint(written(DISH + line)) == told


@pytest.mark.parametrize("name", ["password", "Password", "token", "secret"])
def test_secret_in_the_file_is_refused_and_never_repeated(written: Written, name: str) -> None:
    told = complaint(written(DISH + f"broker: {{{name}: hunter2}}"))
    assert told == (
        f"broker.{name}: secrets do not stand here: write it into a file that only the service "
        f"can read, and name that file in password_file"
    )


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("motion: {stall_s: fast}", "motion.stall_s: must be a number, not 'fast'"),
        (
            "motion: {stall_s: 2 s}",
            "motion.stall_s: must be a number, not '2 s'; write 2, the unit is in the name",
        ),
        (
            'motion: {stall_s: "2,5"}',
            "motion.stall_s: must be a number, not '2,5'; write 2.5, with a point",
        ),
        (
            'motion: {stall_s: "2"}',
            "motion.stall_s: must be a number, not '2'; leave the quotes and leading zeros out",
        ),
        ("motion: {stall_s: yes}", "motion.stall_s: must be a number, not yes"),
        ("motion: {stall_s: .nan}", "motion.stall_s: must be a number, not .nan"),
        ("motion: {stall_s: -.inf}", "motion.stall_s: must be a number, not -.inf"),
        ("motion: {stall_s: 1e999}", "motion.stall_s: must be a number, not 1e999"),
        ("motion: {stall_s: [2]}", "motion.stall_s: must be a number, not a list"),
        ("motion: {stall_s: {}}", "motion.stall_s: must be a number, not a section"),
        ("motion: {stall_s: }", "motion.stall_s: must be a number, not nothing"),
        (
            "motion: {corrections_max: 2.5}",
            "motion.corrections_max: must be a whole number, not 2.5",
        ),
        (
            "motion: {corrections_max: true}",
            "motion.corrections_max: must be a whole number, not true",
        ),
        ("hub: {discovery: 1}", "hub.discovery: must be true or false, not 1"),
        ("hub: {prefix: no}", "hub.prefix: must be text, and YAML reads no as false: write 'no'"),
        ("hub: {prefix: 12}", "hub.prefix: must be text, not a number: write '12'"),
        ("hub: {prefix: [a]}", "hub.prefix: must be text, not a list"),
        (
            "hub: {prefix: a/#}",
            "hub.prefix: 'a/#' will not do: topic under which the hub listens for announcements",
        ),
        (
            "hub: {prefix: '" + "x" * 121 + "'}",
            "hub.prefix: must have at most 120 characters, not 121",
        ),
        ("hub: ", "hub: has nothing below it: remove the line, or give it an option"),
        ("hub: on", "hub: must be a section with discovery, prefix, not on"),
        ("broker: {ca_file: 3}", "broker.ca_file: must be the name of a file, not 3"),
        ("satellites: 3", "satellites: must be a list, or the name of a file with the list, not 3"),
        ("hub: {prefix: !!binary aGk=}", "hub.prefix: tags are not read; leave !!binary out"),
        ("hub: !hub {}", "hub: tags are not read; leave !hub out"),
    ],
)
def test_value_of_the_wrong_kind_is_refused_in_words(
    written: Written, line: str, told: str
) -> None:
    assert complaint(written(DISH + line)) == told


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("hub: {prefix: a, prefix: b}", "hub.prefix: is given twice; the first stands in line 14"),
        (
            "hub: {prefix: 12:30:45}",
            "hub.prefix: 12:30:45 is what YAML reads as a number to the base of 60: "
            "write it in quotes if it is text",
        ),
        (
            "motion: {stall_s: 010}",
            "motion.stall_s: 010 begins with 0, which YAML reads as octal: "
            "write 10, or put it in quotes if it is text",
        ),
        ("hub: {<<: {prefix: a}}", "hub.<<: merge keys are not read; write the options out"),
        ("hub: {[a]: b}", "hub: the name of an option must be a word"),
    ],
)
def test_what_yaml_reads_otherwise_than_people_is_refused(
    written: Written, line: str, told: str
) -> None:
    assert complaint(written(DISH + line)) == told


@pytest.mark.parametrize(
    ("text", "stall_s"),
    [("1e0", 1.0), ("1.5e+0", 1.5), ("5E-1", 0.5), (".5e1", 5.0), ("2", 2.0), ("2.", 2.0)],
)
def test_number_with_an_exponent_is_a_number(written: Written, text: str, stall_s: float) -> None:
    assert load(written(DISH + f"motion: {{stall_s: {text}}}")).motion.stall_s == stall_s


@pytest.mark.parametrize("text", ["0x11", "0b10001", "1_7", "+17"])
def test_other_writings_of_whole_numbers_are_read(written: Written, text: str) -> None:
    assert load(written(DISH.replace("17", text))).sensor.pin == 17


def test_date_is_text(written: Written) -> None:
    text = DISH + "satellites: [{name: Heron, slot_deg: 1, notes: 2031-04-01}]"
    assert load(written(text)).satellites[0].notes == "2031-04-01"


def test_quoted_text_that_looks_like_a_trap_is_text(written: Written) -> None:
    text = DISH + "satellites: [{name: 'no', slot_deg: 150, notes: '12:30:45'}]"
    assert load(written(text)).satellites[0] == Satellite(
        name="no", slot_deg=150.0, notes="12:30:45"
    )


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"", "dish.yaml:1:1: the file is empty; config/minimal.yaml shows what it needs"),
        (b"# no", "dish.yaml:1:1: the file is empty; config/minimal.yaml shows what it needs"),
        (b"a\xe4", "dish.yaml:1:2: byte 0xE4 is not UTF-8; save the file as UTF-8"),
        (b"a: b\nc: \xff", "dish.yaml:2:4: byte 0xFF is not UTF-8; save the file as UTF-8"),
        ("a: b".encode("utf-16"), "dish.yaml:1:1: the file is UTF-16; save it as UTF-8"),
        (b"a: b\nc: \0", "dish.yaml:2:4: character 0x00 may not stand in YAML"),
        (b"a:\n\tb: c", "dish.yaml:2:1: a tab; YAML wants spaces"),
        (b"a: b: c", "dish.yaml:1:5: not valid YAML: mapping values are not allowed here"),
        (
            b"a: 'b",
            "dish.yaml:1:6: not valid YAML: found unexpected end of stream "
            "(while scanning a quoted scalar)",
        ),
        (b"a: *b", "dish.yaml:1:4: not valid YAML: found undefined alias 'b'"),
        (b"a: 1\n---\nb: 1", "dish.yaml:2:1: a second document begins; there must be one"),
        (b"a: &b [*b]", "dish.yaml:1:4: an alias stands inside what it stands for"),
        (b"x" * (BYTES_MAX + 1), TOO_LARGE),
        (b"x" * 10_000_000, TOO_LARGE),
        (b"[" * (DEPTH_MAX + 1), "dish.yaml:1:21: more than 20 levels deep"),
        (b"a: " + b"[" * 100_000, "dish.yaml:1:23: more than 20 levels deep"),
    ],
    ids=range(16),
)
def test_file_that_cannot_be_read_is_refused_with_the_place(
    tmp_path: Path, raw: bytes, told: str
) -> None:
    (tmp_path / "dish.yaml").write_bytes(raw)
    assert refusal(tmp_path / "dish.yaml") == [told]


@pytest.mark.parametrize("raw", [b"[]", b"3", b"- a\n- b", b"null"])
def test_file_that_is_no_mapping_is_refused_with_the_sections(tmp_path: Path, raw: bytes) -> None:
    (tmp_path / "dish.yaml").write_bytes(raw)
    assert refusal(tmp_path / "dish.yaml") == [
        "dish.yaml:1:1: the file must be made of sections: site, dish, mount, actuator, sensor, "
        "pins, motion, broker, hub, signal, satellites, state_dir"
    ]


def test_aliases_that_multiply_are_refused(written: Written) -> None:
    text = "a0: &a0 [x]\n"
    for level in range(1, 12):
        text += f"a{level}: &a{level} [{', '.join([f'*a{level - 1}'] * 10)}]\n"
    (told,) = refusal(written(text))
    assert told.endswith("aliases make this more than 20000 values")


def test_alias_that_saves_writing_is_read(written: Written) -> None:
    text = DISH.replace("retracted_mm: {", "retracted_mm: &tape {")
    text = text.replace("axial_offset_mm: {value: 0, sigma: 3}", "")
    text = text.replace("stroke_mm: {value: 350, sigma: 3}", "stroke_mm: *tape")
    assert load(written(text)).actuator.stroke_mm.value == 300.0


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("nowhere.yaml", "nowhere.yaml: cannot be read: No such file or directory"),
        (".", "cannot be read: Is a directory"),
    ],
)
def test_file_that_is_not_there_is_told(tmp_path: Path, path: str, told: str) -> None:
    with pytest.raises(ConfigError, match=f"{re.escape(told)}$"):
        load(tmp_path / path)


def test_byte_order_mark_is_no_mistake(written: Written) -> None:
    assert load(written("\ufeff" + DISH)).dish.name == "tussock"


def test_windows_line_ends_are_no_mistake(written: Written) -> None:
    assert load(written(DISH.replace("\n", "\r\n"))).dish.name == "tussock"


def test_no_more_mistakes_are_told_than_a_person_reads(written: Written) -> None:
    unknown = ", ".join(f"z{number}: 1" for number in range(MISTAKES_TOLD + 7))
    told = refusal(written(DISH + f"hub: {{{unknown}}}"))
    assert (len(told), told[-1]) == (MISTAKES_TOLD + 1, "and 7 more")


def test_missing_option_is_told_where_its_section_stands(written: Written) -> None:
    text = DISH.replace("  retracted_mm: {value: 300, sigma: 3}\n", "")
    assert refusal(written(text)) == [
        "dish.yaml:3:1: actuator.retracted_mm: is missing: pin to pin with the rod fully in, mm"
    ]


def test_missing_section_is_told(written: Written) -> None:
    assert complaint(written(DISH.replace("sensor: {pin: 17}\n", ""))) == (
        "sensor: is missing: the sensor that counts"
    )


@pytest.mark.parametrize(
    ("drive", "told"),
    [
        (
            {"kind": "two-relay"},
            "pins.drive.kind: must be one of two-relays, reversing-relay, h-bridge, "
            "not 'two-relay'",
        ),
        (
            {"east_pin": 5},
            "pins.drive.kind: is missing: one of two-relays, reversing-relay, h-bridge",
        ),
        (
            {"kind": "two-relays", "east_pin": 5, "west_pin": 6, "settle_s": 0.1},
            "pins.drive.settle_s: is not an option of this kind; it goes with reversing-relay",
        ),
        (
            {"kind": "h-bridge", "east_pin": 5, "west_pin": 6, "frequency_hz": 20001},
            "pins.drive.frequency_hz: must be at most 20000, not 20001",
        ),
    ],
)
def test_drive_is_checked_as_its_kind(written: Written, drive: dict[str, Any], told: str) -> None:
    text = DISH.replace("{kind: two-relays, east_pin: 5, west_pin: 6}", str(drive))
    assert complaint(written(text)) == told
