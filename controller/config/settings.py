"""The whole file, and the list of satellites in it."""

from typing import Annotated, Any

from pydantic import Field

from controller.config.motion import Motion
from controller.config.reach import Broker, Hub, Signal
from controller.config.section import FilePath, Section, SlotDeg
from controller.config.wiring import Pins, Sensor
from controller.config.yard import Actuator, Dish, MountSection, Site


class Satellite(Section):
    """A name with a slot, and how to receive it."""

    name: str = Field(
        min_length=1, max_length=60, pattern=r"^\S(.*\S)?$", description="Name of the satellite."
    )
    slot_deg: SlotDeg = Field(description="Its slot: 124.0E, 30.5 W, or degrees east positive.")
    band: str = Field(default="C", min_length=1, max_length=20, description="Band received.")
    polarisation: str = Field(default="", max_length=60, description="Polarisation received.")
    notes: str = Field(default="", max_length=500, description="Whatever you want to remember.")


def _or_a_file(schema: dict[str, Any]) -> None:
    listed = {"type": "array", "items": schema.pop("items")}
    schema.pop("type")
    schema["anyOf"] = [listed, {"type": "string", "description": "A file with the list."}]


Satellites = Annotated[tuple[Satellite, ...], Field(strict=False, json_schema_extra=_or_a_file)]


class Settings(Section):
    """The whole file."""

    site: Site = Field(description="Where the dish stands (WGS84).")
    dish: Dish = Field(description="The reflector.")
    mount: MountSection = Field(
        default=MountSection(), description="The polar mount as set, and how crooked it may stand."
    )
    actuator: Actuator = Field(description="Rod, triangle and pulses, as taped.")
    sensor: Sensor = Field(description="The sensor that counts.")
    pins: Pins = Field(description="Everything that is wired to the board.")
    motion: Motion = Field(default=Motion(), description="How moves are made and watched.")
    broker: Broker = Field(default=Broker(), description="The MQTT broker.")
    hub: Hub = Field(default=Hub(), description="How a home hub is told about the dish.")
    signal: Signal = Field(default=Signal(), description="The receiver's signal level.")
    satellites: Satellites = Field(
        default=(), description="The satellites: a list, or a file with the list."
    )
    state_dir: FilePath | None = Field(
        default=None, description="Folder for the count and the history."
    )
