"""Which chip is opened, and what is said when none is."""

import sys
from pathlib import Path
from types import ModuleType

import gpiod
import pytest

from controller.edge import chips
from controller.edge.chips import open_chip
from controller.edge.gpio import pin_factory
from controller.edge.linepins import LineFactory
from controller.errors import DoorError
from tests.edge.kernel import Kernel

NAMES = [f"GPIO{n}" for n in range(28)]


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> Kernel:
    kernel = Kernel(NAMES)
    monkeypatch.setitem(sys.modules, "gpiod", kernel.module())
    return kernel


@pytest.mark.parametrize(
    ("module", "text"),
    [
        (None, r"needs gpiod 2, which is not installed; pip install 'arckeeper\[board\]'"),
        (ModuleType("gpiod"), r"an older gpiod is installed; pip install 'arckeeper\[board\]'"),
    ],
)
def test_without_gpiod_2_the_extra_is_named(
    monkeypatch: pytest.MonkeyPatch, module: ModuleType | None, text: str
) -> None:
    monkeypatch.setitem(sys.modules, "gpiod", module)
    with pytest.raises(DoorError, match=text):
        pin_factory("lines")


def test_the_factory_has_an_entry_point_and_takes_its_chip_from_the_environment(
    kernel: Kernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(chips.VARIABLE, "gpiochip4")
    factory = pin_factory("lines")
    assert isinstance(factory, LineFactory)
    assert factory.chip.path == "/dev/gpiochip4"
    factory.close()


class SomeChip:
    """A chip of which only the label matters."""

    labels: dict[str, str | OSError] = {}  # noqa: RUF012  each test sets its own

    def __init__(self, path: str) -> None:
        found = self.labels[Path(path).name]
        if isinstance(found, OSError):
            raise found
        self.path = path
        self.label = found

    def __enter__(self) -> "SomeChip":
        return self

    def __exit__(self, *_: object) -> None:
        """Close nothing."""

    def get_info(self) -> gpiod.ChipInfo:
        return gpiod.ChipInfo("gpiochip", self.label, 1)


@pytest.mark.parametrize(
    ("labels", "chosen"),
    [
        ({"gpiochip0": "pinctrl-bcm2711", "gpiochip1": "raspberrypi-exp-gpio"}, "gpiochip0"),
        ({"gpiochip0": "gpio-brcmstb@107d508500", "gpiochip4": "pinctrl-rp1"}, "gpiochip4"),
        ({"gpiochip0": "one", "gpiochip1": "another"}, "gpiochip0"),
        ({"gpiochip2": "pinctrl-a", "gpiochip10": "pinctrl-b"}, "gpiochip2"),
        ({"gpiochip0": OSError(13, "no"), "gpiochip1": "pinctrl-a"}, "gpiochip1"),
    ],
)
def test_the_chip_that_looks_like_a_header_is_chosen(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    labels: dict[str, str | OSError],
    chosen: str,
) -> None:
    monkeypatch.delenv(chips.VARIABLE, raising=False)
    monkeypatch.setattr(SomeChip, "labels", labels)
    for name in labels:
        (tmp_path / name).touch()
    library = ModuleType("gpiod")
    vars(library).update(Chip=SomeChip)
    assert Path(open_chip(library, devices=tmp_path).path).name == chosen


@pytest.mark.parametrize(
    ("wanted", "path"),
    [("4", "gpiochip4"), ("gpiochip4", "gpiochip4"), ("/else/where", "/else/where")],
)
def test_a_chip_may_be_asked_for_in_three_ways(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wanted: str, path: str
) -> None:
    monkeypatch.setattr(SomeChip, "labels", {"gpiochip4": "x", "where": "x"})
    library = ModuleType("gpiod")
    vars(library).update(Chip=SomeChip)
    assert open_chip(library, wanted, devices=tmp_path).path == str(tmp_path / path)


def test_a_machine_without_a_chip_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(chips.VARIABLE, raising=False)
    with pytest.raises(DoorError, match="there is no GPIO chip on this machine"):
        open_chip(ModuleType("gpiod"), devices=tmp_path)


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (PermissionError(13, "Permission denied"), "put the user into the group"),
        (OSError(25, "Inappropriate ioctl"), "set ARCKEEPER_GPIOCHIP to another"),
    ],
)
def test_a_chip_that_cannot_be_opened_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, text: str
) -> None:
    monkeypatch.setattr(SomeChip, "labels", {"gpiochip0": error})
    (tmp_path / "gpiochip0").touch()
    library = ModuleType("gpiod")
    vars(library).update(Chip=SomeChip)
    with pytest.raises(DoorError, match=text):
        open_chip(library, "0", devices=tmp_path)
