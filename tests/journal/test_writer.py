from __future__ import annotations

import asyncio
import json
import resource
import shutil
import sqlite3
import threading
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from journal_stage import Ears, alarm, journal, note, until
from tocsin.core.events import NoteFact
from tocsin.journal import read
from tocsin.journal.rows import journal_path
from tocsin.journal.store import connect_writer

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def test_a_fact_is_in_the_file_when_it_is_reported(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            for number in range(1, 51):
                writing.tell([note(number)])
                await until(lambda n=number: len(ears.durable) >= n)
                assert [row.at_ms for row in read(tmp_path)] == list(
                    range(1, number + 1)
                )

    asyncio.run(main())
    assert ears.troubles == []


def test_a_row_keeps_both_clocks_the_boot_the_run_and_the_whole_fact(
    tmp_path: Path,
) -> None:
    async def main() -> None:
        async with journal(tmp_path, Ears()) as writing:
            writing.tell([alarm(77)])

    asyncio.run(main())
    (row,) = read(tmp_path)
    assert (row.id, row.at_ms, row.wall_ms) == (1, 77, 1_700_000_000_000)
    assert (row.boot_id, row.run_id) == ("boot", "run")
    assert (row.kind, row.subject) == ("alarm", "right/11")
    assert json.loads(row.detail)["value"] == 2.95


def test_what_is_told_before_closing_is_written_by_it(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(number) for number in range(2_000)])

    asyncio.run(main())
    assert len(read(tmp_path)) == len(ears.durable) == 2_000


def test_the_file_is_written_through_to_the_disk(tmp_path: Path) -> None:
    """SQLite's documentation, "PRAGMA synchronous": FULL is 2."""
    with closing(connect_writer(journal_path(tmp_path))) as connection:
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_second_run_appends_to_the_first(tmp_path: Path) -> None:
    async def main(number: int) -> None:
        async with journal(tmp_path, Ears()) as writing:
            writing.tell([note(number)])

    asyncio.run(main(1))
    asyncio.run(main(2))
    assert [(row.id, row.at_ms) for row in read(tmp_path)] == [(1, 1), (2, 2)]


def test_a_file_that_is_locked_is_trouble_and_nothing_is_lost(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.durable) == 1)
            with closing(sqlite3.connect(journal_path(tmp_path))) as other:
                other.execute("BEGIN IMMEDIATE")
                writing.tell([note(2)])
                await until(lambda: bool(ears.troubles))
                other.rollback()
            await until(lambda: ears.troubles[-1] == "")
            writing.tell([note(3)])
        assert writing.lost == 0

    asyncio.run(main())
    assert [row.at_ms for row in read(tmp_path)] == [1, 2, 3]
    assert "locked" in ears.troubles[0]
    told = [(fact.at_ms, is_durable) for fact, is_durable in ears.written]
    assert told == [(1, True), (2, False), (3, True)], "each fact once, and in order"


