"""What two options get wrong together, and what stands in other files."""

import math
from pathlib import Path
from typing import Any

import pytest
import yaml
from pydantic import ValidationError

from controller.config import (
    Satellite,
    load,
    load_satellites,
    pin_identity,
)
from controller.errors import ConfigError
from tests.paper import complaints, dish, lengths, notes, taped


# Sine of 3 degrees, 1/19, is the least lever: arms 300 and 400 then span 101.6 and 699.8
# (law of cosines with openings of 3 and 177 degrees).
@pytest.mark.parametrize(
    ("retracted", "stroke", "told"),
    [
        (300, 350, []),
        (102, 500, []),
        (300, 399.7, []),
        (
            100,
            300,
            [
                "actuator.retracted_mm: the rod fully in must be above 100 mm, where the arms are "
                "folded (dead point), not 100 mm; is an arm or the rod taped wrongly?"
            ],
        ),
        (
            300,
            400,
            [
                "actuator.stroke_mm: the rod fully out must be below 700 mm, where the arms are in "
                "line (dead point), not 700 mm; limit the stroke or use longer arms"
            ],
        ),
    ],
)
def test_triangle_must_close_over_the_whole_stroke(
    tmp_path: Path, retracted: float, stroke: float, told: list[str]
) -> None:
    assert complaints(tmp_path, dish(actuator=lengths(retracted, stroke))) == told


@pytest.mark.parametrize(("retracted", "stroke"), [(101, 500), (300, 399.9)])
def test_stroke_may_not_end_beside_a_dead_point(
    tmp_path: Path, retracted: float, stroke: float
) -> None:
    (told,) = complaints(tmp_path, dish(actuator=lengths(retracted, stroke)))
    assert told.startswith("actuator.stroke_mm: with the rod at ")
    assert "must lie from 3 to 177" in told


def test_axial_offset_widens_the_dead_points(tmp_path: Path) -> None:
    # Pythagoras: pins 100 apart in the plane and 240 along the axis are 260 apart.
    table = dish(actuator={"axial_offset_mm": taped(240), **lengths(260, 300)})
    (told,) = complaints(tmp_path, table)
    assert "must be above 260 mm" in told


@pytest.mark.parametrize(
    ("sections", "told"),
    [
        ({"sensor": {"second_pin": 18}}, None),
        ({"sensor": {"second_pin": 17}}, "sensor.second_pin: line 17 is in use by sensor.pin"),
        ({"sensor": {"second_pin": "GPIO17"}}, "sensor.second_pin: line GPIO17 is in use by"),
        ({"pins": {"stop_pin": 5}}, "pins.drive.east_pin: line 5 is in use by pins.stop_pin"),
        ({"pins": {"heartbeat_pin": "bcm6"}}, "pins.drive.west_pin: line 6 is in use by"),
        (
            {"pins": {"limit_switches": {"west_pin": 17}}},
            "pins.limit_switches.west_pin: line 17 is in use by sensor.pin already",
        ),
        (
            {"pins": {"current": {"amperes_at_full_scale": 10}, "hold_pin": 9}},
            "pins.hold_pin: line 9 is in use by pins.current (serial input) already",
        ),
        ({"pins": {"hold_pin": 9}}, None),
        *(
            (
                {"pins": {"current": {"amperes_at_full_scale": 10}, "hold_pin": line}},
                f"pins.hold_pin: line {line} is in use by pins.current"
                if 8 <= line <= 11
                else None,
            )
            for line in (7, 8, 10, 11, 12)
        ),
    ],
)
def test_line_is_used_once(tmp_path: Path, sections: dict[str, Any], told: str | None) -> None:
    found = complaints(tmp_path, dish(**sections))
    assert len(found) == (told is not None)
    assert all(told in line for line in found if told)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (17, "GPIO17", True),
        ("17", "bcm17", True),
        ("GPIO07", 7, True),
        ("BOARD11", "board11", True),
        (17, 18, False),
        ("BOARD17", 17, False),
    ],
)
def test_two_writings_of_a_line_are_known_as_one(
    one: str | int, other: str | int, same: bool
) -> None:
    assert (pin_identity(one) == pin_identity(other)) is same


