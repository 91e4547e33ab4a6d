from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from journal_stage import alarm, note
from tocsin.journal.backlog import Backlog
from tocsin.journal.rows import Entry

ENTRIES = st.lists(
    st.booleans().map(lambda is_alarm: (alarm if is_alarm else note)(0)), max_size=40
)


@given(facts=ENTRIES, room=st.integers(1, 10))
def test_every_entry_is_either_kept_or_returned(facts: list[Entry], room: int) -> None:
    backlog = Backlog(room)
    entries = [Entry(fact=fact, wall_ms=n) for n, fact in enumerate(facts)]  # type: ignore[arg-type]
    dropped = backlog.put(entries)
    kept = backlog.drain()
    assert sorted(e.wall_ms for e in (*kept, *dropped)) == list(range(len(entries)))
    assert len(kept) == min(room, len(entries))
    assert [e.wall_ms for e in kept] == sorted(e.wall_ms for e in kept)


@given(facts=ENTRIES, room=st.integers(1, 10))
def test_no_alarm_is_dropped_while_anything_else_is_kept(
    facts: list[Entry], room: int
) -> None:
    backlog = Backlog(room)
    dropped = backlog.put([Entry(fact=fact, wall_ms=0) for fact in facts])  # type: ignore[arg-type]
    kept = backlog.drain()
    if any(entry.is_alarm for entry in dropped):
        assert all(entry.is_alarm for entry in kept)


def test_what_is_given_back_stands_in_front() -> None:
    backlog = Backlog(5)
    backlog.put([Entry(fact=note(1), wall_ms=1)])
    taken, is_last = backlog.take(None)
    backlog.put([Entry(fact=note(2), wall_ms=2)])
    assert backlog.give_back(taken) == []
    assert not is_last
    assert [entry.wall_ms for entry in backlog.drain()] == [1, 2]


def test_a_closed_backlog_takes_nothing_more() -> None:
    backlog = Backlog(5)
    backlog.close()
    late = [Entry(fact=note(1), wall_ms=1)]
    assert backlog.put(late) == late
    assert backlog.take(None) == ([], True)
