"""The file's schema: brought up to date, or refused and left as it was."""

from __future__ import annotations

import asyncio
import hashlib
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from journal_stage import Ears, journal, note, until
from tocsin.journal import JournalError, read, store
from tocsin.journal.rows import journal_path
from tocsin.journal.schema import Migration, migrate, migrations, newest_version

if TYPE_CHECKING:
    from pathlib import Path


async def tell_one(folder: Path, ears: Ears, number: int = 1) -> None:
    async with journal(folder, ears) as writing:
        writing.tell([note(number)])
        await until(lambda: bool(ears.written))


def opened(folder: Path) -> closing[sqlite3.Connection]:
    return closing(sqlite3.connect(journal_path(folder), isolation_level=None))


NEXT = Migration(
    version=newest_version() + 1,
    name="9999_next.sql",
    text="ALTER TABLE event ADD COLUMN shift TEXT;\nCREATE INDEX i ON event (shift);",
)
BROKEN = Migration(
    version=newest_version() + 1,
    name="9999_broken.sql",
    text="ALTER TABLE event ADD COLUMN shift TEXT;\nCREATE INDEX i ON nothing (x);",
)


def test_migrations_are_numbered_from_1_without_a_gap() -> None:
    versions = [step.version for step in migrations()]
    assert versions == list(range(1, len(versions) + 1))


def test_a_new_file_records_every_step_of_its_schema(tmp_path: Path) -> None:
    asyncio.run(tell_one(tmp_path, Ears()))
    with opened(tmp_path) as connection:
        recorded = connection.execute(
            "SELECT version, name, sha256 FROM migration"
        ).fetchall()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
    assert recorded == [
        (step.version, step.name, hashlib.sha256(step.text.encode()).hexdigest())
        for step in migrations()
    ]
    assert version == newest_version()


def test_a_file_of_an_older_version_is_brought_up_to_date(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asyncio.run(tell_one(tmp_path, Ears(), 1))
    monkeypatch.setattr(store, "migrations", lambda: (*migrations(), NEXT))
    monkeypatch.setattr("tocsin.journal.schema.newest_version", lambda: NEXT.version)
    asyncio.run(tell_one(tmp_path, Ears(), 2))
    asyncio.run(tell_one(tmp_path, Ears(), 3))
    assert [row.at_ms for row in read(tmp_path)] == [1, 2, 3]
    with opened(tmp_path) as connection:
        names = connection.execute("SELECT name FROM migration").fetchall()
        assert connection.execute("SELECT shift FROM event").fetchall() == [(None,)] * 3
    assert names == [(step.name,) for step in (*migrations(), NEXT)]


def test_a_step_that_fails_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    asyncio.run(tell_one(tmp_path, Ears()))
    with opened(tmp_path) as connection:
        before = list(connection.iterdump())
        with pytest.raises(sqlite3.OperationalError):
            migrate(connection, [BROKEN], wall_ms=0)
        assert list(connection.iterdump()) == before
        assert connection.execute("PRAGMA user_version").fetchone() == (
            newest_version(),
        )


def test_a_step_another_process_has_done_is_not_done_again(tmp_path: Path) -> None:
    asyncio.run(tell_one(tmp_path, Ears()))
    with opened(tmp_path) as connection:
        migrate(connection, [NEXT], wall_ms=0)
        migrate(connection, [NEXT], wall_ms=0)
        names = connection.execute("SELECT name FROM migration").fetchall()
    assert names.count((NEXT.name,)) == 1


@pytest.mark.parametrize("mode", ["wal", "delete"])
def test_a_journal_of_a_newer_version_is_refused_and_left_alone(
    mode: str, tmp_path: Path
) -> None:
    asyncio.run(tell_one(tmp_path, Ears()))
    with opened(tmp_path) as other:
        other.execute(f"PRAGMA user_version = {newest_version() + 1}")
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        other.execute(f"PRAGMA journal_mode = {mode}")
    before = journal_path(tmp_path).read_bytes()
    ears = Ears()
    asyncio.run(tell_one(tmp_path, ears))
    assert journal_path(tmp_path).read_bytes() == before
    assert "newer Tocsin" in ears.troubles[0]
    assert ears.written == [(note(1), False)]
    with pytest.raises(JournalError, match="newer Tocsin"):
        list(read(tmp_path))


@pytest.mark.parametrize("mode", ["wal", "delete"])
def test_a_database_of_another_program_is_refused_and_left_alone(
    mode: str, tmp_path: Path
) -> None:
    with opened(tmp_path) as other:
        other.execute(f"PRAGMA journal_mode = {mode}")
        other.execute("CREATE TABLE theirs (x)")
    before = journal_path(tmp_path).read_bytes()
    ears = Ears()
    asyncio.run(tell_one(tmp_path, ears))
    assert journal_path(tmp_path).read_bytes() == before
    assert "another program" in ears.troubles[0]
    with pytest.raises(JournalError, match="another program"):
        list(read(tmp_path))


def test_a_log_that_another_program_left_behind_is_not_folded_in(
    tmp_path: Path,
) -> None:
    """As after its crash: its newest rows stand in its log alone."""
    live = tmp_path / "live"
    live.mkdir()
    with opened(live) as other:
        other.execute("PRAGMA journal_mode = wal")
        other.execute("CREATE TABLE theirs (x)")
        for name in ("journal.db", "journal.db-wal"):
            (tmp_path / name).write_bytes((live / name).read_bytes())
    before = {p.name: p.read_bytes() for p in tmp_path.glob("journal.db*")}
    ears = Ears()
    asyncio.run(tell_one(tmp_path, ears))
    assert "another program" in ears.troubles[0]
    after = {name: (tmp_path / name).read_bytes() for name in before}
    assert after == before


def test_once_the_foreign_file_is_moved_away_the_journal_begins(
    tmp_path: Path,
) -> None:
    with opened(tmp_path) as other:
        other.execute("CREATE TABLE theirs (x)")
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(1)])
            await until(lambda: bool(ears.written))
            journal_path(tmp_path).rename(tmp_path / "theirs.db")
            await until(lambda: ears.troubles[-1] == "")
        assert writing.lost == 0

    asyncio.run(main())
    assert [row.at_ms for row in read(tmp_path)] == [1]
