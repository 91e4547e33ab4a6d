from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from journal_stage import alarm, note
from tocsin.journal.backlog import Backlog
from tocsin.journal.rows import Entry

FOR_EVER = 10_000


def entry(number: int, *, is_alarm: bool = False) -> Entry:
    fact = alarm(number) if is_alarm else note(number)
    return Entry(seq=number, fact=fact, wall_ms=0)


def numbered(alarms: list[bool]) -> list[Entry]:
    return [entry(n, is_alarm=is_alarm) for n, is_alarm in enumerate(alarms)]


def seqs(entries: list[Entry]) -> list[int]:
    return [each.seq for each in entries]


ENTRIES = st.lists(st.booleans(), max_size=40).map(numbered)
ROOM = st.integers(1, 10)


@given(entries=ENTRIES, room=ROOM)
def test_every_entry_is_either_kept_in_order_or_returned(
    entries: list[Entry], room: int
) -> None:
    backlog = Backlog(room)
    dropped = backlog.put(entries)
    kept = backlog.take(FOR_EVER, 0)
    assert sorted(seqs([*kept, *dropped])) == seqs(entries)
    assert len(kept) == min(room, len(entries))
    assert seqs(kept) == sorted(seqs(kept))
    assert backlog.lost == len(dropped)


@given(entries=ENTRIES, room=ROOM)
def test_no_alarm_is_dropped_while_anything_else_is_kept(
    entries: list[Entry], room: int
) -> None:
    backlog = Backlog(room)
    dropped = backlog.put(entries)
    kept = backlog.take(FOR_EVER, 0)
    if any(each.is_alarm for each in dropped):
        assert all(each.is_alarm for each in kept)


@given(entries=ENTRIES, room=ROOM)
def test_of_entries_of_one_kind_the_oldest_are_kept(
    entries: list[Entry], room: int
) -> None:
    backlog = Backlog(room)
    dropped = backlog.put(entries)
    kept = backlog.take(FOR_EVER, 0)
    for is_alarm in (True, False):
        stayed = [each.seq for each in kept if each.is_alarm is is_alarm]
        went = [each.seq for each in dropped if each.is_alarm is is_alarm]
        assert max(stayed, default=-1) < min(went, default=FOR_EVER)


MOVES = st.lists(
    st.one_of(
        st.tuples(st.just("put"), st.lists(st.booleans(), max_size=6)),
        st.tuples(st.just("take"), st.integers(1, 5)),
        st.tuples(st.sampled_from(["done", "give back"]), st.none()),
    ),
    max_size=40,
)


@given(moves=MOVES, room=ROOM)
def test_whatever_happens_each_entry_ends_in_one_place(
    moves: list[tuple[str, list[bool] | int | None]], room: int
) -> None:
    backlog = Backlog(room)
    count = 0
    stored: list[int] = []
    dropped: list[int] = []
    in_hand: list[Entry] = []
    for move, value in moves:
        if move == "put" and isinstance(value, list):
            new = [entry(count + n, is_alarm=a) for n, a in enumerate(value)]
            count += len(new)
            dropped += seqs(backlog.put(new))
        elif move == "take" and isinstance(value, int) and not in_hand:
            in_hand = backlog.take(value, 0)
        elif move == "done":
            stored += seqs(in_hand)
            in_hand = []
            backlog.done()
        elif move == "give back":
            dropped += seqs(backlog.give_back(in_hand))
            in_hand = []
        assert len(backlog) <= room
        assert backlog.lost == len(dropped)
    left = backlog.abandon()
    assert sorted({*stored, *dropped}) == sorted([*stored, *dropped])
    assert len(stored) + len(dropped) + left == count
    assert backlog.lost == len(dropped) + left


def test_what_is_given_back_stands_in_front() -> None:
    backlog = Backlog(5)
    backlog.put([entry(1)])
    taken = backlog.take(FOR_EVER, 0)
    backlog.put([entry(2)])
    assert backlog.give_back(taken) == []
    assert seqs(backlog.take(FOR_EVER, 0)) == [1, 2]


def test_no_more_is_taken_than_asked_for() -> None:
    backlog = Backlog(5)
    backlog.put(numbered([False] * 5))
    assert seqs(backlog.take(2, 0)) == [0, 1]
    assert seqs(backlog.take(FOR_EVER, 0)) == [2, 3, 4]


def test_a_closed_backlog_takes_nothing_more_and_waits_for_nothing() -> None:
    backlog = Backlog(5)
    backlog.close()
    late = [entry(1)]
    assert backlog.put(late) == late
    assert backlog.take(FOR_EVER, 3_600) == []
    backlog.pause(3_600)
    assert backlog.lost == 1
