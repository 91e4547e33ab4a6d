"""Disks that are full, locked, hung or read-only."""

from __future__ import annotations

import asyncio
import os
import resource
import sqlite3
import subprocess
import threading
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING, Any

import pytest

from journal_stage import (
    Ears,
    alarm,
    as_nobody,
    heard,
    journal,
    kept,
    note,
    notes,
    until,
)
from tocsin.core.events import Fact, NoteFact
from tocsin.journal import read
from tocsin.journal.rows import journal_path
from tocsin.journal.store import connect_writer

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tocsin.journal import Journal


class Disk:
    """Opens connections that fail while *is_full*, or whose commits do."""

    def __init__(self) -> None:
        self.is_full = False
        self.commits_that_fail = 0

    def connect(self, path: Path) -> sqlite3.Connection:
        disk = self

        class Connection(sqlite3.Connection):
            def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
                if sql == "BEGIN IMMEDIATE" and disk.is_full:
                    raise sqlite3.OperationalError("database or disk is full")
                done = super().execute(sql, *values)
                if sql == "COMMIT" and disk.commits_that_fail:
                    disk.commits_that_fail -= 1
                    raise sqlite3.OperationalError("disk I/O error")
                return done

        return sqlite3.connect(
            path, timeout=0.1, isolation_level=None, factory=Connection
        )


# --- full ----------------------------------------------------------------------------


def test_what_a_full_disk_refused_is_told_at_once_and_kept_for_later(
    tmp_path: Path,
) -> None:
    ears, disk = Ears(), Disk()

    async def main() -> None:
        async with journal(tmp_path, ears, connect=disk.connect) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.written) == 1)
            disk.is_full = True
            writing.tell([note(2), alarm(3)])
            await until(lambda: len(ears.written) == 3)
            disk.is_full = False
            await until(lambda: ears.troubles[-1] == "")
            writing.tell([note(4)])
        assert writing.lost == 0

    asyncio.run(main())
    told = [(fact.at_ms, is_durable) for fact, is_durable in ears.written]
    assert told == [(1, True), (2, False), (3, False), (4, True)]
    assert [row.at_ms for row in read(tmp_path)] == [1, 2, 3, 4]
    assert "full" in ears.troubles[0]
    assert len(ears.troubles) == 2, "said once, and once that it is over"


def test_while_nothing_can_be_written_new_warnings_wait_for_no_retry(
    tmp_path: Path,
) -> None:
    ears, disk = Ears(), Disk()
    disk.is_full = True

    async def main() -> None:
        async with journal(
            tmp_path, ears, connect=disk.connect, retry_s=3_600, stall_s=3_600
        ) as writing:
            for number in range(3):
                writing.tell([alarm(number)])
                await heard(ears, number + 1)
            disk.is_full = False
        assert writing.lost == 0, "closing does not wait for the retry either"

    asyncio.run(main())
    assert ears.written == [(alarm(number), False) for number in range(3)]
    assert [row.at_ms for row in read(tmp_path)] == [0, 1, 2]


def test_rows_that_were_lost_are_counted_and_written_down(tmp_path: Path) -> None:
    ears, disk = Ears(), Disk()
    disk.is_full = True

    async def main() -> None:
        async with journal(tmp_path, ears, connect=disk.connect, room=10) as writing:
            await until(lambda: bool(ears.troubles))
            writing.tell([note(number) for number in range(25)])
            await until(lambda: len(ears.written) == 25)
            disk.is_full = False
            await until(lambda: len(ears.written) == 26)
            assert writing.lost == 15

    asyncio.run(main())
    assert kept(tmp_path) == list(range(10)), "the oldest tell how it began"
    (said,) = notes(tmp_path, "journal-loss")
    assert said.startswith("15 rows could not be kept")
    last, is_durable = ears.written[-1]
    assert isinstance(last, NoteFact)
    assert (last.text, is_durable) == (said, True)


def has_lost(writing: Journal, count: int) -> bool:
    return writing.lost == count


