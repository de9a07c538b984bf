"""How a home hub is told about the dish: MQTT discovery, one message for each entity.

Rule 1: one message for each entity, because hubs before 2024.11 know no other form.
Rule 2: `device` and `origin` hold only keys that every version knows; one unknown key there
        loses the entity.
Rule 3: what was announced once and is no longer wanted is wiped; a retained index of our own
        remembers what that was.
"""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any, Final

from controller.config import Settings
from controller.core.motion import MotionState
from controller.edge.reports import as_bytes
from controller.edge.topics import Tree

INDEX_WAIT_S: Final = 2.0  # the index that the broker kept arrives within milliseconds
INDEX_MAX: Final = 500  # topics; more is not an index of ours


@dataclass(frozen=True, kw_only=True)
class Entity:
    """One thing on the hub's page; `more` is what its component wants beside the usual."""

    component: str
    key: str
    name: str  # without the name of the device, which the hub puts before it
    icon: str
    more: Mapping[str, Any]


def _select(settings: Settings, tree: Tree) -> Iterator[Entity]:
    names = [satellite.name for satellite in settings.satellites]
    if names:
        more = {
            "options": names,
            "command_topic": tree.topic("ask/goto"),
            "state_topic": tree.topic("fact/satellite"),
        }
        yield Entity(component="select", key="satellite", name="Satellite",
                     icon="mdi:satellite-variant", more=more)  # fmt: skip


def _button(tree: Tree, verb: str, name: str, icon: str) -> Entity:
    more = {"command_topic": tree.topic(f"ask/{verb}"), "payload_press": verb}
    return Entity(component="button", key=verb, name=name, icon=icon, more=more)


def _buttons(settings: Settings, tree: Tree) -> Iterator[Entity]:
    yield _button(tree, "halt", "Halt", "mdi:stop-circle")
    motion = settings.motion
    if motion.park_slot_deg is not None or motion.park_count_pulses is not None:
        yield _button(tree, "park", "Park", "mdi:parking")


def _hold(tree: Tree) -> Entity:
    more = {
        "command_topic": tree.topic("ask"),
        "payload_on": '{"do":"hold","reason":"switched on at the hub"}',
        "payload_off": '{"do":"release"}',
        "state_topic": tree.topic("fact/held"),
        "state_on": "ON",
        "state_off": "OFF",
    }
    return Entity(component="switch", key="hold", name="Hold", icon="mdi:hand-back-right",
                  more=more)  # fmt: skip


def _sensor(tree: Tree, fact: str, name: str, icon: str, **more: Any) -> Entity:
    with_state = {"state_topic": tree.topic(f"fact/{fact}"), **more}
    return Entity(component="sensor", key=fact, name=name, icon=icon, more=with_state)


def _sensors(tree: Tree) -> Iterator[Entity]:
    measured = {"state_class": "measurement"}
    yield _sensor(tree, "count", "Count", "mdi:counter", unit_of_measurement="pulses",
                  suggested_display_precision=0, **measured)  # fmt: skip
    yield _sensor(tree, "doubt", "Doubt", "mdi:help-circle", unit_of_measurement="pulses",
                  suggested_display_precision=0, entity_category="diagnostic",
                  **measured)  # fmt: skip
    # `measurement_angle` would fit better, but hubs of early 2024 refuse it.
    yield _sensor(tree, "slot", "Position", "mdi:angle-acute", unit_of_measurement="°",
                  suggested_display_precision=1, **measured)  # fmt: skip
    states = [state.value for state in MotionState]
    yield _sensor(tree, "state", "State", "mdi:state-machine", device_class="enum",
                  options=states)  # fmt: skip


def _claim(tree: Tree, fact: str, name: str, device_class: str, icon: str) -> Entity:
    more = {
        "state_topic": tree.topic(f"fact/{fact}"),
        "payload_on": "ON",
        "payload_off": "OFF",
        "device_class": device_class,
    }
    return Entity(component="binary_sensor", key=fact, name=name, icon=icon, more=more)


