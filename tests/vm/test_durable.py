"""What is missing or broken after a cut is noticed, and nothing else is."""

from __future__ import annotations

import asyncio
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest
from tests.vm.build import GUEST
from tests.vm.durable import Owed, Said, digest, examined, row_digest

from journal_stage import Ears, journal, note, until
from tocsin.journal import read
from tocsin_config import load

if TYPE_CHECKING:
    from pathlib import Path

    from tests.vm.durable import Left

SITE = load(GUEST / "site.toml").site


@pytest.fixture
def said(tmp_path: Path) -> Said:
    """Twenty rows in a real journal, each reported."""

    async def write() -> None:
        ears = Ears()
        async with journal(tmp_path, ears) as made:
            made.tell([note(n) for n in range(20)])
            await until(lambda: len(ears.durable) == 20)

    asyncio.run(write())
    told = Said()
    for row in read(tmp_path):
        told.hear(f"row {row_digest(row)}\n".encode())
    assert len(told.rows) == 20
    return told


def left(folder: Path, said: Said) -> Left:
    return examined(folder, SITE, said, said.owed())


def test_a_sound_folder_lacks_nothing(tmp_path: Path, said: Said) -> None:
    found = left(tmp_path, said)
    assert (found.damage, found.lost_rows, found.lost_samples) == ((), 0, 0)


def test_a_row_that_is_gone_is_missed_only_if_it_was_owed(
    tmp_path: Path, said: Said
) -> None:
    with closing(sqlite3.connect(tmp_path / "journal.db")) as connection:
        connection.execute("DELETE FROM event WHERE id = 20")
        connection.commit()
    assert left(tmp_path, said).lost_rows == 1
    owed = Owed(rows=19, kept=0, saved={})
    assert examined(tmp_path, SITE, said, owed).lost_rows == 0


def test_a_row_whose_text_has_changed_is_missed(tmp_path: Path, said: Said) -> None:
    with closing(sqlite3.connect(tmp_path / "journal.db")) as connection:
        connection.execute("UPDATE event SET subject = 'x' WHERE id = 7")
        connection.commit()
    assert left(tmp_path, said).lost_rows == 1


def test_a_sample_that_was_reported_and_is_not_there_is_missed(
    tmp_path: Path, said: Said
) -> None:
    said.hear(b"kept left 1000\nkept right 1000\n")
    found = left(tmp_path, said)
    assert found.lost_samples == 2
    assert "no history" in found.damage[0]


def test_a_file_that_is_no_database_any_more_is_damage(
    tmp_path: Path, said: Said
) -> None:
    for path in tmp_path.glob("journal.db*"):
        path.unlink()
    (tmp_path / "journal.db").write_bytes(b"SQLite" + bytes(9_000))
    assert left(tmp_path, said).damage


def test_a_file_that_was_set_aside_is_damage(tmp_path: Path, said: Said) -> None:
    (tmp_path / "journal-damaged-1.db").touch()
    assert left(tmp_path, said).damage == ("journal-damaged-1.db was set aside",)


@pytest.mark.parametrize("name", ["counts.json", "learned.json"])
def test_half_a_small_file_is_damage(tmp_path: Path, said: Said, name: str) -> None:
    (tmp_path / name).write_text('{"version": 1, "sav')
    (damage,) = left(tmp_path, said).damage
    assert name in damage


def test_an_older_small_file_is_counted_and_a_newer_one_is_not(
    tmp_path: Path, said: Said
) -> None:
    path = tmp_path / "notes.json"
    for text in ("one", "two"):
        said.hear(f"saved notes.json {digest(text)}\n".encode())
    for text, is_older in (("one", True), ("two", False), ("three", False)):
        path.write_text(text)
        assert left(tmp_path, said).older_files == is_older
    path.unlink()
    assert left(tmp_path, said).older_files == 1


def test_a_line_that_the_cut_took_half_of_was_never_said() -> None:
    told = Said()
    told.hear(b"row aa\nrow b")
    told.cut()
    told.hear(b"row cc\n")
    assert told.rows == ["aa", "cc"]


def test_a_report_that_came_in_two_pieces_is_one() -> None:
    told = Said()
    told.hear(b'look {"journal.db": "o')
    told.hear(b'k"}\nkept left 12\n')
    assert told.looks == [{"journal.db": "ok"}]
    assert told.kept == [("left", 12)]
