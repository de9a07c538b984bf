"""What only two options together can get wrong.

1. A complaint is a place and a text; `MISTAKES` refuse the file, `NOTES` are told and no more.
2. A check runs when every section it reads is sound by itself, whatever is wrong with the others.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final, TypeAlias

from controller.config.mechanics import MECHANICS, MECHANICS_NOTES
from controller.config.motion import Motion
from controller.config.places import Place
from controller.config.reach import Broker, Signal
from controller.config.section import pin_identity
from controller.config.settings import Satellite
from controller.config.wiring import Pins, Sensor
from controller.config.yard import Site

Complaint: TypeAlias = tuple[Place, str]
Check: TypeAlias = Callable[..., Iterator[Complaint]]

# The serial lines of the board that gpiozero's MCP devices take by default: gpiozero, SPI pins.
SPI_LINES: Final = {8: "select", 9: "input", 10: "output", 11: "clock"}


def complaints(
    checks: Mapping[Check, tuple[str, ...]], parts: Mapping[str, Any]
) -> list[Complaint]:
    """Return what `checks` find in the sections that are sound."""
    return [
        complaint
        for check, names in checks.items()
        if all(name in parts for name in names)
        for complaint in check(**{name: parts[name] for name in names})
    ]


def pins_used_once(*, sensor: Sensor, pins: Pins) -> Iterator[Complaint]:
    """Refuse two things on one line."""
    first: dict[str | int, str] = {}
    if pins.current and pins.current.device.upper().startswith("MCP"):
        first = {line: f"pins.current (serial {use})" for line, use in SPI_LINES.items()}
    for place, pin in _pins(sensor, pins):
        name = ".".join(str(part) for part in place)
        before = first.setdefault(pin_identity(pin), name)
        if before != name:
            yield place, f"line {pin} is in use by {before} already; every pin needs its own"


def _pins(sensor: Sensor, pins: Pins) -> Iterator[tuple[Place, str | int]]:
    for around, section in (
        (("sensor",), sensor),
        (("pins",), pins),
        (("pins", "drive"), pins.drive),
        (("pins", "limit_switches"), pins.limit_switches),
    ):
        for option in type(section).model_fields:
            value = getattr(section, option)
            if (option == "pin" or option.endswith("_pin")) and value is not None:
                yield (*around, option), value


def pulse_longer_than_bounce(*, sensor: Sensor) -> Iterator[Complaint]:
    """Refuse a wait for a stable level that outlasts half a pulse at the highest rate."""
    bound_s = 1 / (2 * sensor.rate_max_pulses_per_s)
    if sensor.stable_s >= bound_s:
        yield (
            ("sensor", "stable_s"),
            f"must be below {bound_s:.4g}, half a pulse at rate_max_pulses_per_s "
            f"{sensor.rate_max_pulses_per_s:g}, not {sensor.stable_s:g}",
        )


def trip_within_range(*, pins: Pins) -> Iterator[Complaint]:
    """Refuse a trip that the input cannot show."""
    current = pins.current
    if current and current.max_a and current.max_a >= current.amperes_at_full_scale:
        yield (
            ("pins", "current", "max_a"),
            f"must be below amperes_at_full_scale ({current.amperes_at_full_scale:g}), "
            f"not {current.max_a:g}: such a current would never be seen",
        )


def margins_in_order(*, motion: Motion) -> Iterator[Complaint]:
    """Refuse a way past the target, or a doubt, that uses up the margin at the ends."""
    margin = motion.soft_margin_pulses
    if motion.overshoot_pulses >= margin:
        yield (
            ("motion", "overshoot_pulses"),
            f"must be below soft_margin_pulses ({margin}), not {motion.overshoot_pulses}: "
            f"beside a soft limit it would run into the end",
        )
    if motion.doubt_max_pulses > margin:
        yield (
            ("motion", "doubt_max_pulses"),
            f"must be at most soft_margin_pulses ({margin}), not {motion.doubt_max_pulses}: "
            f"the end could come before the soft limit",
        )


def parks_once(*, motion: Motion) -> Iterator[Complaint]:
    """Refuse two parking places."""
    if motion.park_slot_deg is not None and motion.park_count_pulses is not None:
        yield (
            ("motion", "park_count_pulses"),
            "park_slot_deg is given as well; leave one of them out",
        )


def park_above_horizon(*, motion: Motion, site: Site) -> Iterator[Complaint]:
    """Refuse a parking slot that no mount here can point at."""
    slot_deg = motion.park_slot_deg
    if slot_deg is not None and _elevation_deg(site, slot_deg) <= 0:
        yield (
            ("motion", "park_slot_deg"),
            f"must be above the horizon, but {slot_deg:g} stands at "
            f"{_elevation_deg(site, slot_deg):.1f} degrees there",
        )


def broker_options_belong(*, broker: Broker) -> Iterator[Complaint]:
    """Refuse an option that would do nothing: it is a misunderstanding."""
    needs: tuple[tuple[str, object, str, bool], ...] = (
        ("user", broker.user, "host", broker.host is not None),
        ("tls", broker.tls or None, "host", broker.host is not None),
        ("password_file", broker.password_file, "user", broker.user is not None),
        ("ca_file", broker.ca_file, "tls: true", broker.tls),
        ("certificate_file", broker.certificate_file, "tls: true", broker.tls),
        ("certificate_file", broker.certificate_file, "key_file", broker.key_file is not None),
        ("key_file", broker.key_file, "certificate_file", broker.certificate_file is not None),
    )
    for option, value, other, there in needs:
        if value is not None and not there:
            yield ("broker", option), f"does nothing without broker.{other}"
    if broker.host is not None and broker.port == 0:
        yield ("broker", "port"), "must be at least 1 with broker.host, not 0"


def path_needs_topic(*, signal: Signal) -> Iterator[Complaint]:
    """Refuse a way into a payload that never comes."""
    if signal.json_path is not None and signal.topic is None:
        yield ("signal", "json_path"), "does nothing without signal.topic"


def names_once(*, satellites: tuple[Satellite, ...]) -> Iterator[Complaint]:
    """Refuse a name that could mean two satellites, however people write it."""
    first: dict[str, int] = {}
    for number, satellite in enumerate(satellites):
        before = first.setdefault(satellite.name.casefold(), number)
        if before != number:
            yield (
                ("satellites", number, "name"),
                f"{satellite.name} is the name of satellites[{before + 1}] already "
                f"(capital letters make no difference)",
            )


def slots_shared(*, satellites: tuple[Satellite, ...]) -> Iterator[Complaint]:
    """Note satellites in one slot, which are one place for the dish."""
    first: dict[float, str] = {}
    for number, satellite in enumerate(satellites):
        before = first.setdefault(satellite.slot_deg, satellite.name)
        if before != satellite.name:
            yield (
                ("satellites", number, "slot_deg"),
                f"{satellite.name} stands in the slot of {before}; to the dish they are one place",
            )


def satellites_below_horizon(
    *, site: Site, satellites: tuple[Satellite, ...]
) -> Iterator[Complaint]:
    """Note what never rises here: a slip of the pen, or a list shared by two sites."""
    for number, satellite in enumerate(satellites):
        elevation_deg = _elevation_deg(site, satellite.slot_deg)
        if elevation_deg <= 0:
            yield (
                ("satellites", number, "slot_deg"),
                f"{satellite.name} stands below the horizon here ({elevation_deg:.1f} degrees)",
            )


def _elevation_deg(site: Site, slot_deg: float) -> float:
    from controller.geometry import earth  # noqa: PLC0415 (numpy: see mechanics.py)

    place = earth.Site(site.latitude_deg, site.longitude_deg, site.height_m)
    return float(earth.look_angles(place, slot_deg).elevation_deg)


MISTAKES: Final[dict[Check, tuple[str, ...]]] = {
    pins_used_once: ("sensor", "pins"),
    pulse_longer_than_bounce: ("sensor",),
    trip_within_range: ("pins",),
    margins_in_order: ("motion",),
    parks_once: ("motion",),
    park_above_horizon: ("motion", "site"),
    broker_options_belong: ("broker",),
    path_needs_topic: ("signal",),
    names_once: ("satellites",),
    **MECHANICS,
}
NOTES: Final[dict[Check, tuple[str, ...]]] = {
    slots_shared: ("satellites",),
    satellites_below_horizon: ("site", "satellites"),
    **MECHANICS_NOTES,
}
