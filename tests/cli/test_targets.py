import click
import pytest

from controller.cli.targets import goto_keys, nudge_keys


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("Heron", {"satellite": "Heron"}),
        ("  Black Swan 2 ", {"satellite": "Black Swan 2"}),
        ("147.6E", {"slot": "147.6E"}),
        ("30.5 W", {"slot": "30.5 W"}),
        ("-30.5", {"slot": "-30.5"}),
        ("\N{MINUS SIGN}30,5", {"slot": "\N{MINUS SIGN}30,5"}),
        ("178°e", {"slot": "178°e"}),
        ("count:0", {"count_pulses": 0}),
        ("COUNT: 512", {"count_pulses": 512}),
        ("12E7", {"satellite": "12E7"}),  # a letter in the middle is part of a name
    ],
)
def test_goto_tells_names_slots_and_counts_apart(text: str, keys: dict[str, object]) -> None:
    assert goto_keys(text) == {"do": "goto", **keys}


@pytest.mark.parametrize("text", ["count:", "count:-1", "count:1.5", "count:12345678", "count:ten"])
def test_goto_refuses_what_is_no_count(text: str) -> None:
    with pytest.raises(click.BadParameter, match="count:512"):
        goto_keys(text)


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("+3", {"step_pulses": 3}),
        ("-3", {"step_pulses": -3}),
        ("3 pulses", {"step_pulses": 3}),
        ("\N{MINUS SIGN}1", {"step_pulses": -1}),
        ("-1.5deg", {"step_deg": -1.5}),
        ("2 °", {"step_deg": 2.0}),
        ("0,5 deg", {"step_deg": 0.5}),
    ],
)
def test_nudge_reads_pulses_and_degrees(text: str, keys: dict[str, object]) -> None:
    assert nudge_keys(text) == {"do": "nudge", **keys}


@pytest.mark.parametrize("text", ["", "a bit", "1.5", "nan", "inf", "--3", "3 mm", "9" * 11])
def test_nudge_refuses_anything_else(text: str) -> None:
    with pytest.raises(click.BadParameter):
        nudge_keys(text)
