"""What the motor is wanted for: journeys to a count, and the search for the two ends.

A task is asked for its next step at every standstill, and knows nothing of motors.
"""

from dataclasses import dataclass
from typing import Protocol

from controller.core.motion import Direction
from controller.core.orders import Outcome
from controller.core.safety import Purpose, SoftLimits

CORRECTION_PULSES = 20  # further away than this a run was interrupted, by a rest for example


@dataclass(frozen=True, kw_only=True)
class Leg:
    """One run of the motor; without a target it goes on until an end is reached."""

    direction: Direction
    target_pulses: int | None


@dataclass(frozen=True, kw_only=True)
class Finish:
    """The task is over."""

    outcome: Outcome
    text: str


@dataclass(frozen=True, kw_only=True)
class Asked:
    """Who wanted it, and what it is called."""

    command_id: str
    what: str


class Task(Protocol):
    """Something that takes one run of the motor or more."""

    asked: Asked
    purpose: Purpose
    target_pulses: int | None
    corrections: int

    def next_step(self, count_pulses: int, last: Direction | None, /) -> Leg | Finish:
        """Return what to do from a standstill at `count_pulses`, after a run toward `last`."""


class Journey:
    """To a count, arriving from the configured side so that the backlash is taken up."""

    def __init__(
        self,
        asked: Asked,
        *,
        target_pulses: int,
        arrive: Direction,
        overshoot_pulses: int,
        corrections_max: int,
        soft: SoftLimits | None,
        purpose: Purpose = Purpose.TRAVEL,
    ) -> None:
        self.asked, self.purpose = asked, purpose
        self.target_pulses: int | None = target_pulses
        self._target, self._arrive = target_pulses, arrive
        self._turn = self._turning_place(overshoot_pulses, soft)
        self._corrections_max = corrections_max
        self.corrections = 0
        self._backed = overshoot_pulses == 0
        self._approached = False

    def next_step(self, count_pulses: int, last: Direction | None) -> Leg | Finish:
        """Return the next run, or the end when it stands on the target from the right side."""
        off = self._arrive.sign * (self._target - count_pulses)
        from_right_side = last is self._arrive or self._backed
        if off == 0 and from_right_side:
            return Finish(outcome=Outcome.ARRIVED, text=f"at count {count_pulses}")
        if self._approached and abs(off) <= CORRECTION_PULSES:
            self.corrections += 1
            if self.corrections > self._corrections_max:
                return self._give_up(count_pulses)
        room = self._arrive.sign * (count_pulses - self._turn)
        enough = from_right_side or room <= 0
        if off > 0 and enough:
            self._approached, self._backed = True, True
            return Leg(direction=self._arrive, target_pulses=self._target)
        if off > 0 and off >= self._arrive.sign * (self._target - self._turn):
            self._approached, self._backed = True, True
            return Leg(direction=self._arrive, target_pulses=self._target)
        self._backed = True
        return Leg(direction=self._arrive.opposite, target_pulses=self._back_to(count_pulses))

    def _back_to(self, count_pulses: int) -> int:
        at_least_one = count_pulses - self._arrive.sign
        if self._arrive is Direction.WEST:
            return min(self._turn, at_least_one)
        return max(self._turn, at_least_one)

    def _turning_place(self, overshoot_pulses: int, soft: SoftLimits | None) -> int:
        turn = self._target - self._arrive.sign * overshoot_pulses
        if soft is None:
            return turn
        return min(max(turn, soft.east_pulses), soft.west_pulses)

    def _give_up(self, count_pulses: int) -> Finish:
        off = count_pulses - self._target
        side = "west" if off > 0 else "east"
        text = f"at count {count_pulses}, {abs(off)} pulse(s) {side} of the target"
        return Finish(outcome=Outcome.ARRIVED if abs(off) <= 1 else Outcome.STOPPED, text=text)


class LimitSearch:
    """To the east end, to the west end, and back inside the soft limit.

    The pilot tells which end was reached; the ends themselves are kept by the pilot.
    """

    purpose = Purpose.SEARCH

    def __init__(self, asked: Asked, *, margin_pulses: int) -> None:
        self.asked = asked
        self.target_pulses: int | None = None
        self.corrections = 0
        self._margin_pulses = margin_pulses
        self.east_found = False
        self.west_limit_pulses: int | None = None

    def next_step(self, count_pulses: int, _last: Direction | None) -> Leg | Finish:
        """Return the run to the end that is still missing, then the way back inside."""
        if not self.east_found:
            return Leg(direction=Direction.EAST, target_pulses=None)
        if self.west_limit_pulses is None:
            return Leg(direction=Direction.WEST, target_pulses=None)
        inside_pulses = self.west_limit_pulses - self._margin_pulses
        if count_pulses > inside_pulses:
            self.target_pulses = inside_pulses - 2
            return Leg(direction=Direction.EAST, target_pulses=self.target_pulses)
        return Finish(
            outcome=Outcome.ARRIVED,
            text=f"both ends found, {self.west_limit_pulses} pulses apart",
        )
