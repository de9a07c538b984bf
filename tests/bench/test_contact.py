from math import inf
from random import Random

import pytest

from controller.bench.contact import Contact, Edge, Source

LONGEST_S = 0.002  # Standex-Meder tutorial: contact noise "may last almost 2 ms, then gone"


def contact(seed: int = 1, *, closed: bool = False) -> Contact:
    return Contact(Source.REED, closed=closed, chance=Random(seed))


def drain(c: Contact) -> list[Edge]:
    edges = []
    while c.due_s < inf:
        edge = c.take()
        if edge is not None:
            edges.append(edge)
    return edges


@pytest.mark.parametrize("closed", [True, False])
@pytest.mark.parametrize("seed", range(20))
def test_bounces_alternate_and_end_settled_within_their_time(seed: int, closed: bool) -> None:
    c = contact(seed, closed=not closed)
    c.snap(5.0, closed=closed, bounce_s=LONGEST_S)
    edges = drain(c)
    assert [e.closed for e in edges] == [closed == (i % 2 == 0) for i in range(len(edges))]
    assert edges[0].at_s == 5.0
    assert edges[-1].closed is closed
    assert all(5.0 <= e.at_s <= 5.0 + LONGEST_S for e in edges)


def test_bounces_are_sometimes_several_and_sometimes_none() -> None:
    trains = set()
    for seed in range(60):
        c = contact(seed)
        c.snap(0.0, closed=True, bounce_s=0.001)
        trains.add(len(drain(c)))
    assert trains == {1, 3, 5, 7, 9}


def test_without_bounce_there_is_one_edge() -> None:
    c = contact()
    c.snap(1.0, closed=True, bounce_s=0.0)
    assert drain(c) == [Edge(at_s=1.0, source=Source.REED, closed=True)]


def test_next_change_cuts_the_bouncing_short() -> None:
    c = contact(3)
    c.snap(0.0, closed=True, bounce_s=0.5)
    c.take()
    c.snap(0.0, closed=False, bounce_s=0.0)
    assert [e.closed for e in drain(c)] == [False]


def test_flick_shows_the_wrong_level_for_a_while() -> None:
    c = contact()
    c.flick(1.0, width_s=0.25)
    assert [(e.at_s, e.closed) for e in drain(c)] == [(1.0, True), (1.25, False)]
