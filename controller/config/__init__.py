"""The configuration: YAML to frozen settings, read completely or refused."""

from controller.config.builders import landing_settings, priors, safety_settings, watch_settings
from controller.config.loading import Reading, Wiring, load, load_satellites, load_wiring, read
from controller.config.motion import Motion
from controller.config.reach import Broker, Hub, Signal
from controller.config.section import Pin, Section, Taped, pin_identity
from controller.config.settings import Satellite, Settings
from controller.config.wiring import (
    CurrentInput,
    Drive,
    HBridge,
    LimitSwitches,
    Pins,
    ReversingRelay,
    Sensor,
    TwoRelays,
)
from controller.config.yard import Actuator, Dish, MountSection, Site

__all__ = [
    "Actuator",
    "Broker",
    "CurrentInput",
    "Dish",
    "Drive",
    "HBridge",
    "Hub",
    "LimitSwitches",
    "Motion",
    "MountSection",
    "Pin",
    "Pins",
    "Reading",
    "ReversingRelay",
    "Satellite",
    "Section",
    "Sensor",
    "Settings",
    "Signal",
    "Site",
    "Taped",
    "TwoRelays",
    "Wiring",
    "landing_settings",
    "load",
    "load_satellites",
    "load_wiring",
    "pin_identity",
    "priors",
    "read",
    "safety_settings",
    "watch_settings",
]