def test_a_loss_is_written_down_once(tmp_path: Path) -> None:
    ears, disk = Ears(), Disk()

    async def main() -> None:
        async with journal(tmp_path, ears, connect=disk.connect, room=1) as writing:
            for hour in (100, 200):
                disk.is_full = True
                writing.tell([note(hour)])
                await until(lambda: ears.troubles[-1:] not in ([], [""]))
                writing.tell([note(hour + n) for n in range(1, 3)])
                await until(partial(has_lost, writing, 2 * hour // 100))
                disk.is_full = False
                await until(lambda: ears.troubles[-1] == "")
                writing.tell([note(hour + 50)])
                await until(partial(ears.durable_has, note(hour + 50)))

    asyncio.run(main())
    two = "2 rows could not be kept while the journal could not be written"
    assert notes(tmp_path, "journal-loss") == [two, two]


def test_alarms_win_when_there_is_no_room_for_all(tmp_path: Path) -> None:
    ears, disk = Ears(), Disk()
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
    rows = list(read(tmp_path))
    assert [row.at_ms for row in rows if row.kind == "alarm"] == [100, 101, 102, 103]
    assert kept(tmp_path) == [0]


@contextmanager
def small_disk(folder: Path) -> Iterator[None]:
    """Mount a disk of 256 kB; only root may."""
    folder.mkdir()
    options = ["-t", "tmpfs", "-o", "size=256k", "tmpfs"]
    subprocess.run(["mount", *options, str(folder)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can mount a small disk")
def test_a_real_disk_that_fills_up_and_is_cleared_again(tmp_path: Path) -> None:
    ears, folder = Ears(), tmp_path / "disk"

    async def main() -> None:
        async with journal(folder, ears, room=100) as writing:
            (folder / "ballast").write_bytes(b"x" * 80_000)
            number = 0
            while not ears.troubles:
                writing.tell([note(number + n) for n in range(10)])
                number += 10
                await heard(ears, number)
            writing.tell([note(number + n) for n in range(200)])
            await until(lambda: writing.lost > 0)
            (folder / "ballast").unlink()
            await until(lambda: ears.troubles[-1] == "")
            await until(lambda: isinstance(ears.written[-1][0], NoteFact))
        check(writing.lost, number + 200)

    def check(lost: int, told: int) -> None:
        rows = kept(folder)
        assert len(rows) == len(set(rows)) == told - lost
        assert durable_numbers(ears) <= set(rows)
        (said,) = notes(folder, "journal-loss")
        assert said.startswith(f"{lost} row")

    with small_disk(folder):
        asyncio.run(main())
    assert "full" in ears.troubles[0]


def durable_numbers(ears: Ears) -> set[int]:
    return {fact.at_ms for fact in ears.durable if fact == note(fact.at_ms)}


def test_a_file_that_may_not_grow_stops_nothing_and_is_counted(
    tmp_path: Path,
) -> None:
    """The kernel refuses to write beyond 200 kB of any file (RLIMIT_FSIZE)."""
    ears, told = Ears(), 600

    async def main() -> int:
        async with journal(tmp_path, ears) as writing:
            for number in range(told):
                writing.tell([note(number)])
                await heard(ears, number + 1)
        return writing.lost

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, hard))
    try:
        lost = asyncio.run(main())
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert any("disk" in trouble for trouble in ears.troubles)
    rows = kept(tmp_path)
    assert len(rows) == len(set(rows)) == told - lost
    assert durable_numbers(ears) <= set(rows)


def test_a_commit_that_failed_after_the_fact_stores_nothing_twice(
    tmp_path: Path,
) -> None:
    ears, disk = Ears(), Disk()

    async def main() -> None:
        async with journal(tmp_path, ears, connect=disk.connect) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.written) == 1)
            disk.commits_that_fail = 3
            writing.tell([note(2), note(3)])
            await until(lambda: len(ears.written) == 3)
            writing.tell([note(4)])
            await until(lambda: ears.troubles[-1] == "")
        assert writing.lost == 0

    asyncio.run(main())
    assert [row.at_ms for row in read(tmp_path)] == [1, 2, 3, 4]
    assert [row.id for row in read(tmp_path)] == [1, 2, 3, 4]
    assert [is_durable for _, is_durable in ears.written][:3] == [True, False, False]


# --- locked, hung, read-only ---------------------------------------------------------


