"""The motion state machine.

Rule 1: every change of `MotionState` is a row of `TRANSITIONS`.
Rule 2: the motor never reverses under power, so no row joins EASTING and WESTING;
        the only way from one to the other is through COASTING, SETTLING and RESTING.
Rule 3: a fault is left by a person only, and only into RESTING.
"""

from enum import Enum
from typing import Final

from controller.errors import ArckeeperError


class Direction(Enum):
    """The way the count goes; west is up, and hour angle grows with it."""

    EAST = "east"
    WEST = "west"

    @property
    def sign(self) -> int:
        """Return +1 toward west, -1 toward east."""
        return 1 if self is Direction.WEST else -1

    @property
    def opposite(self) -> "Direction":
        """Return the other direction."""
        return Direction.EAST if self is Direction.WEST else Direction.WEST


class MotionState(Enum):
    """What the motor and the rod are doing."""

    RESTING = "resting"  # at standstill, free to go
    EASTING = "easting"  # motor on, count falling
    WESTING = "westing"  # motor on, count growing
    COASTING = "coasting"  # motor off, rod may still move
    SETTLING = "settling"  # at standstill, pause before the motor may be switched on again
    FAULTED = "faulted"  # motor off until a person has looked


class Trigger(Enum):
    """Why a state changes."""

    RUN_EAST = "run east"
    RUN_WEST = "run west"
    CUT = "cut"
    STANDSTILL = "standstill"
    SETTLED = "settled"
    FAIL = "fail"
    CLEAR = "clear"


_S, _T = MotionState, Trigger

TRANSITIONS: Final[dict[MotionState, dict[Trigger, MotionState]]] = {
    _S.RESTING: {_T.RUN_EAST: _S.EASTING, _T.RUN_WEST: _S.WESTING, _T.FAIL: _S.FAULTED},
    _S.EASTING: {_T.CUT: _S.COASTING, _T.FAIL: _S.FAULTED},
    _S.WESTING: {_T.CUT: _S.COASTING, _T.FAIL: _S.FAULTED},
    _S.COASTING: {_T.STANDSTILL: _S.SETTLING, _T.FAIL: _S.FAULTED},
    _S.SETTLING: {_T.SETTLED: _S.RESTING, _T.FAIL: _S.FAULTED},
    _S.FAULTED: {_T.CLEAR: _S.RESTING},
}

RUNNING: Final = frozenset({_S.EASTING, _S.WESTING})


class ImpossibleChange(ArckeeperError):
    """A change of state that no row of the table allows: a defect of this program."""


def next_state(state: MotionState, trigger: Trigger) -> MotionState:
    """Return the state after `trigger`; raise `ImpossibleChange` where the table has no row."""
    try:
        return TRANSITIONS[state][trigger]
    except KeyError:
        can = ", ".join(t.value for t in TRANSITIONS[state])
        raise ImpossibleChange(f"cannot {trigger.value} while {state.value}; can: {can}") from None


def run_trigger(direction: Direction) -> Trigger:
    """Return the trigger that starts the motor in `direction`."""
    return Trigger.RUN_EAST if direction is Direction.EAST else Trigger.RUN_WEST
