"""Yards in processes of their own, each under a path short enough for a socket."""

import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.bench.pins import YardFactory
from controller.bench.witness import RunningYard, start_yard

Start = Callable[..., RunningYard]


@pytest.fixture
def short_path() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="yard"))
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def start(short_path: Path) -> Iterator[Start]:
    """Return what starts a yard; every one of them is ended after the test."""
    yards: list[RunningYard] = []

    def begin(**options: object) -> RunningYard:
        path = short_path / f"{len(yards)}.sock"
        options = {"life_s": 60.0, **options}
        yards.append(start_yard(path, **options))  # type: ignore[arg-type]
        return yards[-1]

    yield begin
    for yard in yards:
        yard.close()


@pytest.fixture
def yard(start: Start) -> RunningYard:
    return start(speed_mm_per_s=20.0)


@pytest.fixture
def factory(yard: RunningYard) -> Iterator[YardFactory]:
    made = YardFactory(yard.path)
    yield made
    made.close()
