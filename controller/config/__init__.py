"""The configuration: YAML to frozen settings, read completely or refused.

A name is loaded when it is asked for: a command that only wants to know where the broker is
does not wait for the mathematics.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
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

_ROOMS: Final = {
    "builders": ("landing_settings", "priors", "safety_settings", "watch_settings"),
    "loading": ("Reading", "Wiring", "load", "load_satellites", "load_wiring", "read"),
    "motion": ("Motion",),
    "reach": ("Broker", "Hub", "Signal"),
    "section": ("Pin", "Section", "Taped", "pin_identity"),
    "settings": ("Satellite", "Settings"),
    "wiring": (
        "CurrentInput",
        "Drive",
        "HBridge",
        "LimitSwitches",
        "Pins",
        "ReversingRelay",
        "Sensor",
        "TwoRelays",
    ),
    "yard": ("Actuator", "Dish", "MountSection", "Site"),
}
_ROOM_OF: Final = {name: room for room, names in _ROOMS.items() for name in names}


def __getattr__(name: str) -> object:
    """Load what stands in one of the modules (PEP 562)."""
    if name not in _ROOM_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_ROOM_OF[name]}"), name)
    globals()[name] = value
    return value
