"""How many commands may wait for their first answer."""

from controller.edge.waiting import FORGET_AFTER_S, WAITING_MAX, Waiting


def full_waiting() -> Waiting:
    waiting = Waiting()
    assert all(waiting.admit(f"n{n}", at_s=100.0) for n in range(WAITING_MAX))
    return waiting


def test_one_more_than_the_most_is_not_admitted() -> None:
    assert not full_waiting().admit("one more", at_s=101.0)


def test_an_answer_makes_room_for_one() -> None:
    waiting = full_waiting()
    waiting.answered("n3")
    assert waiting.admit("next", at_s=101.0)
    assert not waiting.admit("one more", at_s=101.0)


def test_an_answer_to_somebody_else_makes_no_room() -> None:
    waiting = full_waiting()
    waiting.answered("panel-1")
    assert not waiting.admit("one more", at_s=101.0)


def test_a_repeated_id_takes_a_place_each_time() -> None:
    waiting = Waiting()
    assert all(waiting.admit("same", at_s=0.0) for _ in range(WAITING_MAX))
    assert not waiting.admit("same", at_s=0.0)
    waiting.answered("same")
    assert waiting.admit("same", at_s=0.0)
    assert not waiting.admit("same", at_s=0.0)


def test_what_nobody_answers_is_forgotten_in_time() -> None:
    waiting = full_waiting()
    assert not waiting.admit("too early", at_s=100.0 + FORGET_AFTER_S - 0.25)
    assert waiting.admit("in time", at_s=100.0 + FORGET_AFTER_S)
