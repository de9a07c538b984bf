import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    source = tmp_path_factory.mktemp("source")  # a build leaves traces beside what it builds
    shutil.copytree(
        ROOT / "controller", source / "controller", ignore=shutil.ignore_patterns("__pycache__")
    )
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source)
    pip_wheel = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation"]
    built = subprocess.run(
        [*pip_wheel, "-w", str(source / "dist"), str(source)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stdout + built.stderr
    return next((source / "dist").glob("*.whl"))


def test_the_wheel_holds_every_file_of_the_package_and_nothing_else(wheel: Path) -> None:
    held = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    source = {
        str(path.relative_to(ROOT))
        for path in (ROOT / "controller").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert held == source


def test_the_wheel_gives_the_command_and_the_pin_factories(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as opened:
        name = next(n for n in opened.namelist() if n.endswith("entry_points.txt"))
        text = opened.read(name).decode()
    assert "arckeeper = controller.cli:main" in text
    assert "lines = controller.edge.linepins:LineFactory" in text
    assert "yard = controller.bench.pins:YardFactory" in text


def test_the_wheel_says_its_licence_and_its_extras(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as opened:
        name = next(n for n in opened.namelist() if n.endswith("/METADATA"))
        text = opened.read(name).decode()
    assert "License-Expression: MIT" in text
    assert set(re.findall(r"^Provides-Extra: (.*)$", text, re.MULTILINE)) == {
        "all",
        "board",
        "broker",
        "lgpio",
        "tests",
    }


@pytest.mark.parametrize("library", ["scipy", "astropy", "pytest", "hypothesis", "amqtt", "gpiod"])
def test_an_owner_installs_nothing_that_only_others_need(library: str) -> None:
    assert not any(wanted.lower().startswith(library) for wanted in PROJECT["dependencies"])
