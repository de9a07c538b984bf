import re
import subprocess
from pathlib import Path

import click
import pytest
import yaml

from controller.cli import main
from controller.config import load
from controller.edge.topics import TOPICS, as_markdown, verbs_as_markdown

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
TOPICS_PAGE = (ROOT / "config/topics.md").read_text(encoding="utf-8")
PAGES = sorted(
    [*ROOT.glob("*.md"), *(ROOT / "config").rglob("*.md"), *ROOT.glob("hardware-notes/**/*.md")]
)
SHELL = re.compile(r"^ *```sh\n(.*?)^ *```$", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")


COMMANDS = [f"arckeeper {name}" for name in main.list_commands(click.Context(main))]


def page(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("command", COMMANDS)
def test_the_readme_shows_every_command(command: str) -> None:
    assert re.search(rf"`{command}\b", README)


def test_the_readme_shows_no_command_that_is_not_there() -> None:
    told = set(re.findall(r"`(arckeeper [a-z-]+)", README))
    assert told <= set(COMMANDS)


@pytest.mark.parametrize("topic", [topic.name for topic in TOPICS])
def test_every_topic_is_written_down(topic: str) -> None:
    assert f"`{topic}`" in TOPICS_PAGE


def test_the_page_of_topics_holds_the_tables_of_the_program() -> None:
    assert as_markdown() in TOPICS_PAGE
    assert verbs_as_markdown() in TOPICS_PAGE
    assert "(config/topics.md)" in README


def complaint_of_the_shell(lines: str) -> str:
    parsed = subprocess.run(
        ["bash", "-n"], input=lines, text=True, capture_output=True, check=False
    )
    return parsed.stderr


@pytest.mark.parametrize("path", PAGES, ids=page)
def test_every_shell_line_can_be_parsed(path: Path) -> None:
    found = SHELL.findall(path.read_text(encoding="utf-8"))
    assert [complaint_of_the_shell(lines) for lines in found] == [""] * len(found)


def test_a_broken_shell_line_would_be_noticed() -> None:
    assert complaint_of_the_shell("if (") != ""
    assert SHELL.findall("```sh\nif (\n```\n") == ["if (\n"]


@pytest.mark.parametrize("path", PAGES, ids=page)
def test_every_link_leads_somewhere(path: Path) -> None:
    targets = [
        target.split("#")[0]
        for target in LINK.findall(path.read_text(encoding="utf-8"))
        if not target.startswith(("#", "https://", "http://"))
    ]
    assert [target for target in targets if not (path.parent / target).exists()] == []


@pytest.mark.parametrize("path", PAGES, ids=page)
def test_every_module_that_is_named_exists(path: Path) -> None:
    named = set(re.findall(r"`((?:[a-z_]+/)*[a-z_]+\.py)`", path.read_text(encoding="utf-8")))
    folders = (ROOT, ROOT / "controller")
    assert {name for name in named if not any((at / name).is_file() for at in folders)} == set()


@pytest.mark.parametrize("path", PAGES, ids=page)
def test_every_heading_that_is_linked_exists(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    headings = {
        re.sub(r"[^\w -]", "", heading.lower()).strip().replace(" ", "-")
        for heading in re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    }
    linked = {target[1:] for target in LINK.findall(text) if target.startswith("#")}
    assert linked <= headings


@pytest.mark.parametrize("name", ["minimal.yaml", "tussock-downs.yaml", "alder-fen.yaml"])
def test_the_examples_that_the_readme_names_are_sound(name: str) -> None:
    assert f"(config/{name})" in README
    assert load(ROOT / "config" / name).satellites


def test_files_that_the_readme_copies_exist() -> None:
    copied = re.findall(r"sudo cp (\S+) ", README)
    assert len(copied) >= 4
    assert [name for name in copied if not (ROOT / name).is_file()] == []


@pytest.mark.parametrize("path", sorted((ROOT / "config").rglob("*.yaml")), ids=page)
def test_every_example_is_yaml(path: Path) -> None:
    assert yaml.safe_load(path.read_text(encoding="utf-8"))


def test_the_readme_opens_with_the_job_and_ends_with_the_licence() -> None:
    assert README.startswith("# Arckeeper\n\nArckeeper moves a large")
    assert README.rstrip().split("\n## ")[-1].startswith("Licence\n\nMIT License\n")


@pytest.mark.parametrize(
    "word", ["relay can weld", "fuse", "Wind", "Sun", "isolat", "No real board"]
)
def test_the_cautions_come_before_the_commands(word: str) -> None:
    assert word.lower() in README.split("## Two commands")[0].lower()