@pytest.mark.parametrize(
    ("sections", "told"),
    [
        ({"motion": {"overshoot_pulses": 11}}, None),
        (
            {"motion": {"overshoot_pulses": 12}},
            "motion.overshoot_pulses: must be below soft_margin_pulses (12), not 12",
        ),
        ({"motion": {"doubt_max_pulses": 12}}, None),
        (
            {"motion": {"doubt_max_pulses": 13}},
            "motion.doubt_max_pulses: must be at most soft_margin_pulses (12), not 13",
        ),
        # 350 mm with 2 pulses each are 700.
        ({"motion": {"soft_margin_pulses": 349}}, None),
        (
            {"motion": {"soft_margin_pulses": 350}},
            "motion.soft_margin_pulses: must be below 350, half the travel "
            "(stroke_mm x pulses_per_mm = 700), not 350",
        ),
        ({"actuator": {"pulses_per_mm": taped(41 / 350)}}, None),
        (
            {"actuator": {"pulses_per_mm": taped(40 / 350)}},
            "motion.end_window_pulses: must be below 20, half the travel "
            "(stroke_mm x pulses_per_mm = 40), not 20",
        ),
        ({"motion": {"park_count_pulses": 12}}, None),
        ({"motion": {"park_count_pulses": 688}}, None),
        (
            {"motion": {"park_count_pulses": 11}},
            "motion.park_count_pulses: must be from 12 to 688, between the soft limits as taped",
        ),
        ({"motion": {"park_count_pulses": 689}}, "must be from 12 to 688"),
        (
            {"motion": {"park_count_pulses": 300, "park_slot_deg": "170E"}},
            "motion.park_count_pulses: park_slot_deg is given as well; leave one of them out",
        ),
        # Margins that leave nothing make no second complaint of the park.
        (
            {"motion": {"soft_margin_pulses": 350, "park_count_pulses": 300}},
            "motion.soft_margin_pulses: must be below 350",
        ),
        (
            {"motion": {"soft_margin_pulses": 240, "park_count_pulses": 239}},
            "motion.park_count_pulses: must be from 240 to 460",
        ),
        ({"motion": {"park_slot_deg": "170E"}}, None),
        # On a sphere tan(elevation) = (cos g - 0.1513) / sin g with cos g = cos 45.1 cos(slots
        # apart): 0.44 degrees at 77 and -0.40 at 78.2 slots west of the site.
        ({"motion": {"park_slot_deg": "92.4E"}}, None),
        ({"motion": {"park_slot_deg": "91.2E"}}, "must be above the horizon, but 91.2 stands at -"),
        ({"motion": {"park_slot_deg": "10W"}}, "must be above the horizon, but -10 stands at -"),
        ({"mount": {"axis_elevation_deg": 45.8, "declination_offset_deg": 6.1}}, None),
        (
            {"mount": {"axis_elevation_deg": 45.8}},
            "mount.axis_elevation_deg: needs mount.declination_offset_deg beside it",
        ),
        (
            {"mount": {"declination_offset_deg": 6.1}},
            "mount.declination_offset_deg: needs mount.axis_elevation_deg beside it",
        ),
        # The highest satellite stands at 0 near latitude 81.3 (common knowledge of the trade),
        # and at 5 degrees near 76.3.
        ({"site": {"latitude_deg": 76}}, None),
        ({"site": {"latitude_deg": 77}}, "site.latitude_deg: no satellite stands 5 deg high"),
        (
            {
                "site": {"latitude_deg": -81},
                "mount": {"axis_elevation_deg": 81.0, "declination_offset_deg": 8.7},
            },
            None,
        ),
        (
            {
                "site": {"latitude_deg": -82},
                "mount": {"axis_elevation_deg": 82.0, "declination_offset_deg": 8.7},
            },
            "site.latitude_deg: no satellite stands 0 deg high",
        ),
        # 60 pulses a second have 1/120 s for each half.
        ({"sensor": {"stable_s": 0.0083}}, None),
        (
            {"sensor": {"stable_s": 0.0078125, "rate_max_pulses_per_s": 64}},
            "sensor.stable_s: must be below 0.007812, half a pulse at rate_max_pulses_per_s 64",
        ),
        (
            {"sensor": {"stable_s": 0.0084}},
            "sensor.stable_s: must be below 0.008333, half a pulse at rate_max_pulses_per_s 60",
        ),
        ({"pins": {"current": {"amperes_at_full_scale": 5, "max_a": 4.9}}}, None),
        (
            {"pins": {"current": {"amperes_at_full_scale": 5, "max_a": 5}}},
            "pins.current.max_a: must be below amperes_at_full_scale (5), not 5",
        ),
        ({"broker": {"host": "b", "port": 1}}, None),
        ({"broker": {"port": 0}}, None),
        ({"broker": {"host": "b", "port": 0}}, "broker.port: must be at least 1 with broker.host"),
        ({"broker": {"user": "u"}}, "broker.user: does nothing without broker.host"),
        ({"broker": {"tls": True}}, "broker.tls: does nothing without broker.host"),
        (
            {"broker": {"host": "b", "password_file": "p"}},
            "broker.password_file: does nothing without broker.user",
        ),
        (
            {"broker": {"host": "b", "ca_file": "c"}},
            "broker.ca_file: does nothing without broker.tls: true",
        ),
        (
            {"broker": {"host": "b", "tls": True, "certificate_file": "c"}},
            "broker.certificate_file: does nothing without broker.key_file",
        ),
        (
            {"broker": {"host": "b", "tls": True, "key_file": "c"}},
            "broker.key_file: does nothing without broker.certificate_file",
        ),
        ({"signal": {"topic": "t", "json_path": "a.b"}}, None),
        ({"signal": {"json_path": "a.b"}}, "signal.json_path: does nothing without signal.topic"),
        (
            {"satellites": [{"name": "Heron", "slot_deg": 1}, {"name": "HERON", "slot_deg": 2}]},
            "satellites[2].name: HERON is the name of satellites[1] already",
        ),
    ],
)
def test_options_that_do_not_fit_are_refused(
    tmp_path: Path, sections: dict[str, Any], told: str | None
) -> None:
    found = complaints(tmp_path, dish(**sections))
    assert len(found) == (told is not None)
    assert all(told in line for line in found if told)


