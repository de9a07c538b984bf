"""What a home hub takes, as a table; found by reading back what hubs of four versions made.

The rules are those that hold on 2024.3.3, 2025.4.4, 2026.2.3 and 2026.11.0 alike, from
https://www.home-assistant.io/integrations/mqtt/ and the pages of the components, corrected by
what running hubs really did. Where versions differ, the strictest of them counts.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any

DEVICE_KEYS = {
    "identifiers", "connections", "name", "manufacturer", "model", "hw_version", "sw_version",
    "serial_number", "configuration_url", "suggested_area", "via_device",
}  # fmt: skip
ORIGIN_KEYS = {"name", "sw_version", "support_url"}
NEEDED = {
    "select": {"command_topic", "options"},
    "button": {"command_topic"},
    "switch": {"command_topic"},
    "number": {"command_topic"},
    "sensor": {"state_topic"},
    "binary_sensor": {"state_topic"},
}
STATE_CLASSES = {"measurement", "total", "total_increasing"}
SENSOR_CLASSES = {None, "enum", "signal_strength", "voltage", "current", "duration", "timestamp"}
UNITS = {
    "signal_strength": {"dB", "dBm"},
    "current": {"A", "mA"},
    "voltage": {"V", "mV"},
    "duration": {"s", "min", "h", "d"},
}
CLAIM_CLASSES = {None, "problem", "moving", "running", "connectivity", "safety"}

Payload = Mapping[str, Any]


def _ids_are_plain(topic: str, _payload: Payload) -> bool:
    parts = topic.split("/")
    return len(parts) == 5 and all(re.fullmatch(r"[a-zA-Z0-9_-]+", part) for part in parts[1:4])


def _component_is_known(topic: str, _payload: Payload) -> bool:
    return topic.split("/")[1] in NEEDED and topic.endswith("/config")


def _needed(topic: str, payload: Payload) -> bool:
    return payload.keys() >= NEEDED[topic.split("/")[1]]


def _has_unique_id(_topic: str, payload: Payload) -> bool:
    return bool(re.fullmatch(r"[a-zA-Z0-9_-]+", payload.get("unique_id", "")))


def _device_is_safe(_topic: str, payload: Payload) -> bool:
    device = payload.get("device", {})
    return bool(device.get("identifiers")) and device.keys() <= DEVICE_KEYS


def _origin_is_safe(_topic: str, payload: Payload) -> bool:
    origin = payload.get("origin", {})
    return bool(origin.get("name")) and origin.keys() <= ORIGIN_KEYS


def _name_stands_alone(_topic: str, payload: Payload) -> bool:
    name, device = payload.get("name"), payload["device"].get("name", "")
    return bool(name) and bool(device) and device.lower() not in str(name).lower()


def _both_entity_ids(topic: str, payload: Payload) -> bool:
    object_id = payload.get("object_id", "")
    wanted = f"{topic.split('/')[1]}.{object_id}"
    return (
        bool(re.fullmatch(r"[a-z0-9_]+", object_id)) and payload.get("default_entity_id") == wanted
    )


def _one_kind_of_availability(_topic: str, payload: Payload) -> bool:
    return ("availability_topic" in payload) != ("availability" in payload)


def _standard_availability(_topic: str, payload: Payload) -> bool:
    return not {"payload_available", "payload_not_available"} & payload.keys()


def _commands_are_not_retained(_topic: str, payload: Payload) -> bool:
    return not payload.get("retain", False)


def _options_differ(_topic: str, payload: Payload) -> bool:
    options = payload.get("options", ["one"])
    return bool(options) and len(options) == len(set(options))


def _state_comes_from_the_dish(topic: str, payload: Payload) -> bool:
    return topic.split("/")[1] not in {"select", "switch", "number"} or "state_topic" in payload


def _sensor_class_is_known(topic: str, payload: Payload) -> bool:
    return topic.split("/")[1] != "sensor" or payload.get("device_class") in SENSOR_CLASSES


def _claim_class_is_known(topic: str, payload: Payload) -> bool:
    return topic.split("/")[1] != "binary_sensor" or payload.get("device_class") in CLAIM_CLASSES


def _state_class_is_known(_topic: str, payload: Payload) -> bool:
    return payload.get("state_class", "measurement") in STATE_CLASSES


def _unit_fits(_topic: str, payload: Payload) -> bool:
    unit, kind = payload.get("unit_of_measurement"), payload.get("device_class")
    return unit is None or kind is None or unit in UNITS.get(kind, set())


def _enum_has_options_and_no_unit(topic: str, payload: Payload) -> bool:
    if topic.split("/")[1] != "sensor":
        return True
    is_enum = payload.get("device_class") == "enum"
    numeric = {"unit_of_measurement", "state_class"} & payload.keys()
    return is_enum == ("options" in payload) and not (is_enum and numeric)


def _category_fits(topic: str, payload: Payload) -> bool:
    reads_only = topic.split("/")[1] in {"sensor", "binary_sensor"}
    allowed = {None, "diagnostic"} if reads_only else {None, "diagnostic", "config"}
    return payload.get("entity_category") in allowed


RULES: tuple[Callable[[str, Payload], bool], ...] = (
    _component_is_known,
    _ids_are_plain,
    _needed,
    _has_unique_id,
    _device_is_safe,
    _origin_is_safe,
    _name_stands_alone,
    _both_entity_ids,
    _one_kind_of_availability,
    _standard_availability,
    _commands_are_not_retained,
    _options_differ,
    _state_comes_from_the_dish,
    _sensor_class_is_known,
    _claim_class_is_known,
    _state_class_is_known,
    _unit_fits,
    _enum_has_options_and_no_unit,
    _category_fits,
)


def broken_rules(topic: str, payload: Payload) -> list[str]:
    """Return the names of the rules that a discovery message breaks."""
    return [rule.__name__.strip("_") for rule in RULES if not rule(topic, payload)]


def all_different(payloads: Iterable[Payload], key: str) -> bool:
    values = [payload[key] for payload in payloads]
    return len(values) == len(set(values))