def test_a_file_locked_by_another_process_is_trouble_and_nothing_is_lost(
    tmp_path: Path,
) -> None:
    ears = Ears()
    script = (
        "import sqlite3, sys\n"
        "db = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "db.execute('BEGIN IMMEDIATE')\n"
        "print('locked', flush=True)\n"
        "sys.stdin.read()\n"
    )

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.durable) == 1)
            other = await asyncio.create_subprocess_exec(
                "python3",
                "-c",
                script,
                str(journal_path(tmp_path)),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
            )
            assert other.stdout is not None
            assert await other.stdout.readline() == b"locked\n"
            writing.tell([note(2)])
            await until(lambda: bool(ears.troubles))
            await other.communicate(b"")
            await until(lambda: ears.troubles[-1] == "")
            writing.tell([note(3)])
        assert writing.lost == 0

    asyncio.run(main())
    assert [row.at_ms for row in read(tmp_path)] == [1, 2, 3]
    assert "locked" in ears.troubles[0]
    told = [(fact.at_ms, is_durable) for fact, is_durable in ears.written]
    assert told == [(1, True), (2, False), (3, True)], "each fact once, and in order"


class Hang:
    """A disk that does not answer until let go."""

    def __init__(self) -> None:
        self.answers = threading.Event()

    def connect(self, path: Path) -> sqlite3.Connection:
        self.answers.wait()
        return connect_writer(path)


def test_a_disk_that_hangs_delays_neither_the_loop_nor_the_end(tmp_path: Path) -> None:
    ears, hang = Ears(), Hang()

    async def main() -> None:
        async with journal(tmp_path, ears, connect=hang.connect) as writing:
            for number in range(1_000):
                writing.tell([note(number)])
        assert writing.lost == 1_000

    try:
        asyncio.run(main())
    finally:
        hang.answers.set()
    assert ears.written == [(note(number), False) for number in range(1_000)]


def test_warnings_get_out_while_the_disk_hangs_and_are_stored_when_it_answers(
    tmp_path: Path,
) -> None:
    ears, hang = Ears(), Hang()

    async def main() -> None:
        async with journal(
            tmp_path, ears, connect=hang.connect, stall_s=0.05
        ) as writing:
            writing.tell([alarm(1)])
            await until(lambda: len(ears.written) == 1)
            writing.tell([alarm(2)])
            await until(lambda: len(ears.written) == 2)
            hang.answers.set()
            await until(lambda: ears.troubles[-1] == "")
            writing.tell([alarm(3)])
        assert writing.lost == 0

    try:
        asyncio.run(main())
    finally:
        hang.answers.set()
    assert ears.troubles == ["the disk has not answered for 0.05 s", ""]
    assert ears.written == [(alarm(1), False), (alarm(2), False), (alarm(3), True)]
    assert [row.at_ms for row in read(tmp_path)] == [1, 2, 3]


def test_a_folder_nobody_may_write_is_trouble_not_an_end(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path / "journal", ears) as writing:
            writing.tell([alarm(1)])
            await until(lambda: bool(ears.written))
            assert ears.written == [(alarm(1), False)]
            os.seteuid(was)
            os.chmod(tmp_path, 0o755)  # noqa: PTH101 the loop waits for nothing else
            await until(lambda: ears.troubles[-1] == "")
        assert writing.lost == 0

    was = os.geteuid()
    tmp_path.chmod(0o555)
    with as_nobody():
        asyncio.run(main())
    assert "Permission denied" in ears.troubles[0]
    assert [row.at_ms for row in read(tmp_path / "journal")] == [1]


def test_a_file_in_the_place_of_the_folder_is_trouble_not_an_end(
    tmp_path: Path,
) -> None:
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
    assert "Not a directory" in ears.troubles[0]


def test_a_fact_that_no_row_can_hold_holds_up_no_other(tmp_path: Path) -> None:
    ears, odd = Ears(), note(2**70)

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(1), odd, note(2)])
            await until(lambda: len(ears.written) == 4)
            assert writing.lost == 1

    asyncio.run(main())
    assert kept(tmp_path) == [1, 2]
    assert len(notes(tmp_path, "journal-loss")) == 1
    told: list[tuple[Fact, bool]] = ears.written[:3]
    assert told == [(note(1), True), (odd, False), (note(2), True)]
