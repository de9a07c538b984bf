"""What waits to be published."""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from controller.edge.outbox import ON_THE_WAY_MAX, REPORTS_MAX, Letter, Outbox


def kept(topic: str, payload: bytes) -> Letter:
    return Letter(topic=topic, payload=payload, retained=True)


def report(payload: bytes) -> Letter:
    return Letter(topic="answer", payload=payload, retained=False)


def test_a_kept_value_is_due_once() -> None:
    outbox = Outbox()
    outbox.keep("a", b"1")
    assert outbox.due() == [kept("a", b"1")]
    assert outbox.due() == []


def test_a_newer_value_waits_for_the_receipt_of_the_older_and_replaces_what_waits() -> None:
    outbox = Outbox()
    outbox.keep("a", b"1")
    outbox.sent(outbox.due()[0], 7)
    outbox.keep("a", b"2")
    outbox.keep("a", b"3")
    assert outbox.due() == []
    outbox.acknowledged(7)
    assert outbox.due() == [kept("a", b"3")]


def test_a_value_that_returned_to_what_was_sent_is_not_due() -> None:
    outbox = Outbox()
    outbox.keep("a", b"1")
    outbox.sent(outbox.due()[0], 7)
    outbox.keep("a", b"2")
    outbox.keep("a", b"1")
    outbox.acknowledged(7)
    assert outbox.due() == []
    assert outbox.is_empty


def test_everything_kept_is_due_again_when_announced_again() -> None:
    outbox = Outbox()
    for topic in ("a", "b"):
        outbox.keep(topic, b"1")
    for mid, letter in enumerate(outbox.due()):
        outbox.sent(letter, mid)
        outbox.acknowledged(mid)
    outbox.announce_again()
    assert outbox.due() == [kept("a", b"1"), kept("b", b"1")]


def test_what_was_on_its_way_is_announced_after_its_receipt() -> None:
    outbox = Outbox()
    outbox.keep("a", b"1")
    outbox.sent(outbox.due()[0], 7)
    outbox.announce_again()
    assert outbox.due() == []
    outbox.acknowledged(7)
    assert outbox.due() == [kept("a", b"1")]


def test_a_wiped_topic_is_forgotten_once_the_broker_has_wiped_it() -> None:
    outbox = Outbox()
    outbox.keep("a", b"")
    outbox.sent(outbox.due()[0], 7)
    outbox.acknowledged(7)
    outbox.announce_again()
    assert outbox.due() == []


def test_a_topic_that_is_wanted_again_while_it_is_wiped_stays() -> None:
    outbox = Outbox()
    outbox.keep("a", b"")
    outbox.sent(outbox.due()[0], 7)
    outbox.keep("a", b"1")
    outbox.acknowledged(7)
    assert outbox.due() == [kept("a", b"1")]


def test_reports_keep_their_order_and_the_oldest_are_lost() -> None:
    outbox = Outbox()
    for n in range(REPORTS_MAX + 3):
        outbox.report("answer", b"%d" % n)
    sent: list[Letter] = []
    while letters := outbox.due():
        for letter in letters:
            outbox.sent(letter, len(sent))
            outbox.acknowledged(len(sent))
            sent.append(letter)
    assert sent == [report(b"%d" % n) for n in range(3, REPORTS_MAX + 3)]


def test_no_more_is_on_the_way_than_allowed() -> None:
    outbox = Outbox()
    for n in range(ON_THE_WAY_MAX + 1):
        outbox.report("answer", b"%d" % n)
    letters = outbox.due()
    assert len(letters) == ON_THE_WAY_MAX
    for mid, letter in enumerate(letters):
        outbox.sent(letter, mid)
    outbox.keep("a", b"1")
    assert outbox.due() == []
    outbox.acknowledged(0)
    assert outbox.due() == [report(b"%d" % ON_THE_WAY_MAX)]


def test_what_could_not_be_handed_over_is_due_again() -> None:
    outbox = Outbox()
    outbox.report("answer", b"1")
    outbox.report("answer", b"2")
    outbox.keep("a", b"1")
    first, second, value = outbox.due()
    outbox.not_sent(value)
    outbox.not_sent(second)
    outbox.not_sent(first)
    assert outbox.due() == [report(b"1"), report(b"2"), kept("a", b"1")]


def test_an_unknown_receipt_is_passed_over() -> None:
    outbox = Outbox()
    outbox.acknowledged(99)
    assert outbox.is_empty


def test_it_is_empty_only_when_everything_was_acknowledged() -> None:
    outbox = Outbox()
    outbox.keep("a", b"1")
    assert not outbox.is_empty
    outbox.sent(outbox.due()[0], 7)
    assert not outbox.is_empty
    outbox.acknowledged(7)
    assert outbox.is_empty


class AnyOrder(RuleBasedStateMachine):
    """A broker that acknowledges whenever it likes, and forgets everything now and then."""

    def __init__(self) -> None:
        super().__init__()
        self.outbox = Outbox()
        self.wanted: dict[str, bytes] = {}
        self.travelling: list[tuple[int, Letter]] = []
        self.at_broker: dict[str, bytes] = {}
        self.mid = 0

    @rule(topic=st.sampled_from("abc"), payload=st.sampled_from([b"", b"1", b"2"]))
    def keep(self, topic: str, payload: bytes) -> None:
        self.wanted[topic] = payload
        self.outbox.keep(topic, payload)

    @rule()
    def send(self) -> None:
        for letter in self.outbox.due():
            self.mid += 1
            self.outbox.sent(letter, self.mid)
            self.travelling.append((self.mid, letter))

    @rule(place=st.integers(min_value=0, max_value=5))
    def acknowledge(self, place: int) -> None:
        if self.travelling:
            mid, letter = self.travelling.pop(place % len(self.travelling))
            self.at_broker[letter.topic] = letter.payload
            self.outbox.acknowledged(mid)

    @rule()
    def broker_forgets(self) -> None:
        self.at_broker.clear()
        self.outbox.announce_again()

    @invariant()
    def one_letter_of_a_topic_travels(self) -> None:
        topics = [letter.topic for _, letter in self.travelling]
        assert len(topics) == len(set(topics))

    def teardown(self) -> None:
        for _ in range(4):
            self.send()
            while self.travelling:
                self.acknowledge(0)
        known = {topic: payload for topic, payload in self.wanted.items() if payload}
        assert {topic: said for topic, said in self.at_broker.items() if said} == known
        assert self.outbox.is_empty


TestAnyOrder = AnyOrder.TestCase
TestAnyOrder.settings = settings(deadline=None, max_examples=60)
