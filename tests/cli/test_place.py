from pathlib import Path

import pytest

from controller.cli.place import Chosen
from controller.errors import ConfigError


def write(folder: Path, name: str, text: str = "dish:\n  name: hill\n") -> Path:
    path = folder / name
    path.write_text(text)
    return path


def test_a_named_file_is_taken_as_it_is(tmp_path: Path) -> None:
    assert Chosen(Path("x.yaml"), "hill").file(tmp_path) == Path("x.yaml")


def test_the_only_dish_needs_no_name(tmp_path: Path) -> None:
    hill = write(tmp_path, "hill.yaml")
    write(tmp_path, "birds.yaml", "- {name: Heron, slot_deg: 147.6E}\n")
    assert Chosen(None, None).file(tmp_path) == hill


def test_one_of_several_dishes_has_to_be_named(tmp_path: Path) -> None:
    write(tmp_path, "hill.yaml")
    meadow = write(tmp_path, "meadow.yaml")
    with pytest.raises(ConfigError, match="several dishes: hill, meadow; choose with --dish"):
        Chosen(None, None).file(tmp_path)
    assert Chosen(None, "meadow").file(tmp_path) == meadow


def test_an_unknown_dish_is_told_with_those_that_are(tmp_path: Path) -> None:
    write(tmp_path, "hill.yaml")
    with pytest.raises(ConfigError, match=r"has no fen\.yaml; there are: hill"):
        Chosen(None, "fen").file(tmp_path)


def test_no_configuration_at_all_leads_to_the_demo(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="--config FILE, or try arckeeper demo"):
        Chosen(None, None).file(tmp_path)
