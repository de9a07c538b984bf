"""How often the status leaves."""

from dataclasses import replace

import pytest

from controller.core.motion import Direction, MotionState
from controller.core.status import Status
from controller.edge.pace import CHANGE_S, MEASURED_S, UNCHANGED_S, StatusPace
from tests.edge.test_topics import BLANK

MOVING = replace(BLANK, state=MotionState.WESTING, direction=Direction.WEST, count_pulses=5)


def pace_that_sent(status: Status) -> StatusPace:
    pace = StatusPace()
    pace.told(status, at_utc=1.0)
    assert pace.due(now_s=0.0) is not None
    return pace


def test_nothing_is_due_before_anything_was_told() -> None:
    pace = StatusPace()
    assert pace.due(now_s=0.0) is None
    assert pace.wait_s(now_s=0.0) == float("inf")


def test_the_first_status_leaves_at_once() -> None:
    pace = StatusPace()
    assert pace.told(BLANK, at_utc=7.0)
    told = pace.due(now_s=0.0)
    assert told is not None
    assert (told.status, told.at_utc) == (BLANK, 7.0)


@pytest.mark.parametrize(
    ("before", "after", "gap_s"),
    [
        (BLANK, replace(BLANK, count_pulses=6), CHANGE_S),
        (BLANK, replace(BLANK, fault="stuck"), CHANGE_S),
        (BLANK, MOVING, CHANGE_S),
        (MOVING, replace(MOVING, count_pulses=6), CHANGE_S),
        (MOVING, replace(MOVING, signal=3.0), CHANGE_S),
        (MOVING, BLANK, CHANGE_S),
        (BLANK, replace(BLANK, signal=3.0), MEASURED_S),
        (BLANK, replace(BLANK, current_a=3.0), MEASURED_S),
        (BLANK, replace(BLANK, rate_pulses_per_s=3.0), MEASURED_S),
        (BLANK, replace(BLANK, signal=3.0, held=True), CHANGE_S),
        (BLANK, replace(BLANK), UNCHANGED_S),
        (MOVING, replace(MOVING), UNCHANGED_S),
    ],
)
def test_a_change_leaves_after_its_gap(before: Status, after: Status, gap_s: float) -> None:
    pace = pace_that_sent(before)
    assert pace.told(after, at_utc=2.0) is (before != after)
    assert pace.due(now_s=gap_s - 0.0625) is None
    assert pace.wait_s(now_s=0.0) == gap_s
    told = pace.due(now_s=gap_s)
    assert told is not None
    assert told.status == after


def test_only_the_newest_of_many_changes_leaves() -> None:
    pace = pace_that_sent(MOVING)
    for count in range(10):
        pace.told(replace(MOVING, count_pulses=count), at_utc=2.0)
    told = pace.due(now_s=1.0)
    assert told is not None
    assert told.status.count_pulses == 9
    assert pace.due(now_s=2.0) is None


def test_a_status_that_the_loop_no_longer_tells_is_not_sent_with_a_new_time() -> None:
    pace = pace_that_sent(BLANK)
    assert pace.due(now_s=10 * UNCHANGED_S) is None
