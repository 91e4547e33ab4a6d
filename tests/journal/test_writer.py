"""A journal on a sound disk, and on one that is only slow."""

from __future__ import annotations

import asyncio
import json
import sqlite3
import threading
from contextlib import closing
from typing import TYPE_CHECKING

from journal_stage import Ears, Stamps, alarm, heard, journal, note
from tocsin.core.events import CommandFact, OutputFact, SourceFact, Verb
from tocsin.core.rules import Role
from tocsin.journal import read
from tocsin.journal.rows import journal_path
from tocsin.journal.store import Store, connect_writer
from tocsin.wire import fact_json

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tocsin.core.events import Fact


def test_a_fact_is_in_the_file_when_it_is_reported(tmp_path: Path) -> None:
    class Doubter(Ears):
        def on_written(self, facts: Sequence[Fact], is_durable: bool) -> None:  # noqa: FBT001
            there = {row.at_ms for row in read(tmp_path)}
            assert is_durable
            assert {fact.at_ms for fact in facts} <= there
            super().on_written(facts, is_durable)

    ears = Doubter()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            for number in range(50):
                writing.tell([note(number)])
                await heard(ears, number + 1)

    asyncio.run(main())


def test_a_row_keeps_both_clocks_the_boot_the_run_and_the_whole_fact(
    tmp_path: Path,
) -> None:
    stamps = Stamps()

    async def main() -> None:
        async with journal(tmp_path, Ears(), stamps=stamps) as writing:
            writing.tell([alarm(77)])

    asyncio.run(main())
    (row,) = read(tmp_path)
    assert (row.id, row.at_ms, row.wall_ms) == (1, 77, 1_700_000_000_000)
    assert (row.boot_id, row.run_id, row.seq) == ("boot", stamps.run_id, 1)
    assert (row.kind, row.subject) == ("alarm", "right/11")
    assert json.loads(row.detail) == fact_json(alarm(77))


def test_every_kind_of_fact_has_its_kind_and_subject(tmp_path: Path) -> None:
    facts: list[Fact] = [
        alarm(1),
        OutputFact(
            at_ms=2,
            output="charge",
            role=Role.CHARGE_PERMIT,
            energised=False,
            because=("high-cell",),
        ),
        SourceFact(at_ms=3, pack="left", state="lost", reason="no answer"),
        CommandFact(
            at_ms=4,
            verb=Verb.SHELVE,
            alarm="high-cell",
            subject="left",
            by="warden \udc80",
            reason="\x00",
            accepted=True,
            outcome="",
        ),
        note(5),
    ]

    async def main() -> None:
        async with journal(tmp_path, Ears()) as writing:
            writing.tell(facts)

    asyncio.run(main())
    rows = list(read(tmp_path))
    assert [(row.kind, row.subject) for row in rows] == [
        ("alarm", "right/11"),
        ("output", "charge"),
        ("source", "left"),
        ("command", "left"),
        ("note", "test"),
    ]
    assert [json.loads(row.detail) for row in rows] == [fact_json(f) for f in facts]


def test_what_is_told_before_closing_is_written_by_it(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(number) for number in range(2_000)])

    asyncio.run(main())
    assert [row.at_ms for row in read(tmp_path)] == list(range(2_000))
    assert ears.written == [(note(number), True) for number in range(2_000)]


def test_every_commit_is_on_the_disk_before_it_returns(tmp_path: Path) -> None:
    """SQLite's documentation, "PRAGMA synchronous": FULL is 2."""
    store = Store(tmp_path, wall_ms=lambda: 0)
    with closing(store):
        connection = store.open()
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_second_run_appends_to_the_first(tmp_path: Path) -> None:
    async def main(number: int) -> None:
        async with journal(tmp_path, Ears()) as writing:
            writing.tell([note(number)])

    asyncio.run(main(1))
    asyncio.run(main(2))
    assert [(row.id, row.at_ms, row.seq) for row in read(tmp_path)] == [
        (1, 1, 1),
        (2, 2, 1),
    ]


def test_no_thread_is_left_behind(tmp_path: Path) -> None:
    async def main() -> None:
        async with journal(tmp_path, Ears()) as writing:
            writing.tell([note(1)])

    before = threading.active_count()
    asyncio.run(main())
    assert threading.active_count() == before


def test_a_fact_told_after_closing_is_passed_on_as_lost(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            pass
        writing.tell([note(1)])
        assert writing.lost == 1

    asyncio.run(main())
    assert ears.written == [(note(1), False)]


def test_a_burst_is_taken_while_the_disk_stands_still(tmp_path: Path) -> None:
    """300 facts in each of ten steps: the loop goes its ten steps all the same."""
    ears, gate = Ears(), threading.Event()

    def connect(path: Path) -> sqlite3.Connection:
        gate.wait()
        return connect_writer(path)

    async def main() -> int:
        steps = 0
        async with journal(tmp_path, ears, connect=connect) as writing:
            for step in range(10):
                writing.tell([alarm(300 * step + n) for n in range(300)])
                await asyncio.sleep(0)
                steps += 1
            assert not ears.written, "the disk stood still all the while"
            gate.set()
        return steps

    try:
        assert asyncio.run(main()) == 10
    finally:
        gate.set()
    assert ears.written == [(alarm(number), True) for number in range(3_000)]


def test_the_loop_goes_on_while_rows_are_written(tmp_path: Path) -> None:
    """Other work of the loop runs between any two reports."""
    ears, seen = Ears(), set[int]()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(number) for number in range(5_000)])
            while len(ears.written) < 5_000:
                seen.add(len(ears.written))
                await asyncio.sleep(0)

    asyncio.run(main())
    assert len(seen) > 5, "it came in parts, and the loop ran between them"
    assert ears.troubles == []


def test_the_file_holds_what_its_schema_says(tmp_path: Path) -> None:
    async def main() -> None:
        async with journal(tmp_path, Ears()) as writing:
            writing.tell([note(1)])

    asyncio.run(main())
    with closing(sqlite3.connect(journal_path(tmp_path))) as connection:
        tables = connection.execute("PRAGMA table_list").fetchall()
        strict = {row[1]: row[5] for row in tables if not row[1].startswith("sqlite")}
        head = journal_path(tmp_path).read_bytes()[68:72]
    assert strict == {"event": 1, "migration": 1}
    assert head == b"Tocs"
