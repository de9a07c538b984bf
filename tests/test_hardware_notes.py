"""The hardware notes: drawings that can be read, and words that agree with them and the code."""

import re
import typing
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from pydantic import BaseModel

from controller.config import Sensor, Settings
from controller.edge.linepin import EDGES_KEPT
from controller.edge.safe import PATIENCE_S
from controller.edge.softpwm import FREQUENCY_MAX_HZ

NOTES = Path(__file__).parent.parent / "hardware-notes"
PAGES = sorted(NOTES.glob("*.md"))
DRAWINGS = sorted(NOTES.glob("*.svg"))
SVG = "{http://www.w3.org/2000/svg}"
OPTION = re.compile(r"(?<![\w-])(?:pins|sensor|motion|mount)(?:\.[a-z_]+)+")


def words_on(drawing: Path) -> list[str]:
    root = ET.fromstring(drawing.read_text("utf-8"))
    return ["".join(text.itertext()) for text in root.iter(f"{SVG}text")]


def options_of(model: Any, path: str = "") -> set[str]:
    """Every option of the configuration, as its dotted path."""
    found = {path} if path else set()
    if isinstance(model, type) and issubclass(model, BaseModel):
        for name, field in model.model_fields.items():
            found |= options_of(field.annotation, f"{path}.{name}" if path else name)
    else:
        for part in typing.get_args(model):
            found |= options_of(part, path)
    return found


OPTIONS = options_of(Settings)


def test_the_notes_are_there() -> None:
    assert [page.stem for page in PAGES] == [
        "boot-and-kill",
        "mount",
        "safety",
        "sensor",
        "supply",
        "wiring",
    ]
    assert [drawing.stem for drawing in DRAWINGS] == [
        "h-bridge",
        "reed",
        "reversing-relay",
        "two-relays",
        "whole",
    ]


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda path: path.stem)
def test_a_drawing_says_what_it_is_and_stays_on_its_page(drawing: Path) -> None:
    root = ET.fromstring(drawing.read_text("utf-8"))
    assert root.tag == f"{SVG}svg"
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert title.text
    assert description is not None
    assert description.text
    _, _, width, height = (float(number) for number in root.attrib["viewBox"].split())
    for text in root.findall(f"{SVG}text"):
        assert 0 < float(text.attrib["x"]) < width
        assert 0 < float(text.attrib["y"]) < height
    used = {use.attrib["href"].lstrip("#") for use in root.iter(f"{SVG}use")}
    assert used == {group.attrib["id"] for group in root.iter(f"{SVG}g")}


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda path: path.stem)
def test_a_drawing_needs_no_colour(drawing: Path) -> None:
    assert set(re.findall(r"#[0-9a-fA-F]{3,6}\b(?=;)", drawing.read_text("utf-8"))) == {
        "#fff",
        "#000",
    }


def drawn_and_described() -> list[tuple[str, str]]:
    """(drawing, first column) for each row of a table that follows a drawing."""
    rows = []
    for page in (NOTES / "wiring.md", NOTES / "sensor.md"):
        drawing = ""
        for line in page.read_text("utf-8").splitlines():
            if picture := re.match(r"!\[.*\]\((.*\.svg)\)", line):
                drawing = picture[1]
            elif line.startswith("## "):
                drawing = ""
            elif drawing and line.startswith("| ") and not line.startswith(("| drawing", "| ---")):
                named = line.split("|")[1].replace("`", "")
                rows += [(drawing, word.strip()) for word in named.split(", ")]
    return rows


@pytest.mark.parametrize(
    ("drawing", "word"),
    [row for row in drawn_and_described() if row[1] != "pins.drive.reverse_is"],
)
def test_what_a_page_explains_is_on_its_drawing(drawing: str, word: str) -> None:
    assert any(word in text for text in words_on(NOTES / drawing))


@pytest.mark.parametrize("word", ["F1", "S1 stop", "K3 main", "west limit", "D2", "Z1", "driver"])
@pytest.mark.parametrize("drawing", ["two-relays", "reversing-relay", "h-bridge"])
def test_what_all_ways_share_is_on_each_of_them(drawing: str, word: str) -> None:
    assert word in words_on(NOTES / f"{drawing}.svg")


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda path: path.stem)
def test_every_line_of_the_board_on_a_drawing_is_explained(drawing: Path) -> None:
    explained = (NOTES / "wiring.md").read_text("utf-8") + (NOTES / "sensor.md").read_text("utf-8")
    for option in {found for text in words_on(drawing) for found in OPTION.findall(text)}:
        assert f"`{option}" in explained or drawing.stem == "whole"


@pytest.mark.parametrize("page", [*PAGES, *DRAWINGS], ids=lambda path: path.name)
def test_every_option_that_is_named_exists(page: Path) -> None:
    named = set(OPTION.findall(page.read_text("utf-8")))
    assert {option for option in named if option not in OPTIONS} == set()


def test_options_of_finds_a_nested_option_and_no_other() -> None:
    assert "pins.drive.reverse_pin" in OPTIONS
    assert "pins.limit_switches.east_pin" in OPTIONS
    assert "pins.drive.no_such_pin" not in OPTIONS


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.stem)
def test_every_file_that_a_page_points_to_exists(page: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", page.read_text("utf-8")):
        assert (NOTES / target).exists(), target


@pytest.mark.parametrize("page", ["wiring", "sensor", "boot-and-kill"])
def test_pages_about_the_board_say_that_none_was_touched(page: str) -> None:
    text = (NOTES / f"{page}.md").read_text("utf-8")
    assert "No board has been touched with this program so far" in text


def test_the_safety_page_says_what_software_is_not() -> None:
    text = (NOTES / "safety.md").read_text("utf-8")
    assert "Software is never the safety function" in text
    for standard in ("IEC 60204-1", "9.2.2", "ISO 13850", "ISO 13849-1", "IEC/EN 60728-11"):
        assert standard in text


@pytest.mark.parametrize(
    ("page", "sentence"),
    [
        ("sensor", f"the program asks for {EDGES_KEPT}"),
        ("sensor", f"sensor.stable_s: {Sensor.model_fields['stable_s'].default:g}"),
        ("wiring", f"up to {FREQUENCY_MAX_HZ:g} Hz"),
        ("boot-and-kill", {2.0: "has two seconds"}[PATIENCE_S]),
    ],
)
def test_a_figure_of_the_code_is_the_figure_of_the_page(page: str, sentence: str) -> None:
    assert sentence in (NOTES / f"{page}.md").read_text("utf-8")
