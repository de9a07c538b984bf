import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.counting import Counter, Doubtful, Pulse, recall_count
from controller.core.debounce import SettledEdge
from controller.core.memory import CountRecord
from controller.core.motion import Direction

EAST, WEST = Direction.EAST, Direction.WEST


def counter(count_pulses: int = 100, doubt_pulses: int | None = 0) -> Counter:
    return Counter(count_pulses=count_pulses, doubt_pulses=doubt_pulses, rate_max_pulses_per_s=64.0)


@given(st.lists(st.integers(-7, 7), max_size=40), st.integers(0, 1))
def test_count_follows_the_screw_through_any_reversals(steps: list[int], start: int) -> None:
    """Half places: an even one is between magnets, an odd one before a magnet."""
    half = 200 + start
    true_count = (half + 1) // 2
    kept = counter(true_count)
    at_s = 0.0
    for step in steps:
        direction = WEST if step > 0 else EAST
        kept.begin_run()
        for _ in range(abs(step)):
            half += direction.sign
            at_s += 0.25
            kept.turn(SettledEdge(at_s=at_s, closed=half % 2 == 1), direction)
        assert kept.count_pulses == (half + 1) // 2
    assert kept.doubt_pulses == 0


@pytest.mark.parametrize(
    ("direction", "closed", "change"),
    [(WEST, True, 1), (WEST, False, 0), (EAST, False, -1), (EAST, True, 0)],
)
def test_west_counts_closings_and_east_counts_openings(
    direction: Direction, closed: bool, change: int
) -> None:
    kept = counter()
    kept.turn(SettledEdge(at_s=1.0, closed=closed), direction)
    assert kept.count_pulses == 100 + change


def test_the_place_of_a_pulse_is_the_same_from_both_sides() -> None:
    west = Pulse(at_s=0.0, count_pulses=7, direction=WEST)
    east = Pulse(at_s=0.0, count_pulses=6, direction=EAST)
    assert west.place_pulses == east.place_pulses == 7.0


@pytest.mark.parametrize(("interval_s", "counted"), [(1 / 64, True), (1 / 65, False)])
def test_a_pulse_faster_than_the_actuator_is_not_counted_and_raises_the_doubt(
    interval_s: float, counted: bool
) -> None:
    kept = counter()
    kept.turn(SettledEdge(at_s=1.0, closed=True), WEST)
    found = kept.turn(SettledEdge(at_s=1.0 + interval_s, closed=True), WEST)
    assert isinstance(found, Pulse) is counted
    assert kept.count_pulses == 101 + counted
    assert kept.doubt_pulses == (0 if counted else 1)


def test_a_pulse_out_of_rhythm_is_not_counted() -> None:
    kept = counter()
    for at_s in (1.0, 1.125, 1.25):
        kept.turn(SettledEdge(at_s=at_s, closed=True), WEST)
    assert isinstance(kept.turn(SettledEdge(at_s=1.28125, closed=True), WEST), Doubtful)
    assert (kept.count_pulses, kept.doubt_pulses) == (103, 1)


@pytest.mark.parametrize(
    ("times_s", "count", "doubt"),
    [
        ((1.0, 1.125, 1.375, 1.5), 105, 1),  # one missing
        ((1.0, 1.125, 1.5, 1.625), 106, 2),  # two missing
        ((1.0, 1.125, 1.3125, 1.4375), 104, 0),  # half again as long: slower, not missing
        ((1.0, 1.125, 1.375, 1.625), 104, 0),  # slower for good
        ((1.0, 1.125, 2.125, 2.25), 104, 0),  # a halt of the rod
    ],
)
def test_a_gap_in_an_even_rhythm_is_filled(
    times_s: tuple[float, ...], count: int, doubt: int
) -> None:
    kept = counter()
    for at_s in times_s:
        kept.turn(SettledEdge(at_s=at_s, closed=True), WEST)
        kept.fill_gap(WEST)
    assert (kept.count_pulses, kept.doubt_pulses) == (count, doubt)


@pytest.mark.parametrize(("lost_n", "doubt"), [(1, 1), (2, 1), (3, 2), (10, 5)])
def test_lost_edges_raise_the_doubt_by_half_their_number(lost_n: int, doubt: int) -> None:
    kept = counter()
    kept.lose(lost_n)
    assert kept.doubt_pulses == doubt


def test_a_stray_closing_raises_the_doubt_and_an_opening_does_not() -> None:
    kept = counter()
    assert kept.stray(SettledEdge(at_s=1.0, closed=False)) is None
    assert kept.stray(SettledEdge(at_s=1.0, closed=True)) is not None
    assert (kept.count_pulses, kept.doubt_pulses) == (100, 1)


def test_an_unknown_count_stays_unknown_until_it_is_settled() -> None:
    kept = counter(doubt_pulses=None)
    kept.raise_doubt(3)
    assert kept.doubt_pulses is None
    assert kept.settle(count_pulses=0, doubt_pulses=0) == -100
    assert kept.count_pulses == 0
    assert kept.is_known


def record(**changes: object) -> CountRecord:
    fields: dict[str, object] = {
        "count_pulses": 500,
        "doubt_pulses": 1,
        "moving": True,
        "direction": WEST,
        "bound_pulses": 900,
        "reed_closed": False,
        "same_boot": False,
        "since_save_s": None,
        "relays_open_after_s": None,
    }
    return CountRecord(**{**fields, **changes})  # type: ignore[arg-type]


def recalled(kept: CountRecord, west_limit_pulses: int | None = 1000) -> tuple[int, int | None]:
    return recall_count(
        kept,
        rate_pulses_per_s=20.0,
        coast_pulses=6,
        save_period_s=1.0,
        west_limit_pulses=west_limit_pulses,
    )


def test_a_count_saved_at_rest_comes_back_as_it_was() -> None:
    assert recalled(record(moving=False, doubt_pulses=3)) == (500, 3)
    assert recalled(record(doubt_pulses=None))[1] is None


@pytest.mark.parametrize(
    ("changes", "low", "high"),
    [
        ({}, 499, 501 + 30 + 6),  # a power cut: one and a half save periods at 20 a second
        ({"direction": EAST}, 499 - 30 - 6, 501),
        ({"same_boot": True, "since_save_s": 3.0}, 499, 501 + 60 + 6),
        ({"same_boot": True, "since_save_s": 99.0, "relays_open_after_s": 0.5}, 499, 517),
        ({"same_boot": True, "since_save_s": 99.0}, 499, 1001),  # at most to the west end
        ({"direction": EAST, "same_boot": True, "since_save_s": 99.0}, -1, 501),
    ],
)
def test_a_run_whose_end_was_not_seen_is_covered_by_the_doubt(
    changes: dict[str, object], low: int, high: int
) -> None:
    count, doubt = recalled(record(**changes))
    assert doubt is not None
    assert count - doubt <= low
    assert count + doubt >= high
    assert 2 * doubt <= high - low + 1
