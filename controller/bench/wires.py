"""Which line of the board is soldered to what in the yard."""

import json
from dataclasses import asdict, dataclass, field, replace

from controller.errors import ConfigError


@dataclass(frozen=True, kw_only=True)
class TwoRelays:
    """One relay for each direction."""

    east_pin: int = 5
    west_pin: int = 6


@dataclass(frozen=True, kw_only=True)
class ReversingRelay:
    """A relay that switches the power and one that swaps the motor's two wires."""

    power_pin: int = 5
    reverse_pin: int = 6
    reverse_is: str = "east"


@dataclass(frozen=True, kw_only=True)
class HBridge:
    """A bridge with one input for each direction; the level is the part of full voltage."""

    east_pin: int = 12
    west_pin: int = 13
    enable_pin: int | None = None


Drive = TwoRelays | ReversingRelay | HBridge


@dataclass(frozen=True, kw_only=True)
class Wires:
    """The whole harness between board and yard.

    Contacts go to ground, so that a closed one reads low, unless `contacts_to_supply`.
    The stop contact is closed while nobody presses; the hold contact while nobody holds is open.
    """

    drive: Drive = field(default_factory=TwoRelays)
    active_low: bool = False  # of the relays; a bridge and the heartbeat are active-high
    main_relay_pin: int | None = None
    heartbeat_pin: int | None = None
    heartbeat_hold_s: float = 1.0
    sensor_pin: int = 17
    second_pin: int | None = None
    east_limit_pin: int | None = None
    west_limit_pin: int | None = None
    stop_pin: int | None = None
    hold_pin: int | None = None
    contacts_to_supply: bool = False
    current_channel: int = 0
    amperes_at_full_scale: float = 10.0
    operate_s: float = 0.008  # of a relay, usual for a small power relay
    release_s: float = 0.004

    def __post_init__(self) -> None:
        used = [pin for pin in self.all_pins() if pin is not None]
        for pin in used:
            if used.count(pin) > 1:
                raise ConfigError(f"line {pin} is soldered to two things in the yard; move one")

    def all_pins(self) -> list[int | None]:
        """Return every line of the harness, None for those left out."""
        own: list[int | None] = [v for k, v in vars(self.drive).items() if k.endswith("_pin")]
        return own + [v for k, v in vars(self).items() if k.endswith("_pin")]


KINDS: dict[str, type[Drive]] = {
    "two-relays": TwoRelays,
    "reversing-relay": ReversingRelay,
    "h-bridge": HBridge,
}


def wires_from(text: str, usual: Wires) -> Wires:
    """Return `usual` with the changes of a JSON object; `drive` is an object with a `kind`."""
    try:
        changes = json.loads(text)
        if "drive" in changes:
            drive = dict(changes["drive"])
            changes["drive"] = KINDS[drive.pop("kind")](**drive)
        return replace(usual, **changes)
    except (ValueError, TypeError, KeyError) as error:
        raise ConfigError(f"{text} is no harness: {error}") from error


def wires_as_json(wires: Wires) -> str:
    """Return what `wires_from` reads."""
    plain = asdict(wires)
    kind = next(name for name, drive in KINDS.items() if isinstance(wires.drive, drive))
    plain["drive"] = {"kind": kind, **plain["drive"]}
    return json.dumps(plain)
