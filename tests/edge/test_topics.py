"""The table of topics."""

import re
from dataclasses import replace

import pytest

from controller.core.motion import Direction, MotionState
from controller.core.status import Status
from controller.edge.payloads import FORMS, PLAIN, Asked, read_plain
from controller.edge.topics import (
    BY_NAME,
    FACT_TEXT_MAX,
    FACTS,
    TOPICS,
    VERBS,
    Tree,
    Way,
    as_markdown,
    verbs_as_markdown,
)

TREE = Tree(base="home/garden", dish="big-dish")

BLANK = Status(
    dish="big-dish",
    state=MotionState.RESTING,
    direction=None,
    count_pulses=None,
    doubt_pulses=None,
    target_pulses=None,
    satellite=None,
    target_satellite=None,
    slot_deg=None,
    hour_angle_deg=None,
    sigma_deg=None,
    loss_db=None,
    west_limit_pulses=None,
    east_soft_pulses=None,
    west_soft_pulses=None,
    references_n=0,
    held=False,
    hold_reason="",
    stop_pressed=False,
    fault="",
    advice="",
    waiting="",
    progress=None,
    rate_pulses_per_s=None,
    current_a=None,
    signal=None,
)

FULL = replace(
    BLANK,
    state=MotionState.WESTING,
    direction=Direction.WEST,
    count_pulses=512,
    doubt_pulses=2,
    target_pulses=640,
    satellite="Heron",
    target_satellite="Petrel",
    slot_deg=124.0,
    hour_angle_deg=-31.25,
    sigma_deg=0.05,
    loss_db=0.125,
    west_limit_pulses=1400,
    references_n=3,
    held=True,
    hold_reason="greasing",
    stop_pressed=True,
    fault="motor on for 2 s without a pulse",
    advice="look at the sensor",
    waiting="motor rests",
    progress=0.25,
    rate_pulses_per_s=12.34,
    current_a=3.456,
    signal=61.5,
)


def facts_of(status: Status) -> dict[str, str]:
    return {fact.name: fact.value(status) for fact in FACTS}


def test_no_topic_is_twice_in_the_table() -> None:
    assert len(BY_NAME) == len(TOPICS)


@pytest.mark.parametrize("topic", TOPICS, ids=lambda topic: topic.name)
def test_every_topic_can_be_published_and_is_described(topic) -> None:  # type: ignore[no-untyped-def]
    assert re.fullmatch(r"[a-z_-]+(/[a-z_]+)?", topic.name)
    assert topic.payload
    assert topic.qos == 1


def test_nothing_that_is_asked_or_answered_is_retained() -> None:
    kept = {topic.name.split("/")[0] for topic in TOPICS if topic.retained}
    assert kept == {"status", "fact", "satellites", "alive", "hub-index"}
    assert not any(topic.retained for topic in TOPICS if topic.way is Way.TO_DISH)


def test_every_verb_is_in_the_table_and_can_be_read() -> None:
    words = [verb.word for verb in VERBS]
    assert words == list(FORMS) == list(PLAIN)
    assert {f"ask/{word}" for word in words} <= BY_NAME.keys()


@pytest.mark.parametrize("verb", VERBS, ids=lambda verb: verb.word)
def test_the_example_of_every_verb_is_a_command(verb) -> None:  # type: ignore[no-untyped-def]
    assert isinstance(read_plain(verb.word, verb.example.encode()), Asked)


def test_topics_begin_with_base_and_dish() -> None:
    assert TREE.topic("fact/count") == "home/garden/big-dish/fact/count"


def test_a_name_that_is_not_in_the_table_is_no_topic() -> None:
    with pytest.raises(KeyError):
        TREE.topic("fact/colour")


@pytest.mark.parametrize(
    ("topic", "verb"),
    [
        ("home/garden/big-dish/ask", ""),
        ("home/garden/big-dish/ask/goto", "goto"),
        ("home/garden/big-dish/ask/goto/now", "goto/now"),
        ("home/garden/big-dish/asking", None),
        ("home/garden/big-dish2/ask", None),
        ("home/garden/big-dish/status", None),
    ],
)
def test_the_verb_is_the_end_of_the_topic(topic: str, verb: str | None) -> None:
    assert TREE.verb_of(topic) == verb


def test_facts_of_a_full_status() -> None:
    assert facts_of(FULL) == {
        "state": "westing",
        "moving": "ON",
        "count": "512",
        "doubt": "2",
        "target": "640",
        "satellite": "Heron",
        "target_satellite": "Petrel",
        "slot": "124.000",
        "hour_angle": "-31.250",
        "sigma": "0.050",
        "loss": "0.12",
        "west_limit": "1400",
        "references": "3",
        "progress": "25",
        "held": "ON",
        "hold_reason": "greasing",
        "stop": "ON",
        "faulted": "ON",
        "fault": "motor on for 2 s without a pulse",
        "advice": "look at the sensor",
        "waiting": "motor rests",
        "rate": "12.3",
        "current": "3.46",
        "signal": "61.50",
    }


def test_what_is_unknown_is_said_and_never_empty() -> None:
    facts = facts_of(BLANK)
    said = {name: facts.pop(name) for name in ("state", "moving", "held", "stop", "faulted")}
    assert said == {
        "state": "resting", "moving": "OFF", "held": "OFF", "stop": "OFF", "faulted": "OFF",
    }  # fmt: skip
    assert facts.pop("references") == "0"
    assert set(facts.values()) == {"None"}


@pytest.mark.parametrize(
    ("state", "moving", "faulted"),
    [
        (MotionState.RESTING, "OFF", "OFF"),
        (MotionState.EASTING, "ON", "OFF"),
        (MotionState.WESTING, "ON", "OFF"),
        (MotionState.COASTING, "ON", "OFF"),
        (MotionState.SETTLING, "ON", "OFF"),
        (MotionState.FAULTED, "OFF", "ON"),
    ],
)
def test_moving_and_faulted_follow_the_state(state: MotionState, moving: str, faulted: str) -> None:
    facts = facts_of(replace(BLANK, state=state))
    assert (facts["moving"], facts["faulted"]) == (moving, faulted)


def test_numbers_that_are_none_are_unknown() -> None:
    facts = facts_of(replace(BLANK, slot_deg=float("nan"), signal=float("inf")))
    assert (facts["slot"], facts["signal"]) == ("None", "None")


def test_long_texts_are_cut_to_what_a_hub_keeps() -> None:
    facts = facts_of(replace(BLANK, fault="x" * 400))
    assert facts["fault"] == "x" * FACT_TEXT_MAX


def test_the_documents_list_every_topic_and_every_verb() -> None:
    listed = as_markdown()
    assert all(f"| `{topic.name}` |" in listed for topic in TOPICS)
    verbs = verbs_as_markdown()
    assert all(f"| `{verb.word}` |" in verbs and verb.example in verbs for verb in VERBS)
