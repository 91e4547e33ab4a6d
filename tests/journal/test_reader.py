from __future__ import annotations

import asyncio
import os
import shutil
import sqlite3
import tempfile
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from journal_stage import Ears, Stamps, alarm, journal, note, until
from tocsin.core.events import NoteFact
from tocsin.journal import JournalError, last_full_ms, read
from tocsin.journal.rows import journal_path
from tocsin.journal.schema import newest_version

if TYPE_CHECKING:
    from collections.abc import Iterator


def filled(folder: Path) -> None:
    """Write a row an hour, every third of them an alarm."""
    stamps = Stamps()

    async def main() -> None:
        async with journal(folder, Ears(), stamps=stamps) as writing:
            for hour in range(10):
                stamps.wall = hour * 3_600_000
                writing.tell([alarm(hour) if hour % 3 == 0 else note(hour)])

    asyncio.run(main())


@pytest.mark.parametrize(
    ("wanted", "hours"),
    [
        ({}, [0, 1, 2, 3, 4, 5, 6, 7, 8, 9]),
        ({"since_ms": 7 * 3_600_000}, [7, 8, 9]),
        ({"until_ms": 2 * 3_600_000}, [0, 1, 2]),
        ({"since_ms": 2 * 3_600_000 + 1, "until_ms": 5 * 3_600_000 - 1}, [3, 4]),
        ({"kinds": ("alarm",)}, [0, 3, 6, 9]),
        ({"kinds": ("alarm",), "last": 2}, [6, 9]),
        ({"kinds": ("alarm", "note"), "last": 3}, [7, 8, 9]),
        ({"after_id": 8}, [8, 9]),
        ({"kinds": ("command",)}, []),
    ],
)
def test_only_the_rows_asked_for_are_read(
    wanted: dict[str, object], hours: list[int], tmp_path: Path
) -> None:
    filled(tmp_path)
    assert [row.at_ms for row in read(tmp_path, **wanted)] == hours  # type: ignore[arg-type]


def test_it_can_be_read_while_it_is_written(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            for number in range(200):
                writing.tell([note(number)])
                await asyncio.sleep(0)
                if ears.durable:
                    known = len(ears.durable)
                    assert len(await asyncio.to_thread(read, tmp_path)) >= known

    asyncio.run(main())


def test_a_copy_taken_mid_write_in_a_folder_nobody_may_write_is_read_whole(
    tmp_path: Path,
) -> None:
    ears = Ears()

    async def main(copy: Path) -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(number) for number in range(100)])
            await until(lambda: len(ears.durable) == 100)
            for name in ("journal.db", "journal.db-wal"):
                shutil.copyfile(tmp_path / name, copy / name)

    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        asyncio.run(main(copy))
        copy.chmod(0o555)
        with as_nobody():
            assert len(read(copy)) == 100
        copy.chmod(0o755)


@contextmanager
def as_nobody() -> Iterator[None]:
    """Give up root's right to write everywhere, for a while."""
    was = os.geteuid()
    if was == 0:
        os.seteuid(65_534)
    try:
        yield
    finally:
        os.seteuid(was)


def test_no_journal_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="no journal in"):
        read(tmp_path)


def test_a_file_that_is_no_database_is_said_so(tmp_path: Path) -> None:
    journal_path(tmp_path).write_bytes(b"this was never a database\n" * 40)
    with pytest.raises(JournalError, match="cannot be read"):
        read(tmp_path)


def test_the_last_full_charge_is_remembered(tmp_path: Path) -> None:
    stamps = Stamps()

    async def main() -> None:
        async with journal(tmp_path, Ears(), stamps=stamps) as writing:
            for stamps.wall in (1_000, 2_000, 3_000):
                what = "full-charge" if stamps.wall < 3_000 else "stop"
                writing.tell([NoteFact(at_ms=1, what=what, text="")])

    filled(tmp_path)
    assert last_full_ms(tmp_path) is None
    asyncio.run(main())
    assert last_full_ms(tmp_path) == 2_000


def test_a_journal_of_a_newer_version_is_refused_and_left_alone(tmp_path: Path) -> None:
    filled(tmp_path)
    with closing(sqlite3.connect(journal_path(tmp_path))) as other:
        other.execute(f"PRAGMA user_version = {newest_version() + 1}")
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = journal_path(tmp_path).read_bytes()
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(1)])
            await until(lambda: bool(ears.written))

    asyncio.run(main())
    assert journal_path(tmp_path).read_bytes() == before
    assert "newer Tocsin" in ears.troubles[0]
    assert ears.durable == []
    with pytest.raises(JournalError, match="newer Tocsin"):
        read(tmp_path)


def test_a_database_of_another_program_is_refused_and_left_alone(
    tmp_path: Path,
) -> None:
    with closing(sqlite3.connect(journal_path(tmp_path))) as other:
        other.execute("CREATE TABLE ours (x)")
        other.commit()
    before = journal_path(tmp_path).read_bytes()
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears):
            await until(lambda: bool(ears.troubles))

    asyncio.run(main())
    assert "another program" in ears.troubles[0]
    with closing(sqlite3.connect(journal_path(tmp_path))) as other:
        assert other.execute("SELECT name FROM sqlite_schema").fetchall() == [("ours",)]
    assert len(journal_path(tmp_path).read_bytes()) == len(before)
