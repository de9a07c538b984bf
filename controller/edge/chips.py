"""Which of the machine's GPIO chips is the one with the header, and its lines as a board."""

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from gpiozero import BoardInfo, HeaderInfo, PinInfo

from controller.errors import DoorError

if TYPE_CHECKING:
    import gpiod

VARIABLE: Final = "ARCKEEPER_GPIOCHIP"
DEVICES: Final = Path("/dev")
HEADER_LABEL: Final = "pinctrl"  # pinctrl-bcm2835, pinctrl-rp1, 1c20800.pinctrl


def open_chip(library: Any, wanted: str | None = None, *, devices: Path = DEVICES) -> "gpiod.Chip":
    """Open the chip that is asked for, or the one with the header; raise `DoorError`."""
    named = wanted or os.environ.get(VARIABLE)
    if named:
        return _opened(library, _path(named, devices))
    paths = sorted(devices.glob("gpiochip*"), key=_number)
    if not paths:
        raise DoorError(
            f"there is no GPIO chip on this machine (no {devices}/gpiochip*);"
            " without a board use pins.factory: yard or mock"
        )
    return _opened(library, _header(library, paths) or paths[0])


def _path(named: str, devices: Path) -> Path:
    if "/" in named:
        return Path(named)
    return devices / (f"gpiochip{named}" if named.isdigit() else named)


def _number(path: Path) -> tuple[int, str]:
    digits = re.search(r"\d+$", path.name)
    return (int(digits[0]) if digits else 0, path.name)


def _header(library: Any, paths: list[Path]) -> Path | None:
    for path in paths:
        try:
            with library.Chip(str(path)) as chip:
                if HEADER_LABEL in chip.get_info().label:
                    return path
        except OSError:
            continue  # what cannot be opened is not the one; opening the choice says why
    return None


def _opened(library: Any, path: Path) -> "gpiod.Chip":
    try:
        chip: gpiod.Chip = library.Chip(str(path))
    except PermissionError as error:
        raise DoorError(
            f"{path} may not be opened by this user; put the user into the group that owns it"
            f" (usually gpio): {error}"
        ) from error
    except OSError as error:
        raise DoorError(
            f"{path} cannot be opened as a GPIO chip: {error}; set {VARIABLE} to another"
        ) from error
    return chip


def board_of(chip: "gpiod.Chip") -> Any:
    """Return gpiozero's picture of a board: one header with the chip's lines."""
    about = chip.get_info()
    kernel_names = [chip.get_line_info(offset).name or "" for offset in range(about.num_lines)]
    pins = {offset: _pin_info(offset, kernel_names) for offset in range(about.num_lines)}
    lines = HeaderInfo(name="lines", rows=about.num_lines, columns=1, pins=pins)
    empty = dict.fromkeys(BoardInfo._fields, "")
    return BoardInfo(
        **{**empty, "model": f"{about.name} ({about.label})", "headers": {"lines": lines}}
    )


def _pin_info(offset: int, kernel_names: list[str]) -> Any:
    own = kernel_names[offset]
    # The kernel's names go first: on some boards GPIO5 is not the line with number 5.
    spare = [name for name in (f"GPIO{offset}", str(offset)) if name not in kernel_names]
    is_named = bool(own) and kernel_names.index(own) == offset
    names = [*([own] if is_named else []), *spare, f"line {offset}"]
    return PinInfo(
        number=offset,
        name=names[0],
        names=frozenset([*names, offset]),
        pull="",
        row=offset + 1,
        col=1,
        interfaces=frozenset(["gpio"]),
    )
