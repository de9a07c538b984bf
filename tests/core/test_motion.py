from itertools import product

import pytest

from controller.core.motion import (
    RUNNING,
    TRANSITIONS,
    Direction,
    ImpossibleChange,
    MotionState,
    Trigger,
    next_state,
    run_trigger,
)

ABSENT = [
    (state, trigger)
    for state, trigger in product(MotionState, Trigger)
    if trigger not in TRANSITIONS[state]
]


@pytest.mark.parametrize(("state", "trigger"), ABSENT)
def test_what_the_table_omits_is_refused(state: MotionState, trigger: Trigger) -> None:
    with pytest.raises(ImpossibleChange, match=f"while {state.value}"):
        next_state(state, trigger)


def test_no_row_joins_the_two_directions() -> None:
    for state in RUNNING:
        assert not RUNNING & set(TRANSITIONS[state].values())


def test_every_state_but_fault_can_fail_and_fault_is_left_by_a_person_only() -> None:
    for state in MotionState:
        can_fail = Trigger.FAIL in TRANSITIONS[state]
        assert can_fail is (state is not MotionState.FAULTED)
    assert TRANSITIONS[MotionState.FAULTED] == {Trigger.CLEAR: MotionState.RESTING}


def test_a_run_starts_from_rest_only() -> None:
    starts = {
        state
        for state, rows in TRANSITIONS.items()
        if {Trigger.RUN_EAST, Trigger.RUN_WEST} & set(rows)
    }
    assert starts == {MotionState.RESTING}


def test_after_a_cut_the_motor_needs_standstill_and_pause_before_it_may_run() -> None:
    state = next_state(MotionState.RESTING, run_trigger(Direction.EAST))
    for trigger in (Trigger.CUT, Trigger.STANDSTILL, Trigger.SETTLED):
        assert Trigger.RUN_WEST not in TRANSITIONS[state]
        state = next_state(state, trigger)
    assert next_state(state, run_trigger(Direction.WEST)) is MotionState.WESTING
