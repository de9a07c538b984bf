"""How a home hub is told about the dish."""

import json
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any

import pytest

from controller.config import Settings
from controller.core.commands import GotoSatellite, Halt, Hold, Park, Release
from controller.edge.hub import INDEX_WAIT_S, HubVoice, discovery
from controller.edge.payloads import Asked, read_json, read_plain
from controller.edge.topics import BY_NAME, FACTS, Tree, Way
from tests.edge.hubrules import all_different, broken_rules
from tests.edge.realbroker import BASE, DISH, ROOT, Loop, Onlooker, RealBroker, settings, until
from tests.edge.test_topics import FULL, facts_of

Look = Callable[..., Onlooker]
Begin = Callable[..., Loop]

PARKED: dict[str, Any] = {"motion": {"park_slot_deg": 147.6}}
TREE = Tree(base=BASE, dish=DISH)
NODE = f"{BASE}_{DISH}"
INDEX = f"{ROOT}/hub-index"


def messages(with_settings: Settings | None = None) -> dict[str, dict[str, Any]]:
    made = discovery(with_settings or settings(**PARKED), TREE)
    return {topic: json.loads(payload) for topic, payload in made.items()}


MESSAGES = messages()
ALL = pytest.mark.parametrize("topic", MESSAGES)


def by_key(key: str) -> dict[str, Any]:
    return next(said for topic, said in MESSAGES.items() if topic.split("/")[3] == key)


@ALL
def test_a_message_keeps_every_rule_of_the_hub(topic: str) -> None:
    assert broken_rules(topic, MESSAGES[topic]) == []


SELECT = f"homeassistant/select/{NODE}/satellite/config"
COUNT = f"homeassistant/sensor/{NODE}/count/config"
STATE = f"homeassistant/sensor/{NODE}/state/config"


@pytest.mark.parametrize(
    ("topic", "change", "rule"),
    [
        (COUNT, {"device": {"identifiers": ["a"], "name": "d", "model_id": "x"}}, "device_is_safe"),
        (COUNT, {"device": {"name": "d"}}, "device_is_safe"),
        (COUNT, {"origin": {"name": "a", "url": "x"}}, "origin_is_safe"),
        (COUNT, {"origin": {"sw_version": "1"}}, "origin_is_safe"),
        (COUNT, {"name": "Tussock Downs big-dish count"}, "name_stands_alone"),
        (COUNT, {"unique_id": "a b"}, "has_unique_id"),
        (COUNT, {"object_id": "other"}, "both_entity_ids"),
        (COUNT, {"default_entity_id": "big_dish_count"}, "both_entity_ids"),
        (COUNT, {"availability": []}, "one_kind_of_availability"),
        (COUNT, {"state_class": "measurement_angle"}, "state_class_is_known"),
        (COUNT, {"device_class": "signal_strength"}, "unit_fits"),
        (COUNT, {"device_class": "angle"}, "sensor_class_is_known"),
        (COUNT, {"entity_category": "config"}, "category_fits"),
        (COUNT, {"options": ["a"]}, "enum_has_options_and_no_unit"),
        (STATE, {"state_class": "measurement"}, "enum_has_options_and_no_unit"),
        (SELECT, {"options": ["Heron", "Heron"]}, "options_differ"),
        (SELECT, {"retain": True}, "commands_are_not_retained"),
        (COUNT.replace(NODE, "big dish"), {}, "ids_are_plain"),
    ],
)
def test_the_rules_see_a_breach(topic: str, change: dict[str, Any], rule: str) -> None:
    whole = MESSAGES.get(topic, MESSAGES[COUNT])
    assert rule in broken_rules(topic, {**whole, **change})


def test_no_two_entities_share_an_id_or_a_name() -> None:
    for key in ("unique_id", "default_entity_id", "name"):
        assert all_different(MESSAGES.values(), key)


def test_the_hub_gets_exactly_these_entities() -> None:
    assert sorted(topic.split("/", 1)[1] for topic in MESSAGES) == sorted(
        f"{component}/{NODE}/{key}/config"
        for component, key in [
            ("select", "satellite"), ("button", "halt"), ("button", "park"), ("switch", "hold"),
            ("sensor", "count"), ("sensor", "doubt"), ("sensor", "slot"), ("sensor", "state"),
            ("binary_sensor", "faulted"), ("binary_sensor", "moving"),
        ]
    )  # fmt: skip


