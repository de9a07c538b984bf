"""What forbids motion whatever is asked: fault, hold, stop input, a store that cannot write."""

from collections.abc import Iterator
from dataclasses import dataclass

from controller.core.motion import Direction


@dataclass(kw_only=True)
class Standing:
    """The reasons to stand still; each is lifted in its own way only."""

    fault: str = ""
    advice: str = ""
    held: bool = False
    reason: str = ""
    hold_input: bool = False
    stop_pressed: bool = False
    store_trouble: str = ""
    end: Direction | None = None  # the limit switch that is active now

    @property
    def is_held(self) -> bool:
        """Tell whether a person or the switch at the dish holds the moves."""
        return self.held or self.hold_input

    @property
    def hold_reason(self) -> str:
        """Return why moves are held, as far as it was said."""
        return self.reason or ("the switch at the dish" if self.hold_input else "")

    def objections(self) -> Iterator[str]:
        """Yield every reason not to move."""
        if self.fault:
            yield f"a fault is latched: {self.fault}. {self.advice}"
        if self.is_held:
            yield f"moves are held{': ' + self.hold_reason if self.hold_reason else ''}"
        if self.stop_pressed:
            yield "the stop input is active"
        if self.store_trouble:
            yield f"the count cannot be saved: {self.store_trouble}"

    def latch(self, text: str, advice: str) -> bool:
        """Keep the first fault; tell whether this one was it."""
        if self.fault:
            return False
        self.fault, self.advice = text, advice
        return True
