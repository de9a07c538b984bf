"""The example files against the models, the schema and the bench's own sites."""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import pytest
import yaml
from pydantic import TypeAdapter

from controller.bench.scenario import SCENARIOS, TAPES
from controller.bench.wires import ReversingRelay as WiredReversingRelay
from controller.bench.wires import TwoRelays as WiredTwoRelays
from controller.config import Section, Settings, Taped, read
from controller.config.schema import schema_text
from controller.config.wiring import Drive, ReversingRelay, TwoRelays
from controller.config.wording import sections_in

CONFIG = Path(__file__).parent.parent / "config"
FULL = ("tussock-downs", "alder-fen")

_OPTION = re.compile(r"(?P<indent> *(?:- )?)#?(?P<name>[a-z_]+):(?: |$)(?P<rest>.*)")

# The last word of a name, and how its comment says it.
UNITS = {
    "deg": ("degrees", "slot"),
    "mm": ("mm",),
    "m": ("m.", "m;"),
    "s": (", s.", ", s;"),
    "a": (", A.",),
    "ghz": ("GHz",),
    "hz": ("Hz",),
    "pulses": ("pulses",),
}


@dataclass(frozen=True)
class Shown:
    """One option as an example shows it, with the comment above it."""

    place: tuple[str, ...]
    comment: str
    in_use: bool


def shown(lines: list[str], around: tuple[str, ...] = ()) -> Iterator[Shown]:
    above: list[tuple[int, str]] = []
    comment: list[str] = []
    for line in lines:
        text = line.replace("- # ", "  # ", 1) if line.lstrip().startswith("- # ") else line
        option = _OPTION.match(text)
        if option:
            indent = len(option["indent"])
            above = [(depth, name) for depth, name in above if depth < indent]
            above.append((indent, option["name"]))
            in_use = "#" not in text.split(":")[0]
            place = (*around, *(name for _, name in above))
            yield Shown(place, " ".join(comment), in_use)
            comment = []
        elif text.lstrip().startswith("# "):
            comment.append(text.strip().removeprefix("# "))
        else:
            comment = []


def in_file(name: str) -> list[Shown]:
    found = list(shown((CONFIG / f"{name}.yaml").read_text().splitlines()))
    other = CONFIG / f"{name}-satellites.yaml"
    if other.exists():
        found += shown(other.read_text().splitlines(), ("satellites",))
    return found


def options(
    root: type[Section], around: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], type[Section]]]:
    for name, field in root.model_fields.items():
        yield (*around, name), root
        for inner in sections_in(field.annotation):
            if inner is not Taped:
                yield from options(inner, (*around, name))


def as_yaml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return f"{value:g}"
    if isinstance(value, Taped):
        return f"{{value: {value.value:g}, sigma: {value.sigma:g}}}"
    return {None: "none", (): "none", "": '""'}.get(value, str(value))  # type: ignore[call-overload,no-any-return]


def facts(model: type[Section], name: str) -> Iterator[str]:
    field = model.model_fields[name]
    if field.is_required():
        yield "required"
    elif not isinstance(field.default, Section) or isinstance(field.default, Taped):
        yield f"default {as_yaml(field.default)}"
    schema = json.dumps(model.model_json_schema()["properties"][name])
    for key, words in {
        "minimum": "at least",
        "exclusiveMinimum": "above",
        "maximum": "at most",
        "exclusiveMaximum": "below",
    }.items():
        for bound in re.findall(rf'"{key}": ([-0-9.]+)', schema):
            yield f"{words} {float(bound):g}" if abs(float(bound)) < 1e5 else f"{words} {bound}"
    choices = [c for a in get_args(field.annotation) if isinstance(c := a, str)]
    if len(choices) > 1:
        yield f"one of {', '.join(choices)}"


ALL = [(example, place, model) for example in FULL for place, model in options(Settings)]


@pytest.mark.parametrize(
    ("example", "place", "model"), ALL, ids=lambda v: ".".join(v) if isinstance(v, tuple) else None
)
def test_example_shows_every_option_with_its_default_and_bounds(
    example: str, place: tuple[str, ...], model: type[Section]
) -> None:
    comments = [found.comment for found in in_file(example) if found.place == place]
    wanted = set(facts(model, place[-1]))
    assert comments, f"{'.'.join(place)} is not in {example}.yaml"
    assert any(wanted <= said_in(comment) for comment in comments), (wanted, comments)


def said_in(comment: str) -> set[str]:
    parts = re.split(r"; |\. |\.$", comment)
    return {part[:1].lower() + part[1:] for part in parts if part}


@pytest.mark.parametrize(
    ("example", "place", "model"), ALL, ids=lambda v: ".".join(v) if isinstance(v, tuple) else None
)
def test_example_says_the_unit(example: str, place: tuple[str, ...], model: type[Section]) -> None:
    words = UNITS.get(place[-1].split("_")[-1])
    comments = [found.comment for found in in_file(example) if found.place == place]
    if words and "pulses_per" not in place[-1] and "duty" not in place[-1]:
        assert any(word in comment for comment in comments for word in words), comments


