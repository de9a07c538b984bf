from typing import Any

import pytest

from controller.cli.wording import slot_text, status_lines
from controller.core.motion import MotionState
from controller.core.status import Status


def status(**known: Any) -> dict[str, Any]:
    empty = dict.fromkeys(Status.__dataclass_fields__)
    plain = Status(
        **{
            **empty,
            "dish": "hill",
            "state": MotionState.RESTING,
            "references_n": 0,
            "held": False,
            "hold_reason": "",
            "stop_pressed": False,
            "fault": "",
            "advice": "",
            "waiting": "",
            **known,
        }
    )
    return plain.as_json()


KNOWN = {
    "count_pulses": 755,
    "doubt_pulses": 0,
    "east_soft_pulses": 12,
    "west_soft_pulses": 1123,
    "west_limit_pulses": 1135,
    "slot_deg": 147.62,
    "hour_angle_deg": 24.3,
    "sigma_deg": 0.08,
    "loss_db": 0.02,
    "references_n": 3,
}


@pytest.mark.parametrize(
    ("known", "line"),
    [
        ({}, "hill: rests"),
        ({"satellite": "Heron"}, "hill: rests on Heron"),
        (
            {"state": MotionState.WESTING, "target_satellite": "Heron", "progress": 0.5},
            "hill: westing to Heron, 50 %",
        ),
        ({"state": MotionState.COASTING, "target_pulses": 12}, "hill: coasting to count 12"),
        (
            {"waiting": "the motor has to cool", "target_pulses": 12},
            "hill: waiting to count 12: the motor has to cool",
        ),
        ({"stop_pressed": True, "satellite": "Heron"}, "hill: the stop input is pressed"),
        ({"fault": "no pulse", "stop_pressed": True}, "hill: FAULT, no pulse"),
    ],
)
def test_the_first_line_says_what_matters_most(known: dict[str, Any], line: str) -> None:
    assert status_lines(status(**known))[0] == line


@pytest.mark.parametrize(
    ("known", "part"),
    [
        ({}, "not known; find both ends with: arckeeper limits"),
        (KNOWN, "755; goes from 12 to 1123, the ends are 0 and 1135"),
        ({**KNOWN, "doubt_pulses": 3}, "755, may be wrong by 3; goes"),
        ({"count_pulses": 5, "doubt_pulses": 0}, "5; the ends are not known yet"),
        (KNOWN, "147.62E, hour angle +24.30 deg, sure to 0.08 deg (0.0 dB)"),
        (KNOWN, "3 references"),
        ({}, "no reference yet"),
        ({"references_n": 1}, "1 reference"),
        ({"fault": "no pulse", "advice": "look at the reed"}, "look at the reed"),
        ({"fault": "no pulse"}, "arckeeper clear"),
        ({"held": True, "hold_reason": "grease"}, "every move is refused: grease; lift it with"),
        ({"signal": 12.34}, "12.3"),
    ],
)
def test_the_lines_below_say_what_is_known_and_what_to_do(known: dict[str, Any], part: str) -> None:
    assert part in "\n".join(status_lines(status(**known))[1:])


@pytest.mark.parametrize(
    ("slot_deg", "text"),
    [(147.6, "147.6E"), (-30.5, "30.5W"), (0.0, "0.0E"), (-0.04, "0.0E"), (180.0, "180.0E")],
)
def test_a_slot_is_written_as_people_say_it(slot_deg: float, text: str) -> None:
    assert slot_text(slot_deg) == text
