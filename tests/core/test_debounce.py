"""Bounce figures: 0.5 to 1 ms "normally" (reed-sensor.com/glossary/bounce-time/); contact noise
"may last almost 2 ms" (Standex-Meder tutorial, digikey.hk).  Shortest pulse: 2.5 to 3 ms
(actuator maker's manual, easymanua.ls/linak/la12/manual?p=22)."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.debounce import LATE_S, Debounce, SettledEdge

QUARTER_S = 1 / 256  # exact in binary


def settled(edges: list[tuple[float, bool]], stable_s: float = QUARTER_S) -> list[SettledEdge]:
    debounce = Debounce(stable_s=stable_s, closed=False)
    out = [debounce.feed(at_s=at_s, closed=closed) for at_s, closed in edges]
    out.append(debounce.flush(at_s=edges[-1][0] + 1.0))
    return [edge for edge in out if edge]


@pytest.mark.parametrize(
    ("held_s", "seen"),
    [(QUARTER_S, [(1.0, True)]), (QUARTER_S * 0.999, [])],
)
def test_a_level_counts_when_it_has_stood_for_exactly_the_stable_time(
    held_s: float, seen: list[tuple[float, bool]]
) -> None:
    debounce = Debounce(stable_s=QUARTER_S, closed=False)
    debounce.feed(at_s=1.0, closed=True)
    found = debounce.flush(at_s=1.0 + held_s)
    assert [(edge.at_s, edge.closed) for edge in [found] if edge] == seen


def test_a_settled_change_carries_the_time_of_its_first_edge() -> None:
    bounces = [(1.0, True), (1.0005, False), (1.001, True), (1.0015, False), (1.002, True)]
    assert settled(bounces, 0.003) == [SettledEdge(at_s=1.0, closed=True)]


def test_a_spike_shorter_than_the_stable_time_never_was() -> None:
    assert settled([(1.0, True), (1.001, False)], 0.003) == []


def test_the_next_edge_settles_the_one_before_without_a_tick() -> None:
    debounce = Debounce(stable_s=0.003, closed=False)
    assert debounce.feed(at_s=1.0, closed=True) is None
    assert debounce.feed(at_s=1.01, closed=False) == SettledEdge(at_s=1.0, closed=True)
    assert debounce.closed is True


def test_the_first_level_ever_is_learned_and_is_no_change() -> None:
    debounce = Debounce(stable_s=0.003)
    assert debounce.feed(at_s=1.0, closed=True) is None
    assert debounce.due_s == 1.003
    assert debounce.flush(at_s=1.01) is None
    assert debounce.closed is True
    assert debounce.due_s is None


@given(
    st.lists(
        st.tuples(
            st.floats(0.010, 0.5),  # how long each level lasts, from the reed makers' fastest
            st.lists(st.floats(1e-5, 0.0019), max_size=3),  # bounces, all within 2 ms
        ),
        min_size=1,
        max_size=60,
    )
)
def test_every_real_change_is_seen_once_however_it_bounces(
    pulses: list[tuple[float, list[float]]],
) -> None:
    edges: list[tuple[float, bool]] = []
    at_s, closed, real = 1.0, True, []
    for lasts_s, bounces_s in pulses:
        real.append((at_s, closed))
        edges.append((at_s, closed))
        for offset_s in sorted(bounces_s):
            edges += [(at_s + offset_s, not closed), (at_s + offset_s, closed)]
        at_s += lasts_s
        closed = not closed
    assert all(a[0] <= b[0] for a, b in pairwise(edges))
    assert [(edge.at_s, edge.closed) for edge in settled(edges, 0.003)] == real


def test_a_bounce_that_is_read_late_is_not_a_second_pulse() -> None:
    debounce = Debounce(stable_s=0.003, closed=False)
    seen = [debounce.feed(at_s=1.0, closed=True), debounce.flush(at_s=1.02)]
    for at_s, closed in [(1.0005, False), (1.001, True), (1.0015, False), (1.002, True)]:
        seen += [debounce.feed(at_s=at_s, closed=closed), debounce.flush(at_s=1.05)]
    seen.append(debounce.flush(at_s=9.0))
    assert [edge for edge in seen if edge] == [SettledEdge(at_s=1.0, closed=True)]


def test_a_level_that_stays_after_a_late_bounce_is_seen_in_the_end() -> None:
    debounce = Debounce(stable_s=0.003, closed=False)
    debounce.feed(at_s=1.0, closed=True)
    debounce.flush(at_s=1.02)
    assert debounce.feed(at_s=1.0005, closed=False) is None
    assert debounce.flush(at_s=1.05) is None
    assert debounce.due_s == 1.0005 + LATE_S
    assert debounce.flush(at_s=3.1) == SettledEdge(at_s=1.0005, closed=False)


def test_a_later_edge_confirms_a_level_by_its_time_alone() -> None:
    debounce = Debounce(stable_s=0.003, closed=False)
    debounce.feed(at_s=1.0, closed=True)
    debounce.flush(at_s=1.02)
    debounce.feed(at_s=1.0005, closed=False)
    assert debounce.feed(at_s=1.03, closed=True) == SettledEdge(at_s=1.0005, closed=False)


@given(
    st.lists(
        st.tuples(st.floats(0.010, 0.1), st.lists(st.floats(1e-5, 0.0019), max_size=3)),
        min_size=1,
        max_size=40,
    ),
    st.floats(0.0, 0.2),
)
def test_lateness_changes_nothing_that_is_seen(
    pulses: list[tuple[float, list[float]]], late_s: float
) -> None:
    """Every edge is read `late_s` late, with a tick of the present time after each."""
    debounce, at_s, closed = Debounce(stable_s=0.003, closed=False), 1.0, True
    real, seen = [], []
    for lasts_s, bounces_s in pulses:
        real.append((at_s, closed))
        burst = [(at_s, closed)]
        for offset_s in sorted(set(bounces_s)):
            burst += [(at_s + offset_s, not closed), (at_s + offset_s, closed)]
        for edge_s, level in burst:
            seen.append(debounce.feed(at_s=edge_s, closed=level))
            seen.append(debounce.flush(at_s=edge_s + late_s))
        at_s += lasts_s
        closed = not closed
    seen.append(debounce.flush(at_s=at_s + 9.0))
    assert [(edge.at_s, edge.closed) for edge in seen if edge] == real
