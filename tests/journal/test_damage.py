"""Files that are damaged, cut short, deleted or replaced, before or while in use."""

from __future__ import annotations

import asyncio
import os
import shutil
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from journal_stage import Ears, Stamps, journal, kept, note, notes, until
from tocsin.journal import read
from tocsin.journal.rows import journal_path
from tocsin.journal.store import MOST_ASIDE

if TYPE_CHECKING:
    from pathlib import Path


# --- damaged -------------------------------------------------------------------------


async def fill(folder: Path, ears: Ears, count: int) -> None:
    async with journal(folder, ears) as writing:
        writing.tell([note(number) for number in range(1, count + 1)])


@pytest.mark.parametrize("damage", ["no database", "in the middle", "cut short"])
def test_a_damaged_file_is_set_aside_and_a_new_one_begun(
    damage: str, tmp_path: Path
) -> None:
    asyncio.run(fill(tmp_path, Ears(), 500))
    path = journal_path(tmp_path)
    whole = path.read_bytes()
    bad = {
        "no database": b"this was never a database\n" * 400,
        "in the middle": whole[:16_384] + b"\xff" * 8_192 + whole[24_576:],
        "cut short": whole[: len(whole) // 2],
    }[damage]
    path.write_bytes(bad)
    ears = Ears()
    asyncio.run(fill(tmp_path, ears, 3))
    subjects = [row.subject for row in read(tmp_path)]
    assert subjects == ["journal-damaged", "test", "test", "test"]
    (aside,) = tmp_path.glob("journal-damaged-*.db")
    assert aside.read_bytes() == bad, "kept as it was, for whoever can mend it"
    assert aside.name in notes(tmp_path, "journal-damaged")[0]
    assert "damaged" in ears.troubles[0]
    assert ears.troubles[-1] == ""


@pytest.mark.parametrize("kept_bytes", [0, 4_096, 20_000])
def test_a_file_cut_short_while_it_is_written_is_set_aside(
    kept_bytes: int, tmp_path: Path
) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(number) for number in range(3_000)])
            await until(lambda: len(ears.durable) == 3_000)
            with closing(sqlite3.connect(journal_path(tmp_path))) as other:
                other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            writing.tell([note(3_001)])  # so that it is known how large it was
            await until(lambda: len(ears.durable) == 3_001)
            os.truncate(journal_path(tmp_path), kept_bytes)
            writing.tell([note(3_002)])
            await until(lambda: ears.troubles[-1:] == [""])

    asyncio.run(main())
    assert [row.subject for row in read(tmp_path)] == ["journal-damaged", "test"]
    assert kept(tmp_path) == [3_002]
    assert "damaged" in ears.troubles[0]


def test_a_file_made_smaller_in_good_order_is_not_called_damaged(
    tmp_path: Path,
) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(number) for number in range(3_000)])
            await until(lambda: len(ears.durable) == 3_000)
            writing.tell([note(3_000)])
            await until(lambda: len(ears.durable) == 3_001)
            with closing(sqlite3.connect(journal_path(tmp_path))) as other:
                other.execute("DELETE FROM event WHERE id BETWEEN 100 AND 2900")
                other.commit()
                other.execute("VACUUM")
                other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            writing.tell([note(3_001)])

    asyncio.run(main())
    assert ears.troubles == []
    assert [row.at_ms for row in read(tmp_path, last=2)] == [3_000, 3_001]


def test_a_disk_that_damages_every_file_is_not_filled_with_them(
    tmp_path: Path,
) -> None:
    ears = Ears()
    for number in range(MOST_ASIDE):
        (tmp_path / f"journal-damaged-{number}.db").write_bytes(b"")
    journal_path(tmp_path).write_bytes(b"this was never a database\n" * 400)

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.troubles) > 1)
            (tmp_path / "journal-damaged-0.db").unlink()
            await until(lambda: ears.troubles[-1] == "")
        assert writing.lost == 0

    asyncio.run(main())
    assert "damaged ones lie in" in ears.troubles[1]
    assert kept(tmp_path) == [1]


# --- deleted or replaced -------------------------------------------------------------


def test_a_folder_that_is_deleted_is_made_again_and_the_loss_said(
    tmp_path: Path,
) -> None:
    folder, ears = tmp_path / "deep" / "journal", Ears()

    async def main() -> None:
        async with journal(folder, ears) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.durable) == 1)
            shutil.rmtree(tmp_path / "deep")
            writing.tell([note(2)])
            await until(lambda: ears.troubles[-1:] == [""])

    asyncio.run(main())
    assert [row.subject for row in read(folder)] == ["journal-replaced", "test"]
    assert kept(folder) == [2]
    assert "deleted" in ears.troubles[0]


def test_a_deleted_file_is_noticed_even_when_nothing_happens(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears, idle_s=0.02) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.durable) == 1)
            journal_path(tmp_path).unlink()
            await until(lambda: ears.troubles[-1:] == [""])

    asyncio.run(main())
    assert "deleted" in ears.troubles[0]
    assert [row.subject for row in read(tmp_path)] == ["journal-replaced"]


def test_another_file_of_the_same_name_is_noticed_and_continued(
    tmp_path: Path,
) -> None:
    """As when a backup is put back while the daemon runs."""
    ears, backup = Ears(), tmp_path / "backup"
    asyncio.run(fill(backup, Ears(), 2))

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(7)])
            await until(lambda: len(ears.durable) == 1)
            journal_path(backup).rename(journal_path(tmp_path))
            writing.tell([note(8)])
            await until(lambda: ears.troubles[-1:] == [""])

    asyncio.run(main())
    assert kept(tmp_path) == [1, 2, 8]
    assert "replaced" in ears.troubles[0]
    assert len(notes(tmp_path, "journal-replaced")) == 1


def test_a_file_damaged_while_it_is_written_is_set_aside_too(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears, stamps=Stamps()) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.durable) == 1)
            garbage = tmp_path / "garbage"
            garbage.write_bytes(b"this was never a database\n" * 400)
            garbage.rename(journal_path(tmp_path))
            writing.tell([note(2)])
            await until(lambda: ears.troubles[-1:] == [""])

    asyncio.run(main())
    assert kept(tmp_path) == [2]
    assert len([*tmp_path.glob("journal-damaged-*.db")]) == 1


def test_rows_reach_the_file_when_only_its_log_is_deleted(tmp_path: Path) -> None:
    ears, copy = Ears(), tmp_path / "copy"

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(1)])
            await until(lambda: len(ears.durable) == 1)
            journal_path(tmp_path).with_name("journal.db-wal").unlink()
            writing.tell([note(2)])
            await until(lambda: len(ears.durable) == 2)
            shutil.copytree(tmp_path, copy)  # as a power cut would find it

    asyncio.run(main())
    assert kept(copy) == [1, 2]
