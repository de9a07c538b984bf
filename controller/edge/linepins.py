"""A gpiozero pin factory over the kernel's GPIO lines, for any Linux board (gpiod 2)."""

import importlib
import time
from typing import TYPE_CHECKING, Any

from gpiozero import Factory, PinInvalidPin

from controller.edge.chips import board_of, open_chip
from controller.edge.edgewatch import EdgeWatch
from controller.edge.linepin import LinePin
from controller.errors import DoorError

if TYPE_CHECKING:
    import gpiod


class LineFactory(Factory):  # type: ignore[misc]  # gpiozero has no types
    """Pins that are lines of one GPIO chip: 17, "17", "GPIO17", or the kernel's line name.

    `chip` is a path, "gpiochip4" or "4"; without it ARCKEEPER_GPIOCHIP decides, else the first
    chip that looks like a header, else /dev/gpiochip0.
    """

    def __init__(self, chip: str | None = None) -> None:
        super().__init__()
        self.gpiod = _gpiod()
        self.chip: gpiod.Chip = open_chip(self.gpiod, chip)
        self.watch = EdgeWatch()
        self._pins: dict[int, LinePin] = {}
        self._board = board_of(self.chip)

    def close(self) -> None:
        """Release every line and the chip; twice is fine."""
        for pin in self._pins.values():
            pin.close()
        self._pins.clear()
        self.watch.close()
        self.chip.close()

    def pin(self, name: int | str) -> "LinePin":
        """Return the one pin object of a line; raise `PinInvalidPin` for a line there is not."""
        for _, info in self._board.find_pin(name):
            if info.number not in self._pins:
                self._pins[info.number] = LinePin(self, info)
            return self._pins[info.number]
        raise PinInvalidPin(f"{name} is not a line of {self._board.model}")

    def spi(self, *, port: int = 0, device: int = 0, shared: bool = False) -> Any:
        """Return the kernel's own SPI (spidev); the names are the header's usual ones."""
        from gpiozero.pins import local  # noqa: PLC0415  only who measures a current needs it

        kind = local.LocalPiHardwareSPIShared if shared else local.LocalPiHardwareSPI
        if port != 0 or device not in (0, 1):
            raise DoorError(f"SPI has port 0 with device 0 or 1 here, not {port} with {device}")
        return kind(
            clock_pin="GPIO11",
            mosi_pin="GPIO10",
            miso_pin="GPIO9",
            select_pin=("GPIO8", "GPIO7")[device],
            pin_factory=self,
        )

    @staticmethod
    def ticks() -> float:
        """Return CLOCK_MONOTONIC in seconds, the clock of the edges."""
        return time.monotonic()

    @staticmethod
    def ticks_diff(later: float, earlier: float) -> float:
        """Return the seconds between two ticks."""
        return later - earlier

    def _get_board_info(self) -> Any:
        return self._board


def _gpiod() -> Any:
    try:
        library = importlib.import_module("gpiod")
    except ImportError as error:
        raise DoorError(
            "pins.factory: lines needs gpiod 2, which is not installed;"
            " pip install 'arckeeper[board]' brings it"
        ) from error
    if not hasattr(library, "LineSettings"):
        raise DoorError(
            "pins.factory: lines needs gpiod 2, and an older gpiod is installed;"
            " pip install 'arckeeper[board]' brings the right one"
        )
    return library
