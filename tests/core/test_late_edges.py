import pytest

from controller.core.debounce import Debounce


def bounced(late_s: float) -> Debounce:
    contact = Debounce(stable_s=0.25, closed=False, late_s=late_s)
    contact.feed(at_s=1.0, closed=True)
    return contact


@pytest.mark.parametrize(("now_s", "settled"), [(1.25, False), (1.5, False), (1.75, True)])
def test_a_level_waits_for_an_edge_that_may_be_under_way(now_s: float, settled: bool) -> None:
    contact = bounced(late_s=0.5)
    assert contact.due_s == 1.75
    assert (contact.flush_late(now_s=now_s) is not None) is settled


def test_an_edge_that_comes_late_still_undoes_a_bounce() -> None:
    contact = bounced(late_s=0.5)
    assert contact.flush_late(now_s=1.5) is None
    assert contact.feed(at_s=1.125, closed=False) is None
    assert contact.flush_late(now_s=9.0) is None
    assert contact.closed is False


def test_the_next_edge_proves_a_level_without_waiting() -> None:
    contact = bounced(late_s=0.5)
    settled = contact.feed(at_s=1.25, closed=False)
    assert settled is not None
    assert (settled.at_s, settled.closed) == (1.0, True)
