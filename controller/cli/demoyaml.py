"""The configuration of the demo, out of what the owner of the simulated yard has taped."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from controller.bench.plan import YardPlan
from controller.bench.scenario import TAPES
from controller.bench.wires import ReversingRelay, TwoRelays, Wires
from controller.errors import ConfigError

SIGNAL_TOPIC: Final = "yard/signal"
# How well two people tape: the same as in the examples of the configuration.
SIGMAS: Final = {
    "dish_arm_mm": 3.0,
    "mast_arm_mm": 3.0,
    "axial_offset_mm": 10.0,
    "opening_at_top_deg": 2.0,
    "retracted_mm": 3.0,
    "stroke_mm": 3.0,
    "pulses_per_mm": 0.02,
}


def demo_yaml(plan: YardPlan, *, broker_port: int, state_dir: Path) -> str:
    """Return the file; JSON, which every reader of YAML reads."""
    return json.dumps(_sections(plan, broker_port, state_dir), indent=2) + "\n"


def _sections(plan: YardPlan, broker_port: int, state_dir: Path) -> dict[str, Any]:
    tape = asdict(TAPES[plan.name])
    taped = {name: {"value": tape[name], "sigma": sigma} for name, sigma in SIGMAS.items()}
    return {
        "site": {"name": plan.name.replace("-", " ").title(), **asdict(plan.site)},
        "dish": {"name": plan.name, "diameter_m": plan.beam.diameter_m},
        "mount": {
            "axis_elevation_deg": plan.axis_elevation_deg,
            "declination_offset_deg": plan.declination_offset_deg,
        },
        "actuator": {"side": plan.triangle.side, **taped},
        "sensor": {
            "pin": plan.wires.sensor_pin,
            "second_pin": plan.wires.second_pin,
            "rate_max_pulses_per_s": _rate_max(plan),
        },
        "pins": _pins(plan.wires),
        "motion": {"stall_s": 1.0, "standstill_s": 0.3, "pause_s": 0.2, "on_time_max_s": 3600},
        "broker": {"host": "127.0.0.1", "port": broker_port},
        "signal": {"topic": SIGNAL_TOPIC},
        "satellites": [{"name": s.name, "slot_deg": s.slot_deg} for s in plan.satellites],
        "state_dir": str(state_dir),
    }


def _rate_max(plan: YardPlan) -> float:
    """Return more than the motor's pace: without load it turns faster."""
    return max(60.0, round(1.4 * plan.motor.speed_mm_per_s * plan.ring.pulses_per_mm))


def _pins(wires: Wires) -> dict[str, Any]:
    pins: dict[str, Any] = {
        "factory": "yard",
        "drive": _drive(wires),
        "active_low": wires.active_low,
        "main_relay_pin": wires.main_relay_pin,
        "stop_pin": wires.stop_pin,
        "hold_pin": wires.hold_pin,
    }
    if wires.east_limit_pin is not None or wires.west_limit_pin is not None:
        pins["limit_switches"] = {
            "east_pin": wires.east_limit_pin,
            "west_pin": wires.west_limit_pin,
        }
    return pins


def _drive(wires: Wires) -> dict[str, Any]:
    drive = wires.drive
    if isinstance(drive, TwoRelays):
        return {"kind": "two-relays", "east_pin": drive.east_pin, "west_pin": drive.west_pin}
    if isinstance(drive, ReversingRelay):
        return {
            "kind": "reversing-relay",
            "power_pin": drive.power_pin,
            "reverse_pin": drive.reverse_pin,
            "reverse_is": drive.reverse_is,
        }
    raise ConfigError(f"the demo has no yard with a {type(drive).__name__}")