@pytest.mark.parametrize("example", FULL)
def test_example_shows_nothing_that_is_no_option(example: str) -> None:
    known = {place for place, _ in options(Settings)}
    assert {found.place for found in in_file(example)} <= known


@pytest.mark.parametrize("example", [*FULL, "minimal"])
def test_example_is_accepted_without_a_note(example: str) -> None:
    assert read(CONFIG / f"{example}.yaml").notes == ()


@pytest.mark.parametrize("example", [*FULL, "minimal"])
def test_example_begins_with_the_line_that_editors_read(example: str) -> None:
    first = (CONFIG / f"{example}.yaml").read_text().splitlines()[0]
    assert first == "# yaml-language-server: $schema=schema.json"


def test_schema_is_the_one_that_the_models_make() -> None:
    assert json.loads((CONFIG / "schema.json").read_text()) == json.loads(schema_text())


def alternatives(text: str) -> list[list[str]]:
    blocks = re.findall(r"\n *# Instead: [^\n]*\n((?: *#[^\n]*\n)+)", text)
    return [bare(block.splitlines()) for block in blocks]


def bare(lines: list[str]) -> list[str]:
    return [re.sub(r"^( *)#(?=[a-z])", r"\1", line) for line in lines]


@pytest.mark.parametrize("example", FULL)
def test_example_is_accepted_with_every_option_in_use(example: str, tmp_path: Path) -> None:
    text = (CONFIG / f"{example}.yaml").read_text()
    text = re.sub(r"\n *# Instead: [^\n]*\n((?: *#[^\n]*\n)+)", "\n", text)
    text = text.replace("#park_count_pulses", "# park_count_pulses")
    (tmp_path / "all.yaml").write_text("\n".join(bare(text.splitlines())))
    for other in CONFIG.glob("*-satellites.yaml"):
        (tmp_path / other.name).write_text(other.read_text())
    settings = read(tmp_path / "all.yaml").settings
    assert settings.broker.tls
    unused = [
        ".".join(place)
        for place, _ in options(Settings)
        if place[:2] != ("pins", "drive") and value(settings, place) is None
    ]
    assert unused == ["motion.park_count_pulses"]


def value(settings: Any, place: tuple[str, ...]) -> Any:
    for part in place:
        owner = settings[0] if isinstance(settings, tuple) else settings
        settings = getattr(owner, part)
    return settings


@pytest.mark.parametrize("example", FULL)
def test_both_other_drives_of_the_example_are_accepted(example: str) -> None:
    in_use = read(CONFIG / f"{example}.yaml").settings.pins.drive.kind
    kinds = {in_use}
    for block in alternatives((CONFIG / f"{example}.yaml").read_text()):
        table = yaml.safe_load("\n".join(block))
        kinds.add(TypeAdapter(Drive).validate_python(table["drive"]).kind)
    assert kinds == {"two-relays", "reversing-relay", "h-bridge"}


@pytest.mark.parametrize("example", FULL)
def test_example_lists_the_satellites_of_the_bench(example: str) -> None:
    listed = {s.name: s.slot_deg for s in read(CONFIG / f"{example}.yaml").settings.satellites}
    assert listed == {s.name: s.slot_deg for s in SCENARIOS[example].satellites}


@pytest.mark.parametrize("example", FULL)
def test_example_gives_what_the_owner_taped(example: str) -> None:
    settings, tape = read(CONFIG / f"{example}.yaml").settings, TAPES[example]
    taped = {name: getattr(settings.actuator, name).value for name in vars(tape)}
    assert taped == vars(tape)
    plan = SCENARIOS[example]
    assert settings.actuator.side == plan.triangle.side
    assert settings.mount.axis_elevation_deg == plan.axis_elevation_deg
    assert settings.mount.declination_offset_deg == plan.declination_offset_deg
    assert settings.dish.diameter_m == plan.beam.diameter_m
    place = (settings.site.latitude_deg, settings.site.longitude_deg, settings.site.height_m)
    assert place == (plan.site.latitude_deg, plan.site.longitude_deg, plan.site.height_m)


@pytest.mark.parametrize("example", FULL)
def test_example_is_wired_like_the_bench(example: str) -> None:
    settings, wires = read(CONFIG / f"{example}.yaml").settings, SCENARIOS[example].wires
    pins, sensor = settings.pins, settings.sensor
    ends = pins.limit_switches
    assert (sensor.pin, sensor.second_pin) == (wires.sensor_pin, wires.second_pin)
    assert (pins.stop_pin, pins.hold_pin) == (wires.stop_pin, wires.hold_pin)
    assert (ends.east_pin, ends.west_pin) == (wires.east_limit_pin, wires.west_limit_pin)
    assert (pins.main_relay_pin, pins.active_low) == (wires.main_relay_pin, wires.active_low)
    match pins.drive:
        case TwoRelays(east_pin=east, west_pin=west):
            assert wires.drive == WiredTwoRelays(east_pin=int(east), west_pin=int(west))
        case ReversingRelay(power_pin=power, reverse_pin=reverse, reverse_is=side):
            expected = WiredReversingRelay(
                power_pin=int(power), reverse_pin=int(reverse), reverse_is=side
            )
            assert wires.drive == expected
        case _:
            pytest.fail("the bench has no bridge in these sites")
