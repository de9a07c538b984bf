from dataclasses import replace

import pytest

from controller.core.motion import Direction, MotionState
from controller.core.orders import Order, RunMotor, SaveHold, StopMotor
from controller.core.safety import (
    Purpose,
    SafetySettings,
    Situation,
    SoftLimits,
    permit,
    soft_limits,
)

SETTINGS = SafetySettings(soft_margin_pulses=10, doubt_max_pulses=5, max_run_s=16.0, lease_s=0.5)
CALM = Situation(
    now_s=64.0,
    state=MotionState.RESTING,
    purpose=Purpose.TRAVEL,
    count_pulses=500,
    doubt_pulses=0,
    west_limit_pulses=1000,
    run_started_s=None,
    still_since_s=63.5,
    pause_s=0.5,
    budget_left_s=10.0,
    end_reached=None,
    objections=(),
)
RUN_WEST = RunMotor(direction=Direction.WEST, until_s=64.5)
RUN_EAST = RunMotor(direction=Direction.EAST, until_s=64.5)
WESTING: dict[str, object] = {
    "state": MotionState.WESTING,
    "run_started_s": 60.0,
    "still_since_s": None,
}
BLIND: dict[str, object] = {"doubt_pulses": None}

CASES: list[tuple[Order, dict[str, object], str | None]] = [
    (RUN_WEST, {}, None),
    (RUN_EAST, {}, None),
    (RUN_WEST, {"objections": ("moves are held",)}, "moves are held"),
    (replace(RUN_WEST, until_s=64.0), {}, "at most 0.5 s at a time"),
    (replace(RUN_WEST, until_s=64.25), {}, None),
    (replace(RUN_WEST, until_s=64.75), {}, "at most 0.5 s at a time"),
    (RUN_WEST, {"still_since_s": 63.75}, "has not stood still for 0.5 s"),
    (RUN_WEST, {"still_since_s": None}, "has not stood still"),
    (RUN_WEST, WESTING, None),
    (RUN_EAST, WESTING, "must end before it goes east"),
    (RUN_WEST, {**WESTING, "run_started_s": 48.0}, None),
    (RUN_WEST, {**WESTING, "run_started_s": 47.75}, "longer than 16 s"),
    (RUN_WEST, {**WESTING, "run_started_s": None}, "longer than 16 s"),
    (RUN_WEST, {"state": MotionState.COASTING}, "may not start while coasting"),
    (RUN_WEST, {"state": MotionState.SETTLING}, "may not start while settling"),
    (RUN_WEST, {"state": MotionState.FAULTED}, "may not start while faulted"),
    (RUN_WEST, {"budget_left_s": 0.0}, "has to cool"),
    (RUN_WEST, {"budget_left_s": 0.25}, None),
    (RUN_WEST, {"end_reached": Direction.WEST}, "west limit switch is active"),
    (RUN_EAST, {"end_reached": Direction.WEST}, None),
    (RUN_WEST, {"count_pulses": 989}, None),
    (RUN_WEST, {"count_pulses": 990}, "at the west soft limit 990"),
    (RUN_EAST, {"count_pulses": 990}, None),
    (RUN_EAST, {"count_pulses": 11}, None),
    (RUN_EAST, {"count_pulses": 10}, "at the east soft limit 10"),
    (RUN_WEST, {"count_pulses": 10}, None),
    (RUN_WEST, {"doubt_pulses": 5}, None),
    (RUN_WEST, {"doubt_pulses": 6}, "wrong by 6 pulses, more than 5"),
    (RUN_WEST, {"doubt_pulses": 6, "purpose": Purpose.NUDGE}, None),
    (RUN_WEST, {"count_pulses": 990, "purpose": Purpose.NUDGE}, "west soft limit"),
    (RUN_WEST, {"count_pulses": 990, "purpose": Purpose.SEARCH}, None),
    (RUN_WEST, BLIND, "the count is not known"),
    (RUN_WEST, {**BLIND, "purpose": Purpose.NUDGE}, None),
    (RUN_WEST, {**BLIND, "purpose": Purpose.SEARCH}, None),
    (RUN_WEST, {"west_limit_pulses": None}, "the ends of the travel are not known"),
    (RUN_WEST, {"west_limit_pulses": None, "purpose": Purpose.NUDGE}, None),
    (RUN_WEST, {"west_limit_pulses": None, "purpose": Purpose.SEARCH}, None),
    (
        RUN_WEST,
        {**BLIND, "purpose": Purpose.SEARCH, "end_reached": Direction.WEST},
        "west limit switch",
    ),
    (SaveHold(held=False, reason=""), {}, "SaveHold is not a motor order"),
]


@pytest.mark.parametrize(("order", "changes", "objection"), CASES)
def test_the_gate_on_both_sides_of_every_boundary(
    order: Order, changes: dict[str, object], objection: str | None
) -> None:
    answer = permit(order, replace(CALM, **changes), SETTINGS)  # type: ignore[arg-type]
    if objection is None:
        assert answer == order
    else:
        assert isinstance(answer, StopMotor)
        assert objection in answer.reason


def test_all_objections_are_collected() -> None:
    bad = replace(CALM, objections=("a", "b"), budget_left_s=0.0, count_pulses=995)
    answer = permit(RUN_WEST, bad, SETTINGS)
    assert isinstance(answer, StopMotor)
    assert answer.reason == "a; b; the motor has to cool; count 995 is at the west soft limit 990"


def test_stop_is_never_refused() -> None:
    worst = replace(CALM, objections=("everything",), doubt_pulses=None, budget_left_s=0.0)
    order = StopMotor(reason="because")
    assert permit(order, worst, SETTINGS) is order


def test_soft_limits_stand_the_margin_inside_the_ends() -> None:
    assert soft_limits(1000, SETTINGS) == SoftLimits(east_pulses=10, west_pulses=990)
    assert soft_limits(None, SETTINGS) is None


@pytest.mark.parametrize(("count", "inside"), [(9, False), (10, True), (990, True), (991, False)])
def test_soft_limits_hold_both_their_ends(count: int, inside: bool) -> None:
    assert SoftLimits(east_pulses=10, west_pulses=990).holds(count) is inside
