"""Configuration files that tests write, and what the loader says of them."""

from pathlib import Path
from typing import Any

import yaml

from controller.config import load, read
from controller.errors import ConfigError


def taped(value: float) -> dict[str, float]:
    return {"value": value, "sigma": 3.0}


def dish(**changes: dict[str, Any] | list[Any]) -> dict[str, Any]:
    """A sound file with single options changed.

    Arms 300 and 400: folded the pins are 100 apart, in line 700, with a right angle 500.
    """
    table: dict[str, Any] = {
        "site": {"name": "Tussock Downs", "latitude_deg": -45.1, "longitude_deg": 169.4},
        "dish": {"name": "tussock", "diameter_m": 3.0},
        "actuator": {
            "side": "west",
            "dish_arm_mm": taped(300),
            "mast_arm_mm": taped(400),
            "axial_offset_mm": taped(0),
            "retracted_mm": taped(300),
            "stroke_mm": taped(350),
            "pulses_per_mm": {"value": 2.0, "sigma": 0.02},
        },
        "sensor": {"pin": 17},
        "pins": {"drive": {"kind": "two-relays", "east_pin": 5, "west_pin": 6}},
    }
    for section, change in changes.items():
        if isinstance(change, dict):
            table[section] = {**table.get(section, {}), **change}
        else:
            table[section] = change
    return table


def complaints(tmp_path: Path, table: dict[str, Any]) -> list[str]:
    path = tmp_path / "dish.yaml"
    path.write_text(yaml.safe_dump(table, sort_keys=False))
    try:
        load(path)
    except ConfigError as error:
        return [line.split(": ", 1)[1] for line in str(error).splitlines()]
    return []


def notes(tmp_path: Path, table: dict[str, Any]) -> list[str]:
    path = tmp_path / "dish.yaml"
    path.write_text(yaml.safe_dump(table, sort_keys=False))
    return [note.split(": ", 1)[1] for note in read(path).notes]


def lengths(retracted: float, stroke: float) -> dict[str, Any]:
    return {"retracted_mm": taped(retracted), "stroke_mm": taped(stroke)}
