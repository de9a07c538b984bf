"""The configuration: YAML to frozen settings, read completely or refused."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Deg = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Pin = Annotated[str | int, Field()]  # a GPIO line: number, or a name the pin factory knows


class Section(BaseModel):
    """A part of the file: frozen, and refusing what it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Site(Section):
    """Where the dish stands (WGS84)."""

    name: str
    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(gt=-180, le=180)
    height_m: float = Field(default=0.0, ge=-500, le=9000)


class Dish(Section):
    """The reflector."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,31}$")  # also in topics
    diameter_m: float = Field(gt=0.3, le=30)
    frequency_ghz: float = Field(default=4.0, ge=0.1, le=100)
    surface: Literal["mesh", "solid"] = "mesh"


class Taped(Section):
    """A length or angle somebody measured, and how well (one standard deviation)."""

    value: float = Field(allow_inf_nan=False)
    sigma: float = Field(gt=0, allow_inf_nan=False)


class MountSection(Section):
    """The polar mount as set; the sigmas say how crooked it may stand."""

    axis_elevation_deg: float | None = Field(default=None, ge=0, le=90)  # None: modified, minimax
    declination_offset_deg: float | None = Field(default=None, ge=-15, le=15)
    azimuth_sigma_deg: float = Field(default=1.0, gt=0, le=20)
    elevation_sigma_deg: float = Field(default=0.4, gt=0, le=10)
    declination_sigma_deg: float = Field(default=0.3, gt=0, le=10)


class Actuator(Section):
    """Rod, triangle and pulses, as taped; mm, degrees, pulses per mm.

    `side` is the side of the mount on which the fixed end sits: on "east" the rod grows
    toward west, on "west" it grows toward east.
    `opening_at_top` is the angle at the pivot between the two arms with the dish at its
    highest point (hour angle 0).
    `retracted` is pin to pin with the rod fully in.
    """

    side: Literal["east", "west"]
    dish_arm_mm: Taped
    mast_arm_mm: Taped
    axial_offset_mm: Taped = Taped(value=0.0, sigma=20.0)
    opening_at_top_deg: Taped = Taped(value=90.0, sigma=4.0)
    retracted_mm: Taped
    stroke_mm: Taped
    pulses_per_mm: Taped


class Sensor(Section):
    """The reed (or Hall) sensor on the actuator."""

    pin: Pin
    second_pin: Pin | None = None  # quadrature
    pull_up: bool = True
    closed_is_low: bool = True
    stable_s: float = Field(default=0.003, gt=0, le=0.05)
    rate_max_pulses_per_s: float = Field(default=60.0, gt=0, le=2000)


class TwoRelays(Section):
    """One relay for each direction."""

    kind: Literal["two-relays"]
    east_pin: Pin
    west_pin: Pin


class ReversingRelay(Section):
    """A relay that reverses and one that switches the power; reversed only without power."""

    kind: Literal["reversing-relay"]
    power_pin: Pin
    reverse_pin: Pin
    reverse_is: Literal["east", "west"] = "east"
    settle_s: float = Field(default=0.05, ge=0.01, le=1.0)


class HBridge(Section):
    """A bridge with one input for each direction and PWM for a soft start."""

    kind: Literal["h-bridge"]
    east_pin: Pin
    west_pin: Pin
    enable_pin: Pin | None = None
    frequency_hz: float = Field(default=200.0, gt=0, le=20000)
    soft_start_s: float = Field(default=0.2, ge=0, le=2.0)


class LimitSwitches(Section):
    """Switches at the ends that the board can see; the ones in the motor circuit stay."""

    east_pin: Pin | None = None
    west_pin: Pin | None = None
    active_low: bool = True


class CurrentInput(Section):
    """The motor's supply current through a gpiozero analogue device."""

    device: str = "MCP3008"  # a class of gpiozero
    channel: int = Field(default=0, ge=0, le=7)
    amperes_at_full_scale: float = Field(gt=0)
    offset_a: float = 0.0
    max_a: float | None = Field(default=None, gt=0)
    trip_s: float = Field(default=0.5, gt=0, le=10)


class Pins(Section):
    """Everything that is wired to the board."""

    factory: str = "lines"  # an entry point of gpiozero_pin_factories
    drive: Annotated[TwoRelays | ReversingRelay | HBridge, Field(discriminator="kind")]
    active_low: bool = False  # of the relay outputs
    dead_time_s: float = Field(default=0.1, ge=0.02, le=5.0)
    main_relay_pin: Pin | None = None
    heartbeat_pin: Pin | None = None
    stop_pin: Pin | None = None
    stop_active_low: bool = False  # normally closed contact to ground: an open wire stops
    hold_pin: Pin | None = None
    hold_active_low: bool = True
    limit_switches: LimitSwitches = LimitSwitches()
    current: CurrentInput | None = None


class Motion(Section):
    """How moves are made and watched; the core's own settings are built from this."""

    arrive: Literal["east", "west"] = "west"
    overshoot_pulses: int = Field(default=8, ge=0, le=200)
    corrections_max: int = Field(default=6, ge=0, le=20)
    soft_margin_pulses: int = Field(default=12, ge=2, le=500)
    doubt_max_pulses: int = Field(default=10, ge=1, le=200)
    nudge_max_pulses: int = Field(default=60, ge=1, le=500)
    nudge_max_deg: float = Field(default=5.0, gt=0, le=30)
    max_run_s: float = Field(default=180.0, gt=0, le=600)
    stall_s: float = Field(default=2.0, ge=0.2, le=10)
    standstill_s: float = Field(default=0.6, ge=0.2, le=5)
    pause_s: float = Field(default=0.3, ge=0.1, le=10)
    coast_max_pulses: int = Field(default=25, ge=2, le=500)
    end_window_pulses: int = Field(default=20, ge=1, le=200)
    on_time_max_s: float = Field(default=240.0, ge=5, le=3600)
    duty_ratio: float = Field(default=0.25, gt=0, le=1)
    park_slot_deg: float | None = Field(default=None, gt=-180, le=180)
    park_count_pulses: int | None = Field(default=None, ge=0)


class Broker(Section):
    """The MQTT broker; without a host a private one is started on loopback."""

    host: str | None = None
    port: int = Field(default=1883, ge=0, le=65535)  # 0: any free one, private broker only
    user: str | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    base_topic: str = Field(default="arckeeper", pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$")
    keepalive_s: int = Field(default=20, ge=5, le=600)
    stale_s: float = Field(default=10.0, gt=0, le=300)


class Hub(Section):
    """How a home hub is told about the dish."""

    discovery: bool = True
    prefix: str = "homeassistant"


class Signal(Section):
    """Where a receiver's signal level comes from."""

    topic: str | None = None
    json_path: str | None = None  # dotted, None: the payload is the number
    max_age_s: float = Field(default=5.0, gt=0, le=300)


class Satellite(Section):
    """A name with a slot, and how to receive it."""

    name: str = Field(min_length=1, max_length=60)
    slot_deg: float = Field(gt=-180, le=180)
    band: str = "C"
    polarisation: str = ""
    notes: str = ""


class Settings(Section):
    """The whole file."""

    site: Site
    dish: Dish
    mount: MountSection = MountSection()
    actuator: Actuator
    sensor: Sensor
    pins: Pins
    motion: Motion = Motion()
    broker: Broker = Broker()
    hub: Hub = Hub()
    signal: Signal = Signal()
    satellites: tuple[Satellite, ...] = ()
    state_dir: Path | None = None
