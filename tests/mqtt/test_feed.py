"""Events on their way: the journal is the queue."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from journal_stage import alarm, note
from mqtt_stage import Journal
from tocsin.mqtt.events import Feed, Mark

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.events import Fact

START = Mark(0, "", 0)


def feed(mark: Mark | None = START, **more: int) -> Feed:
    return Feed("events", epoch="run-1", mark=mark, **more)


def sent(one: Feed, book: Journal, *, most: int = 3) -> list[tuple[str, int]]:
    """Send everything, reading *most* rows at a time."""
    told: list[tuple[str, int]] = []
    while True:
        if one.wants_rows:
            one.read(book.read(after_id=one.after_id, most=most), asked=most)
        message = one.next()
        if message is None and one.wants_rows and not book.broken:
            continue
        if message is None:
            return told
        event = json.loads(message.payload)
        told.append((event["epoch"], event["seq"]))
        one.acknowledged()


def written(*facts: Fact, book: Journal | None = None) -> Journal:
    made = book or Journal()
    made.write(facts)
    return made


def test_one_is_in_flight_until_it_is_answered_and_a_failure_sends_it_again() -> None:
    one, book = feed(), written(alarm(1), alarm(2))
    one.read(book.read())
    first = one.next()
    assert first is not None
    assert one.next() is None
    one.returned()
    assert one.next() == first
    assert one.mark == START
    one.acknowledged()
    assert one.mark == Mark(1, "run-1", 1)


def test_everything_is_sent_in_order_however_it_is_paged() -> None:
    book = written(*[alarm(n) for n in range(10)])
    for most in (2, 3, 9, 10, 11):
        assert sent(feed(), book, most=most) == [("run-1", n) for n in range(1, 11)]


def test_it_goes_on_after_the_mark_of_an_earlier_run() -> None:
    book = written(*[alarm(n) for n in range(4)])
    assert sent(feed(Mark(3, "run-1", 3)), book) == [("run-1", 4)]


def test_a_mark_that_is_not_there_means_another_file_all_of_it_new() -> None:
    book = written(*[alarm(n) for n in range(4)])
    assert len(sent(feed(Mark(3, "run-0", 3)), book)) == 4
    assert len(sent(feed(Mark(400, "run-1", 400)), book)) == 4


def test_a_first_run_begins_with_its_own_rows() -> None:
    book = Journal(run_id="run-0")
    book.write([alarm(n) for n in range(7)])
    book.run_id = "run-1"
    book.write([alarm(8)])
    one = feed(None)
    one.begin_at(book.read(newest=True) or [])
    assert sent(one, book) == [("run-1", 1)]


def test_what_is_not_stored_follows_what_is_and_says_so() -> None:
    one, book = feed(), written(alarm(1))
    one.unstored([alarm(2)], wall_ms=0)
    assert sent(one, book) == [("run-1", 1), ("run-1-unstored", 1)]


def test_a_journal_that_cannot_be_read_holds_up_nothing() -> None:
    one, book = feed(), Journal(broken=True)
    one.unstored([alarm(2)], wall_ms=0)
    assert sent(one, book) == [("run-1-unstored", 1)]


@given(kinds=st.lists(st.booleans(), max_size=40), room=st.integers(1, 10))
def test_without_room_alarms_stay_longest_and_losses_are_said(
    kinds: Sequence[bool], room: int
) -> None:
    one = feed(room=room)
    one.read([])
    facts = [alarm(n) if is_alarm else note(n) for n, is_alarm in enumerate(kinds)]
    for fact in facts:
        one.unstored([fact], wall_ms=0)
    lost = one.lost
    told = []
    while (message := one.next()) is not None:
        told.append(json.loads(message.payload))
        one.acknowledged()
    assert lost == max(0, len(kinds) - room)
    assert len({each["seq"] for each in told}) == len(told)
    losses = [each for each in told if each.get("what") == "mqtt-loss"]
    told = [each for each in told if each not in losses]
    numbers = [each["seq"] for each in told]
    assert numbers == sorted(numbers)
    assert len(numbers) == min(len(kinds), room)
    assert len(losses) == (lost > 0)
    kept = {each["seq"] - 1 for each in told}
    if any(kinds[n] for n in range(len(kinds)) if n not in kept):
        plain = [n for n in kept if not kinds[n]]
        assert not plain or plain == [len(kinds) - 1]
