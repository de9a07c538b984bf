"""The sections for what is wired to the board: sensor, drive, switches, current."""

from typing import Annotated, Literal

from pydantic import Field

from controller.config.section import Pin, Section


class Sensor(Section):
    """The reed (or Hall) sensor on the actuator."""

    pin: Pin = Field(description="Line of the sensor.")
    second_pin: Pin | None = Field(
        default=None, description="Line of a second sensor a quarter of a magnet on (quadrature)."
    )
    pull_up: bool = Field(default=True, description="Use the board's pull-up.")
    closed_is_low: bool = Field(
        default=True, description="Whether a closed contact pulls the line low."
    )
    stable_s: float = Field(
        default=0.003, gt=0, le=0.05, description="A level counts after this long unchanged, s."
    )
    rate_max_pulses_per_s: float = Field(
        default=60.0, ge=1, le=2000, description="Faster than the actuator can ever be, pulses/s."
    )


class TwoRelays(Section):
    """One relay for each direction."""

    kind: Literal["two-relays"] = Field(description="One relay for each direction.")
    east_pin: Pin = Field(description="Line of the relay that runs the dish east.")
    west_pin: Pin = Field(description="Line of the relay that runs the dish west.")


class ReversingRelay(Section):
    """A relay that reverses and one that switches the power; reversed only without power."""

    kind: Literal["reversing-relay"] = Field(description="Power relay and reversing relay.")
    power_pin: Pin = Field(description="Line of the relay that switches the motor's power.")
    reverse_pin: Pin = Field(description="Line of the relay that reverses the motor.")
    reverse_is: Literal["east", "west"] = Field(
        default="east", description="Direction with the reversing relay closed."
    )
    settle_s: float = Field(
        default=0.05, ge=0.01, le=1.0, description="From reversing to power, s."
    )


class HBridge(Section):
    """A bridge with one input for each direction and PWM for a soft start."""

    kind: Literal["h-bridge"] = Field(description="Electronic bridge with two inputs.")
    east_pin: Pin = Field(description="Line of the input that runs the dish east.")
    west_pin: Pin = Field(description="Line of the input that runs the dish west.")
    enable_pin: Pin | None = Field(default=None, description="Line that enables the bridge.")
    frequency_hz: float = Field(default=200.0, gt=0, le=20000, description="PWM frequency, Hz.")
    soft_start_s: float = Field(
        default=0.2, ge=0, le=2.0, description="Time to full speed, s; 0: at once."
    )


class LimitSwitches(Section):
    """Switches at the ends that the board can see; the ones in the motor circuit stay."""

    east_pin: Pin | None = Field(default=None, description="Line of the switch at the east end.")
    west_pin: Pin | None = Field(default=None, description="Line of the switch at the west end.")
    active_low: bool = Field(default=True, description="Whether low means reached.")


class CurrentInput(Section):
    """The motor's supply current through a gpiozero analogue device."""

    device: str = Field(
        default="MCP3008",
        pattern=r"^[A-Z][A-Za-z0-9]{1,31}$",
        description="Analogue device, a class name of gpiozero.",
    )
    channel: int = Field(default=0, ge=0, le=7, description="Channel of the device.")
    amperes_at_full_scale: float = Field(
        gt=0, le=500, description="Current at the device's full scale, A."
    )
    offset_a: float = Field(
        default=0.0, ge=-500, le=500, description="Reading with the motor off, A."
    )
    max_a: float | None = Field(
        default=None, gt=0, le=500, description="More than this for trip_s is a jam, A."
    )
    trip_s: float = Field(
        default=0.5, gt=0, le=10, description="How long too much current is suffered, s."
    )


Drive = Annotated[TwoRelays | ReversingRelay | HBridge, Field(discriminator="kind")]


class Pins(Section):
    """Everything that is wired to the board."""

    factory: str = Field(
        default="lines",
        pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,31}$",
        description="Pin factory, an entry point of gpiozero_pin_factories.",
    )
    drive: Drive = Field(description="What switches the motor.")
    active_low: bool = Field(
        default=False, description="Whether the relay board closes a relay on low."
    )
    dead_time_s: float = Field(
        default=0.1, ge=0.02, le=5.0, description="All relays open between two directions, s."
    )
    main_relay_pin: Pin | None = Field(
        default=None, description="Line of a main relay in the motor's supply."
    )
    heartbeat_pin: Pin | None = Field(
        default=None, description="Line that beats while the program is well, for a watchdog relay."
    )
    stop_pin: Pin | None = Field(default=None, description="Line of the stop button.")
    stop_active_low: bool = Field(
        default=False,
        description="Whether low means stop; with false a broken wire stops as well.",
    )
    hold_pin: Pin | None = Field(default=None, description="Line of the hold switch at the dish.")
    hold_active_low: bool = Field(default=True, description="Whether low means hold.")
    limit_switches: LimitSwitches = Field(
        default=LimitSwitches(), description="Switches at the ends that the board can see."
    )
    current: CurrentInput | None = Field(
        default=None, description="Measurement of the motor's current."
    )