@ALL
def test_every_topic_is_one_of_the_table_and_goes_the_right_way(topic: str) -> None:
    ways = {"command_topic": Way.TO_DISH, "state_topic": Way.FROM_DISH,
            "availability_topic": Way.FROM_DISH}  # fmt: skip
    for key, way in ways.items():
        if key in MESSAGES[topic]:
            row = BY_NAME[MESSAGES[topic][key].removeprefix(f"{ROOT}/")]
            assert row.way is way
            assert row.retained is (way is Way.FROM_DISH)


def pressed(entity: dict[str, Any], payload: str) -> Asked:
    verb = TREE.verb_of(entity["command_topic"])
    assert verb is not None
    read = read_plain(verb, payload.encode()) if verb else read_json(payload.encode())
    assert isinstance(read, Asked), read
    return read


def test_what_the_hub_sends_is_understood() -> None:
    assert pressed(by_key("halt"), by_key("halt")["payload_press"]).command == Halt()
    assert pressed(by_key("park"), by_key("park")["payload_press"]).command == Park()
    assert pressed(by_key("hold"), by_key("hold")["payload_off"]).command == Release()
    held = pressed(by_key("hold"), by_key("hold")["payload_on"]).command
    assert held == Hold(reason="switched on at the hub")
    for name in by_key("satellite")["options"]:
        assert pressed(by_key("satellite"), name).command == GotoSatellite(name=name)


def test_what_the_dish_says_is_understood_by_the_hub() -> None:
    facts = facts_of(FULL)
    assert facts["satellite"] in by_key("satellite")["options"]
    assert facts["state"] in by_key("state")["options"]
    assert facts["held"] == by_key("hold")["state_on"]
    for key in ("faulted", "moving"):
        assert facts[key] in (by_key(key)["payload_on"], by_key(key)["payload_off"])
    for key in ("count", "doubt", "slot"):
        float(facts[key])
    assert {topic.split("/")[3] for topic in MESSAGES if "sensor" in topic} <= {
        fact.name for fact in FACTS
    }


def test_without_a_parking_place_there_is_no_park_button() -> None:
    assert not any("/park/" in topic for topic in messages(settings()))
    assert any("/park/" in t for t in messages(settings(motion={"park_count_pulses": 0})))


def test_without_satellites_there_is_nothing_to_select() -> None:
    assert not any("/select/" in topic for topic in messages(settings(satellites=[])))


def test_discovery_can_be_switched_off_and_its_prefix_set() -> None:
    assert discovery(settings(hub={"discovery": False}), TREE) == {}
    made = discovery(settings(hub={"prefix": "home/hub"}), TREE)
    assert made
    assert all(topic.startswith("home/hub/") for topic in made)


def test_two_dishes_share_no_id() -> None:
    other = discovery(settings(), Tree(base=BASE, dish="small-dish"))
    ids = {json.loads(payload)["unique_id"] for payload in other.values()}
    assert not ids & {said["unique_id"] for said in MESSAGES.values()}
    assert not other.keys() & MESSAGES.keys()


def voice(**sections: Any) -> HubVoice:
    new = HubVoice(settings(**sections), TREE)
    new.connected(now_s=0.0)
    return new


def index_of(*topics: str) -> bytes:
    return json.dumps(topics).encode()


GONE = f"homeassistant/sensor/{NODE}/colour/config"


def test_announcements_come_first_and_the_index_after_a_while() -> None:
    hub = voice()
    assert dict(hub.due(now_s=0.0)) == discovery(settings(), TREE)
    assert hub.due(now_s=INDEX_WAIT_S - 0.25) == []
    ((topic, payload),) = hub.due(now_s=INDEX_WAIT_S)
    assert topic == INDEX
    assert json.loads(payload) == sorted(discovery(settings(), TREE))
    assert hub.due(now_s=100.0) == []


def test_what_is_no_longer_wanted_is_wiped_before_the_index_forgets_it() -> None:
    hub = voice()
    hub.due(now_s=0.0)
    assert hub.heard(INDEX, index_of(GONE, COUNT), retained=True) is False
    wiped, index = hub.due(now_s=0.0)
    assert wiped == (GONE, b"")
    assert index[0] == INDEX
    assert GONE.encode() not in index[1]


