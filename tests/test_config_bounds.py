"""The bounds of every option, and the core's own settings built from the file's."""

import json
import re
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from controller.config import (
    Broker,
    CurrentInput,
    Motion,
    Pins,
    ReversingRelay,
    Section,
    Sensor,
    Settings,
    Site,
    Taped,
    landing_settings,
    load,
    priors,
    safety_settings,
    watch_settings,
)
from controller.config.wording import sections_in
from controller.core.landing import LandingSettings
from controller.core.motion import Direction
from controller.core.safety import SafetySettings
from controller.core.watch import WatchSettings
from controller.geometry import earth
from controller.geometry import priors as geometry
from controller.geometry.linkage import Side
from controller.geometry.polar import minimax_setting

ROOT = Path(__file__).parent.parent


def settings_with(**sections: Any) -> Settings:
    return load(ROOT / "config/minimal.yaml").model_copy(update=sections)


def test_core_settings_have_the_same_defaults_as_the_file() -> None:
    settings = settings_with()
    assert landing_settings(settings) == LandingSettings()
    assert safety_settings(settings) == SafetySettings()
    assert watch_settings(settings) == WatchSettings()


def test_core_settings_are_what_the_file_says() -> None:
    current = CurrentInput(amperes_at_full_scale=10, max_a=7.0, trip_s=0.25)
    drive = ReversingRelay(kind="reversing-relay", power_pin=5, reverse_pin=6)
    settings = settings_with(
        motion=Motion(
            arrive="east", overshoot_pulses=3, corrections_max=4, soft_margin_pulses=21,
            doubt_max_pulses=9, nudge_max_pulses=31, nudge_max_deg=2.5, max_run_s=99.0,
            stall_s=1.5, standstill_s=0.75, pause_s=0.5, coast_max_pulses=17,
            end_window_pulses=14, on_time_max_s=111.0, duty_ratio=0.125,
        ),
        broker=Broker(stale_s=7.0),
        sensor=Sensor(pin=17, rate_max_pulses_per_s=44.0),
        pins=Pins(drive=drive, current=current),
    )  # fmt: skip
    assert landing_settings(settings) == LandingSettings(
        arrive=Direction.EAST, overshoot_pulses=3, corrections_max=4
    )
    assert safety_settings(settings) == SafetySettings(
        soft_margin_pulses=21, doubt_max_pulses=9, nudge_max_pulses=31, nudge_max_deg=2.5,
        max_run_s=99.0, stale_s=7.0,
    )  # fmt: skip
    expected = WatchSettings(
        stall_s=1.5, standstill_s=0.75, pause_s=0.5, coast_max_pulses=17,
        rate_max_pulses_per_s=44.0, end_window_pulses=14, on_time_max_s=111.0, duty_ratio=0.125,
        current_max_a=7.0, current_trip_s=0.25,
    )  # fmt: skip
    assert watch_settings(settings) == expected
    assert all(
        getattr(expected, field.name) != field.default for field in fields(expected)
    )  # so that no option can be forgotten unseen


def test_priors_are_what_was_taped() -> None:
    settings = load(ROOT / "config/tussock-downs.yaml")
    known = priors(settings)
    assert (known.site.latitude_deg, known.site.longitude_deg) == (-45.1, 169.4)
    assert (known.site.height_m, known.side) == (280.0, Side.WEST)
    assert (known.dish_diameter_m, known.frequency_ghz) == (3.0, 4.0)
    assert known.taped() == {
        "axis_elevation_deg": geometry.Taped(45.8, 0.4),
        "axis_azimuth_error_deg": geometry.Taped(0.0, 1.0),
        "declination_offset_deg": geometry.Taped(6.1, 0.3),
        "dish_arm_mm": geometry.Taped(465.0, 3.0),
        "mast_arm_mm": geometry.Taped(505.0, 3.0),
        "axial_offset_mm": geometry.Taped(25.0, 10.0),
        "opening_at_top_deg": geometry.Taped(90.0, 2.0),
        "retracted_mm": geometry.Taped(325.0, 3.0),
        "stroke_mm": geometry.Taped(600.0, 3.0),
        "pulses_per_mm": geometry.Taped(1.9, 0.02),
    }


def test_priors_of_a_mount_without_a_setting_are_the_best_for_its_site() -> None:
    settings = settings_with()
    best = minimax_setting(earth.Site(-45.1, 169.4, 0.0))
    known = priors(settings).taped()
    assert known["axis_elevation_deg"].value == best.axis_elevation_deg
    assert known["declination_offset_deg"].value == best.declination_offset_deg


# Bounds that keep people and iron safe; chosen, and known to no source outside.
@pytest.mark.parametrize(
    ("option", "least", "most"),
    [
        ("max_run_s", 1.0, 600.0),
        ("on_time_max_s", 5.0, 3600.0),
        ("stall_s", 0.2, 10.0),
        ("standstill_s", 0.2, 5.0),
        ("pause_s", 0.1, 10.0),
        ("soft_margin_pulses", 2, 500),
        ("doubt_max_pulses", 1, 200),
        ("nudge_max_pulses", 1, 500),
        ("coast_max_pulses", 2, 500),
        ("end_window_pulses", 1, 200),
    ],
)
def test_safety_can_be_tightened_and_not_loosened(option: str, least: float, most: float) -> None:
    step = 1 if isinstance(least, int) else 0.01
    for value in (least, most):
        assert getattr(Motion.model_validate({option: value}), option) == value
    for value in (least - step, most + step):
        with pytest.raises(ValidationError):
            Motion.model_validate({option: value})


def numbers(root: type[Section]) -> set[tuple[type[Section], str]]:
    found: set[tuple[type[Section], str]] = set()
    for name, field in root.model_fields.items():
        if field.annotation in (int, float, int | None, float | None):
            found.add((root, name))
        for inner in sections_in(field.annotation):
            found |= numbers(inner)
    return found


@pytest.mark.parametrize(
    ("model", "name"),
    sorted(numbers(Settings) - {(Taped, "value")}, key=str),
)
def test_every_number_is_bounded_on_both_sides(model: type[Section], name: str) -> None:
    schema = json.dumps(model.model_json_schema()["properties"][name])
    assert re.search('"(minimum|exclusiveMinimum)"', schema)
    assert re.search('"(maximum|exclusiveMaximum)"', schema)


@given(
    latitude_deg=st.floats(allow_nan=True, allow_infinity=True),
    longitude_deg=st.floats(allow_nan=True, allow_infinity=True),
)
def test_site_is_on_the_earth_or_refused(latitude_deg: float, longitude_deg: float) -> None:
    sound = -90 < latitude_deg < 90 and -180 < longitude_deg <= 180
    try:
        Site(name="x", latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    except ValidationError:
        assert not sound
    else:
        assert sound