@pytest.fixture
def small_files() -> Iterator[None]:
    """Let the kernel refuse to write beyond 300 kB of any file."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


class FullDisk:
    """Opens a database that may have few pages, or none at all while *is_full*."""

    def __init__(self) -> None:
        self.is_full = False

    def connect(self, path: Path) -> sqlite3.Connection:
        if self.is_full:
            raise sqlite3.OperationalError("database or disk is full")
        connection = connect_writer(path)
        connection.execute("PRAGMA max_page_count = 40")
        return connection


def test_a_full_file_is_trouble_and_the_loss_is_counted_and_written_down(
    tmp_path: Path,
) -> None:
    ears, disk = Ears(), FullDisk()

    async def main() -> None:
        async with journal(tmp_path, ears, connect=disk.connect, room=10) as writing:
            while not ears.troubles:
                writing.tell([note(number) for number in range(10)])
                told = len(ears.written)
                await until(lambda n=told: len(ears.written) > n)
            writing.tell([note(9_000 + n) for n in range(30)])
            await until(lambda: writing.lost > 0)
            with closing(sqlite3.connect(journal_path(tmp_path))) as other:
                other.execute("DELETE FROM event WHERE id < 500")
                other.commit()
            await until(lambda: ears.troubles[-1] == "")
        assert "full" in ears.troubles[0]
        said = [f for f, _ in ears.written if isinstance(f, NoteFact)]
        losses = [f.text for f in said if f.what == "journal-loss"]
        total = sum(int(text.split()[0]) for text in losses)
        assert total == writing.lost > 0

    asyncio.run(main())
    kinds = [row.subject for row in read(tmp_path)]
    assert "journal-loss" in kinds


def test_alarms_win_when_there_is_no_room_for_all(tmp_path: Path) -> None:
    ears, disk = Ears(), FullDisk()
    disk.is_full = True

    async def main() -> None:
        async with journal(tmp_path, ears, connect=disk.connect, room=5) as writing:
            await until(lambda: bool(ears.troubles))
            writing.tell([note(number) for number in range(5)])
            writing.tell([alarm(100 + number) for number in range(4)])
            await until(lambda: len(ears.written) == 9)
            disk.is_full = False
            await until(lambda: ears.troubles[-1] == "")
            assert writing.lost == 4

    asyncio.run(main())
    rows = read(tmp_path)
    assert [row.at_ms for row in rows if row.kind == "alarm"] == [100, 101, 102, 103]
    assert [row.at_ms for row in rows if row.subject == "test"] == [0]


@pytest.mark.parametrize("damage", ["garbage", "head", "short"])
def test_a_damaged_file_is_set_aside_and_a_new_one_begun(
    damage: str, tmp_path: Path
) -> None:
    async def main(ears: Ears, count: int) -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(number) for number in range(count)])

    asyncio.run(main(Ears(), 500))
    path = journal_path(tmp_path)
    whole = path.read_bytes()
    match damage:
        case "garbage":
            path.write_bytes(b"this was never a database\n" * 400)
        case "head":
            path.write_bytes(whole[:4_096] + b"\xff" * 8_192 + whole[12_288:])
        case _:
            path.write_bytes(whole[: len(whole) // 2])
    ears = Ears()
    asyncio.run(main(ears, 3))
    rows = read(tmp_path)
    assert [row.subject for row in rows] == ["journal-damaged", *["test"] * 3]
    aside = json.loads(rows[0].detail)["text"].split()[-1]
    assert (tmp_path / aside).stat().st_size > 0
    assert [fact.at_ms for fact in ears.durable if fact.at_ms] == [1, 2]


def test_a_file_damaged_while_it_is_written_is_set_aside_too(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.durable) == 1)
            path = journal_path(tmp_path)
            garbage = path.with_name("garbage")
            garbage.write_bytes(b"this was never a database\n" * 400)
            garbage.rename(path)
            path.with_name("journal.db-wal").unlink(missing_ok=True)
            writing.tell([note(2)])
            await until(lambda: note(2) in ears.durable)

    asyncio.run(main())
    assert [row.subject for row in read(tmp_path)] == ["journal-damaged", "test"]


def test_a_folder_that_is_deleted_is_made_again(tmp_path: Path) -> None:
    folder, ears = tmp_path / "deep" / "journal", Ears()

    async def main() -> None:
        async with journal(folder, ears) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.durable) == 1)
            shutil.rmtree(folder)
            writing.tell([note(2)])
            await until(lambda: len(ears.durable) == 2)

    asyncio.run(main())
    assert [row.at_ms for row in read(folder)] == [2]


def test_a_folder_that_cannot_be_made_is_trouble_not_an_end(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    ears = Ears()

    async def main() -> None:
        async with journal(in_the_way / "journal", ears) as writing:
            writing.tell([note(1)])
            await until(lambda: bool(ears.written))
        assert writing.lost == 1

    asyncio.run(main())
    assert ears.written == [(note(1), False)]
    assert "NotADirectoryError" in ears.troubles[0]


def test_a_disk_that_hangs_delays_neither_the_loop_nor_the_end(tmp_path: Path) -> None:
    ears, hang = Ears(), threading.Event()

    def connect(path: Path) -> sqlite3.Connection:
        hang.wait()
        return connect_writer(path)

    async def main() -> None:
        async with journal(tmp_path, ears, connect=connect) as writing:
            for number in range(1_000):
                writing.tell([note(number)])
        assert writing.lost == 1_000

    try:
        asyncio.run(main())
    finally:
        hang.set()
    assert len(ears.written) == 1_000
    assert ears.durable == []


@pytest.mark.usefixtures("small_files")
def test_a_kernel_that_refuses_to_write_stops_nothing_and_is_counted(
    tmp_path: Path,
) -> None:
    ears, told = Ears(), 1_000

    async def main() -> int:
        async with journal(tmp_path, ears) as writing:
            for number in range(told):
                writing.tell([note(number)])
                await until(lambda n=number: len(ears.written) > n)
        return writing.lost

    lost = asyncio.run(main())
    assert any("disk" in trouble for trouble in ears.troubles)
    rows = [row.at_ms for row in read(tmp_path) if row.subject == "test"]
    assert len(rows) == len(set(rows)) == told - lost
    assert {fact.at_ms for fact in ears.durable} <= set(rows)