def test_our_own_index_coming_back_is_passed_over() -> None:
    hub = voice()
    hub.due(now_s=0.0)
    hub.heard(INDEX, index_of(GONE), retained=False)
    assert hub.due(now_s=0.0) == []


@pytest.mark.parametrize(
    "foreign",
    [
        "homeassistant/sensor/other_dish/count/config",
        f"homeassistant/sensor/{NODE}/count",
        f"{ROOT}/status",
        f"homeassistant/sensor/{NODE}/+/config",
        f"#/sensor/{NODE}/count/config",
        7,
    ],
)
def test_a_forged_index_wipes_nothing_that_is_not_ours(foreign: object) -> None:
    hub = voice()
    hub.due(now_s=0.0)
    hub.heard(INDEX, json.dumps([foreign]).encode(), retained=True)
    assert [topic for topic, _ in hub.due(now_s=0.0)] == [INDEX]


@pytest.mark.parametrize("payload", [b"", b"{", b"7", b'{"a":1}', b"[" * 60000, b"\xff"])
def test_a_broken_index_is_replaced(payload: bytes) -> None:
    hub = voice()
    hub.due(now_s=0.0)
    hub.heard(INDEX, payload, retained=True)
    assert [topic for topic, _ in hub.due(now_s=0.0)] == [INDEX]


def test_switched_off_it_wipes_everything_and_the_index_too() -> None:
    hub = voice(hub={"discovery": False})
    hub.heard(INDEX, index_of(COUNT, SELECT), retained=True)
    assert hub.due(now_s=0.0) == [(COUNT, b""), (SELECT, b""), (INDEX, b"")]


@pytest.mark.parametrize(("payload", "again"), [(b"online", True), (b"offline", False)])
def test_only_a_hub_that_comes_up_is_told_everything_again(payload: bytes, again: bool) -> None:
    assert voice().heard("homeassistant/status", payload, retained=False) is again


def test_a_hub_that_comes_later_finds_the_announcements(
    broker: RealBroker, loop: Begin, onlooker: Look
) -> None:
    loop(broker.port, **PARKED)
    hub = onlooker(broker.port, "homeassistant/#")
    until(lambda: hub.retained().keys() | {t for t, _, _ in hub.seen} >= MESSAGES.keys(), "all")
    late = onlooker(broker.port, "homeassistant/#")
    until(lambda: late.retained().keys() == MESSAGES.keys(), "all are retained")
    said = {topic: json.loads(payload) for topic, payload in late.retained().items()}
    assert said == MESSAGES


def test_a_hub_that_comes_up_is_told_everything_again(
    broker: RealBroker, loop: Begin, onlooker: Look
) -> None:
    dish = loop(broker.port)
    dish.door.tell(FULL)
    hub = onlooker(broker.port)
    until(lambda: hub.last(INDEX), "everything is announced")
    hub.seen.clear()
    hub.say("homeassistant/status", "online")
    wanted = {COUNT, SELECT, f"{ROOT}/alive", f"{ROOT}/status"}
    wanted |= {f"{ROOT}/fact/{fact.name}" for fact in FACTS}
    until(lambda: wanted <= {topic for topic, _, _ in hub.seen}, "everything once more")


def test_a_removed_entity_leaves_nothing_behind(
    broker: RealBroker, loop: Begin, onlooker: Look, stack: ExitStack
) -> None:
    hub = onlooker(broker.port, "homeassistant/#", INDEX)
    first = Loop(settings(broker.port, **PARKED)).start()
    stack.callback(first.door.close)
    until(lambda: hub.last(INDEX), "the index")
    first.door.close()
    loop(broker.port, satellites=[])
    park = f"homeassistant/button/{NODE}/park/config"
    until(lambda: hub.last(park) == hub.last(SELECT) == b"", "both are wiped")
    until(lambda: hub.last(INDEX) and SELECT.encode() not in (hub.last(INDEX) or b""), "index")
    late = onlooker(broker.port, "homeassistant/#")
    late.say("end", b"")
    until(lambda: len(late.retained()) == len(MESSAGES) - 2, "the others are still there")
    assert not {park, SELECT} & late.retained().keys()
