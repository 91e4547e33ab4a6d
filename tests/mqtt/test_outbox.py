from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tocsin.mqtt.messages import Message
from tocsin.mqtt.outbox import Outbox


def state(topic: str, payload: str = "x") -> Message:
    return Message(topic=topic, payload=payload.encode())


def happened(number: int) -> Message:
    return Message(topic="events", payload=str(number).encode(), is_retained=False)


def all_sent(outbox: Outbox) -> list[bytes]:
    """Send everything, each message acknowledged before the next."""
    sent = []
    while (message := next(outbox.taken(), None)) is not None:
        sent.append(message.payload)
        outbox.acknowledged(message.topic)
    return sent


def test_of_a_state_only_the_newest_is_sent() -> None:
    outbox = Outbox()
    for number in range(5):
        outbox.put(state("a", str(number)))
    assert all_sent(outbox) == [b"4"]


def test_a_topic_in_flight_is_left_alone_until_acknowledged() -> None:
    outbox = Outbox()
    outbox.put(state("a", "old"))
    assert [m.payload for m in outbox.taken()] == [b"old"]
    outbox.put(state("a", "new"))
    assert list(outbox.taken()) == []
    outbox.acknowledged("a")
    assert [m.payload for m in outbox.taken()] == [b"new"]


def test_what_did_not_change_is_not_sent_again() -> None:
    outbox = Outbox()
    shown = {"a": state("a"), "b": state("b")}
    outbox.show(shown, Message)
    assert len(all_sent(outbox)) == 2
    outbox.show(shown, Message)
    assert all_sent(outbox) == []


def test_a_state_that_is_gone_is_removed_at_the_broker_and_forgotten() -> None:
    outbox = Outbox()
    outbox.show({"a": state("a")}, Message)
    all_sent(outbox)
    outbox.show({}, Message)
    assert all_sent(outbox) == [b""]
    assert not outbox.knows("a")
    outbox.begin()
    assert all_sent(outbox) == []


def test_a_new_connection_sends_every_state_anew() -> None:
    outbox = Outbox()
    outbox.show({"a": state("a"), "b": state("b")}, Message)
    list(outbox.taken())
    outbox.begin()
    assert len(all_sent(outbox)) == 2


@given(
    kinds=st.lists(st.booleans(), max_size=40),
    room=st.integers(1, 10),
)
def test_events_keep_their_order_alarms_stay_longest_and_losses_are_counted(
    kinds: list[bool], room: int
) -> None:
    outbox = Outbox(room=room)
    for number, is_alarm in enumerate(kinds):
        outbox.add([happened(number)], is_alarm=is_alarm)
    kept = [int(payload) for payload in all_sent(outbox)]
    assert kept == sorted(kept)
    assert len(kept) + outbox.lost == len(kinds)
    assert len(kept) == min(room, len(kinds))
    lost_alarm = any(kinds[n] for n in range(len(kinds)) if n not in kept)
    newest_is_other = bool(kinds) and not kinds[-1]
    if lost_alarm:
        others = [n for n in kept if not kinds[n]]
        assert not others or (newest_is_other and others == [len(kinds) - 1])
