"""What waits to be sent: the newest of each topic, in due time."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.mqtt.messages import Message
from tocsin.mqtt.outbox import Outbox


def value(topic: str, payload: str = "x", **more: float) -> Message:
    return Message(topic=topic, payload=payload.encode(), **more)  # type: ignore[arg-type]


def shown(*messages: Message) -> dict[str, Message]:
    return {each.topic: each for each in messages}


def all_sent(outbox: Outbox, now_s: float = 0.0) -> list[bytes]:
    """Send everything, each message acknowledged before the next."""
    sent = []
    while (message := next(outbox.taken(now_s), None)) is not None:
        sent.append(message.payload)
        outbox.acknowledged(message.topic)
    return sent


def test_only_the_newest_of_a_topic_is_sent() -> None:
    outbox = Outbox()
    for number in range(5):
        outbox.put(value("a", str(number)), 0)
    assert all_sent(outbox) == [b"4"]


def test_a_topic_in_flight_is_left_alone_until_acknowledged() -> None:
    outbox = Outbox()
    outbox.put(value("a", "old"), 0)
    assert [m.payload for m in outbox.taken(0)] == [b"old"]
    outbox.put(value("a", "new"), 0)
    assert list(outbox.taken(0)) == []
    outbox.acknowledged("a")
    assert [m.payload for m in outbox.taken(0)] == [b"new"]


def test_what_did_not_change_is_not_sent_again() -> None:
    outbox = Outbox()
    outbox.show(shown(value("a"), value("b")), 0)
    assert len(all_sent(outbox)) == 2
    outbox.show(shown(value("a"), value("b")), 9)
    assert all_sent(outbox) == []


@pytest.mark.parametrize(("after_s", "count"), [(54.9, 0), (55.0, 1), (55.1, 1)])
def test_what_expires_is_sent_again_before_half_of_its_time(
    after_s: float, count: int
) -> None:
    outbox = Outbox()
    outbox.put(value("a", expires_s=120, again_s=55), 0)
    assert len(all_sent(outbox, 0)) == 1
    outbox.refresh(after_s)
    assert len(all_sent(outbox, after_s)) == count


@pytest.mark.parametrize(("after_s", "count"), [(0.9, 0), (1.0, 1), (1.1, 1)])
def test_changes_of_a_value_keep_their_distance_and_none_is_forgotten(
    after_s: float, count: int
) -> None:
    outbox = Outbox()
    outbox.put(value("a", "1", gap_s=1), 0)
    all_sent(outbox, 0)
    outbox.put(value("a", "2", gap_s=1), 0.1)
    assert all_sent(outbox, 0.1) == []
    outbox.refresh(after_s)
    assert all_sent(outbox, after_s) == [b"2"] * count


def test_what_decides_does_not_wait_for_the_gap() -> None:
    outbox = Outbox()
    outbox.show(shown(value("a", "1", gap_s=10)), 0)
    all_sent(outbox, 0)
    outbox.show(shown(value("a", "2", gap_s=10)), 0.1, is_hurried=True)
    assert all_sent(outbox, 0.1) == [b"2"]


@pytest.mark.parametrize(("to", "count"), [(3.3019, 0), (3.302, 1), (3.3021, 1)])
def test_a_change_within_the_band_waits_for_the_refresh(to: float, count: int) -> None:
    outbox = Outbox()

    def reading(number: float) -> Message:
        more = {"reading": number, "band": 0.002 - 1e-12, "again_s": 55}
        return value("a", f"{number}", **more)

    outbox.put(reading(3.3), 0)
    all_sent(outbox, 0)
    outbox.put(reading(to), 5)
    assert len(all_sent(outbox, 5)) == count
    outbox.refresh(60)
    assert len(all_sent(outbox, 60)) == 1, "the present value, not the old one"
    assert outbox.kept()["a"].reading == to


def test_a_value_that_is_gone_is_removed_at_the_broker_and_forgotten() -> None:
    outbox = Outbox()
    outbox.show(shown(value("a")), 0)
    all_sent(outbox)
    outbox.show({}, 1)
    assert not outbox.knows("a")
    assert all_sent(outbox, 1) == [b""]
    outbox.begin()
    assert all_sent(outbox, 2) == []


def test_topics_of_others_are_not_removed() -> None:
    outbox = Outbox()
    outbox.put(value("state"), 0)
    outbox.show({}, 1, apart=["state"])
    assert outbox.knows("state")


def test_a_removal_that_was_not_answered_is_tried_on_the_next_connection() -> None:
    outbox = Outbox()
    outbox.remove("left-over")
    assert [m.payload for m in outbox.taken(0)] == [b""]
    outbox.reconnected()
    outbox.begin()
    assert all_sent(outbox) == [b""]
    outbox.begin()
    assert all_sent(outbox) == []


def test_a_value_that_returns_while_its_removal_flies_is_sent_after_it() -> None:
    outbox = Outbox()
    outbox.show(shown(value("a", "1")), 0)
    all_sent(outbox)
    outbox.show({}, 1)
    assert [m.payload for m in outbox.taken(1)] == [b""]
    outbox.show(shown(value("a", "2")), 2)
    outbox.acknowledged("a")
    assert all_sent(outbox, 2) == [b"2"]


def test_a_new_connection_sends_all_anew_the_first_ones_first() -> None:
    outbox = Outbox()
    outbox.show(shown(value("a"), value("b"), value("z")), 0)
    list(outbox.taken(0))
    outbox.reconnected()
    outbox.begin(["z"])
    assert outbox.unproved == {"a", "b", "z"}
    assert [m.topic for m in outbox.taken(1)] == ["z", "a", "b"]
    for topic in "abz":
        outbox.acknowledged(topic)
    assert not outbox.unproved


def test_an_answer_to_what_was_sent_before_proves_nothing_of_what_begins_anew() -> None:
    outbox = Outbox()
    outbox.put(value("a"), 0)
    list(outbox.taken(0))
    outbox.begin()
    outbox.acknowledged("a")
    assert outbox.unproved == {"a"}
    assert all_sent(outbox) == [b"x"]
    assert not outbox.unproved


def test_what_could_not_be_handed_over_is_due_again() -> None:
    outbox = Outbox()
    outbox.put(value("a"), 0)
    list(outbox.taken(0))
    outbox.returned("a")
    assert all_sent(outbox) == [b"x"]


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["show", "take", "acknowledge", "begin", "refresh"]),
        st.dictionaries(st.sampled_from("abc"), st.integers(0, 3), max_size=3),
    ),
    max_size=30,
)


@given(steps=STEPS)
def test_in_the_end_the_broker_keeps_what_was_shown_last(
    steps: list[tuple[str, dict[str, int]]],
) -> None:
    """Whatever order shows, answers and reconnections come in."""
    outbox, broker, flying = Outbox(), dict[str, bytes](), list[Message]()
    last: dict[str, int] = {}

    def arrive() -> None:
        for message in flying:
            broker[message.topic] = message.payload
            outbox.acknowledged(message.topic)
        flying.clear()

    for now_s, (what, values) in enumerate(steps):
        match what:
            case "show":
                last = values
                made = [value(t, str(n)) for t, n in values.items()]
                outbox.show(shown(*made), now_s)
            case "take":
                flying += outbox.taken(now_s)
            case "acknowledge":
                arrive()
            case "begin":
                arrive()  # paho repeats what was in flight before anything new
                outbox.reconnected()
                outbox.begin()
            case _:
                outbox.refresh(now_s)
    for _ in range(4):
        arrive()
        flying += outbox.taken(99)
    kept = {topic: int(payload) for topic, payload in broker.items() if payload}
    assert kept == last