def entities(settings: Settings, tree: Tree) -> Iterator[Entity]:
    """Yield everything that the hub should show."""
    yield from _select(settings, tree)
    yield from _buttons(settings, tree)
    yield _hold(tree)
    yield from _sensors(tree)
    yield _claim(tree, "faulted", "Fault", "problem", "mdi:alert")
    yield _claim(tree, "moving", "Moving", "moving", "mdi:rotate-orbit")


def _word(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", text.lower())


def _node(tree: Tree) -> str:
    return f"{tree.base.replace('/', '_')}_{tree.dish}"


def _device(settings: Settings, tree: Tree) -> dict[str, Any]:
    return {
        "identifiers": [_node(tree)],
        "name": f"{settings.site.name} {settings.dish.name}",
        "manufacturer": "Arckeeper",
        "model": f"Polar mount dish, {settings.dish.diameter_m:g} m",
        "sw_version": version("arckeeper"),
    }


def _message(entity: Entity, settings: Settings, tree: Tree) -> bytes:
    entity_id = f"{_word(tree.dish)}_{entity.key}"
    return as_bytes(
        {
            "name": entity.name,
            "unique_id": f"{_node(tree)}_{entity.key}",
            # Hubs until 2026.3 read the first, hubs from 2025.10 on the second.
            "object_id": entity_id,
            "default_entity_id": f"{entity.component}.{entity_id}",
            "icon": entity.icon,
            "availability_topic": tree.topic("alive"),
            "device": _device(settings, tree),
            "origin": {"name": "arckeeper", "sw_version": version("arckeeper")},
            **entity.more,
        }
    )


def discovery(settings: Settings, tree: Tree) -> dict[str, bytes]:
    """Return the retained messages that tell the hub about the dish, by topic."""
    if not settings.hub.discovery:
        return {}
    return {
        f"{settings.hub.prefix}/{entity.component}/{_node(tree)}/{entity.key}/config": _message(
            entity, settings, tree
        )
        for entity in entities(settings, tree)
    }


class HubVoice:
    """What the hub should be told, and what it should forget."""

    def __init__(self, settings: Settings, tree: Tree) -> None:
        self._messages = discovery(settings, tree)
        self._birth = f"{settings.hub.prefix}/status"
        self._index = tree.topic("hub-index")
        self._ours = re.compile(rf"[^#+\0]+/[a-z_]+/{re.escape(_node(tree))}/[a-z_]+/config")
        self._stale: list[str] = []
        self._index_due_s: float | None = None
        self._told = False

    @property
    def subscriptions(self) -> list[str]:
        """Return what the hub and our own memory speak on."""
        return [self._birth, self._index]

    def takes(self, topic: str) -> bool:
        """Say whether a message is for this voice."""
        return topic in (self._birth, self._index)

    def connected(self, *, now_s: float) -> None:
        """Wait a little for the index that the broker may have kept."""
        self._index_due_s = now_s + INDEX_WAIT_S

    def heard(self, topic: str, payload: bytes, *, retained: bool) -> bool:
        """Take a message, and say whether everything must be announced again."""
        if topic == self._birth:
            return payload == b"online"
        if retained:
            self._stale = [each for each in self._read(payload) if each not in self._messages]
            self._index_due_s = float("-inf")
        return False

    def due(self, *, now_s: float) -> list[tuple[str, bytes]]:
        """Return the retained messages that are to be kept from now on."""
        messages = [] if self._told else list(self._messages.items())
        self._told = True
        stale, self._stale = self._stale, []
        messages += [(topic, b"") for topic in stale]
        if self._index_due_s is not None and now_s >= self._index_due_s:
            self._index_due_s = None
            # After the wiping, so that a power cut in between leaves the old index.
            index = as_bytes(sorted(self._messages)) if self._messages else b""
            messages.append((self._index, index))
        return messages

    def _read(self, payload: bytes) -> list[str]:
        # Anybody on the broker may write here, so only what can be ours is wiped.
        try:
            listed = json.loads(payload[:65536])
        except (ValueError, RecursionError):
            return []
        if not isinstance(listed, list):
            return []
        return [each for each in listed[:INDEX_MAX]
                if isinstance(each, str) and self._ours.fullmatch(each)]  # fmt: skip