@pytest.mark.parametrize(
    ("sections", "told"),
    [
        ({}, None),
        (
            {
                "satellites": [
                    {"name": "Heron", "slot_deg": 150},
                    {"name": "Skua", "slot_deg": "150E"},
                ]
            },
            "satellites[2].slot_deg: Skua stands in the slot of Heron; to the dish they are one",
        ),
        (
            {"satellites": [{"name": "Crane", "slot_deg": "25.9W"}]},
            "satellites[1].slot_deg: Crane stands below the horizon here (-",
        ),
        ({"satellites": [{"name": "Crane", "slot_deg": "92.4E"}]}, None),
        (
            {"satellites": [{"name": "Crane", "slot_deg": "91.2E"}]},
            "satellites[1].slot_deg: Crane stands below the horizon here (-0.",
        ),
        # A right angle at the top spans 500 (arms 3 and 4).
        ({"actuator": lengths(300, 201)}, None),
        (
            {"actuator": lengths(300, 199)},
            "actuator.opening_at_top_deg: with the dish at its highest the rod would be 500 mm",
        ),
        ({"actuator": lengths(501, 150)}, "outside its own 501 to 651 mm"),
        ({"motion": {"max_run_s": 11.7}}, None),  # 700 pulses, 60 a second
        ({"motion": {"max_run_s": 10}, "sensor": {"rate_max_pulses_per_s": 70}}, None),
        ({"motion": {"max_run_s": 11.6}}, "motion.max_run_s: 11.6 s is too short for the whole"),
        ({"motion": {"max_run_s": 240}}, None),
        ({"motion": {"max_run_s": 241}}, "241 s is more than on_time_max_s (240)"),
    ],
)
def test_what_may_be_a_slip_is_noted(
    tmp_path: Path, sections: dict[str, Any], told: str | None
) -> None:
    found = notes(tmp_path, dish(**sections))
    assert len(found) == (told is not None)
    assert all(told in line for line in found if told)


def test_satellites_may_stand_in_another_file(tmp_path: Path) -> None:
    (tmp_path / "lists").mkdir()
    (tmp_path / "lists/birds.yaml").write_text("- {name: Heron, slot_deg: 150.5 E}\n")
    table = dish() | {"satellites": "lists/birds.yaml"}
    assert complaints(tmp_path, table) == []
    heron = Satellite(name="Heron", slot_deg=150.5)
    assert load(tmp_path / "dish.yaml").satellites == (heron,)
    assert load_satellites(tmp_path / "lists/birds.yaml") == (heron,)


def test_mistake_in_the_other_file_is_told_with_its_line(tmp_path: Path) -> None:
    birds = tmp_path / "birds.yaml"
    birds.write_text("- {name: Heron, slot_deg: 150}\n- {name: heron, slot_deg: 1.5N}\n")
    (tmp_path / "dish.yaml").write_text(yaml.safe_dump(dish() | {"satellites": "birds.yaml"}))
    told = (
        f"{birds}:2:17: satellites[2].slot_deg: "
        "slot '1.5N' is not understood; write 124.0E, 30.5W or -30.5"
    )
    for reading in (lambda: load(tmp_path / "dish.yaml"), lambda: load_satellites(birds)):
        with pytest.raises(ConfigError) as caught:
            reading()
        assert str(caught.value) == told


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (None, "satellites: {0}: cannot be read: No such file or directory"),
        ("a: b: c", "satellites: {0}:1:5: not valid YAML: mapping values are not allowed here"),
        ("a: b", "satellites: must be a list, or the name of a file with the list, not a section"),
    ],
)
def test_other_file_that_is_no_list_is_told(tmp_path: Path, text: str | None, told: str) -> None:
    birds = tmp_path / "birds.yaml"
    if text is not None:
        birds.write_text(text)
    assert complaints(tmp_path, dish() | {"satellites": "birds.yaml"}) == [told.format(birds)]


@pytest.mark.parametrize(
    ("slot", "slot_deg"),
    [("124.0E", 124.0), ("30.5 W", -30.5), (-30.5, -30.5), (180, 180.0), ("180W", 180.0)],
)
def test_slot_is_read_as_people_write_it(slot: str | float, slot_deg: float) -> None:
    read_slot_deg = Satellite.model_validate({"name": "Heron", "slot_deg": slot}).slot_deg
    assert read_slot_deg == slot_deg


@pytest.mark.parametrize("slot", [-180, 180.1, "200E", "12N", "", True, None, math.nan])
def test_slot_outside_the_circle_is_refused(slot: object) -> None:
    with pytest.raises(ValidationError):
        Satellite.model_validate({"name": "Heron", "slot_deg": slot})
