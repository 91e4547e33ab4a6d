"""Reading: while the daemon writes, afterwards, from copies, and on and on."""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
import tempfile
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from journal_stage import Ears, Stamps, alarm, as_nobody, heard, journal, note
from tocsin.core.events import NoteFact
from tocsin.journal import JournalError, follow, last_full_ms, read, reader
from tocsin.journal.rows import journal_path

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

HOUR_MS = 3_600_000


def write(folder: Path, *numbers: int) -> None:
    async def main() -> None:
        async with journal(folder, Ears()) as writing:
            writing.tell([note(number) for number in numbers])

    asyncio.run(main())


def write_ten_hours(folder: Path) -> None:
    """Write a row an hour, every third of them an alarm."""
    stamps = Stamps()

    async def main() -> None:
        async with journal(folder, Ears(), stamps=stamps) as writing:
            for hour in range(10):
                stamps.wall = hour * HOUR_MS
                writing.tell([alarm(hour) if hour % 3 == 0 else note(hour)])

    asyncio.run(main())


@pytest.mark.parametrize(
    ("wanted", "hours"),
    [
        ({}, [0, 1, 2, 3, 4, 5, 6, 7, 8, 9]),
        ({"since_ms": 7 * HOUR_MS - 1}, [7, 8, 9]),
        ({"since_ms": 7 * HOUR_MS}, [7, 8, 9]),
        ({"since_ms": 7 * HOUR_MS + 1}, [8, 9]),
        ({"until_ms": 2 * HOUR_MS - 1}, [0, 1]),
        ({"until_ms": 2 * HOUR_MS}, [0, 1, 2]),
        ({"until_ms": 2 * HOUR_MS + 1}, [0, 1, 2]),
        ({"since_ms": 2 * HOUR_MS + 1, "until_ms": 5 * HOUR_MS - 1}, [3, 4]),
        ({"kinds": ("alarm",)}, [0, 3, 6, 9]),
        ({"kinds": ["alarm", "note"], "last": 3}, [7, 8, 9]),
        ({"kinds": ("alarm",), "last": 2}, [6, 9]),
        ({"kinds": ("alarm",), "last": 9}, [0, 3, 6, 9]),
        ({"last": 0}, []),
        ({"last": 1, "until_ms": 4 * HOUR_MS}, [4]),
        ({"after_id": 8}, [8, 9]),
        ({"kinds": ("command",)}, []),
        ({"kinds": ("command",), "last": 3}, []),
    ],
)
def test_only_the_rows_asked_for_are_read(
    wanted: dict[str, Any], hours: list[int], tmp_path: Path
) -> None:
    write_ten_hours(tmp_path)
    assert [row.at_ms for row in read(tmp_path, **wanted)] == hours


@pytest.mark.parametrize("count", [2, 3, 4, 6, 7])
def test_rows_come_whole_whatever_the_size_of_a_page(
    count: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reader, "PAGE", 3)
    write(tmp_path, *range(count))
    assert [row.at_ms for row in read(tmp_path)] == list(range(count))


def test_it_can_be_read_while_it_is_written(tmp_path: Path) -> None:
    ears = Ears()

    async def main() -> None:
        async with journal(tmp_path, ears) as writing:
            for number in range(200):
                writing.tell([note(number)])
                await asyncio.sleep(0)
                if known := len(ears.durable):
                    assert sum(1 for _ in read(tmp_path)) >= known

    asyncio.run(main())


def test_a_reader_that_pauses_keeps_the_log_from_growing_no_longer_than_a_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in ``tocsin journal ... | less``: the writer can fold its log in."""
    monkeypatch.setattr(reader, "PAGE", 10)
    write(tmp_path, *range(100))
    rows = read(tmp_path)
    assert next(rows).at_ms == 0
    write(tmp_path, 100)
    with closing(sqlite3.connect(journal_path(tmp_path))) as other:
        other.execute("PRAGMA busy_timeout = 0")
        busy, _, _ = other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy == 0
    assert len(list(rows)) == 100


@pytest.mark.parametrize("with_log", [True, False])
def test_a_copy_in_a_folder_nobody_may_write_is_read_whole(
    with_log: bool,  # noqa: FBT001
    tmp_path: Path,
) -> None:
    ears = Ears()

    async def main(copy: Path) -> None:
        async with journal(tmp_path, ears) as writing:
            writing.tell([note(number) for number in range(100)])
            await heard(ears, 100)
            if with_log:
                for name in ("journal.db", "journal.db-wal"):
                    shutil.copyfile(tmp_path / name, copy / name)
        if not with_log:
            shutil.copyfile(journal_path(tmp_path), journal_path(copy))

    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        asyncio.run(main(copy))
        names = sorted(path.name for path in copy.iterdir())
        copy.chmod(0o555)
        with as_nobody():
            assert len(list(read(copy))) == 100
        assert sorted(path.name for path in copy.iterdir()) == names
        copy.chmod(0o755)


def test_no_journal_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="there is no journal in"):
        list(read(tmp_path))
    assert not list(tmp_path.iterdir()), "and none is made by looking"


@pytest.mark.parametrize("bad", [b"this was never a database\n" * 40, b"\x00" * 5_000])
def test_a_file_that_is_no_database_is_said_so(bad: bytes, tmp_path: Path) -> None:
    journal_path(tmp_path).write_bytes(bad)
    with pytest.raises(JournalError, match="cannot be read"):
        list(read(tmp_path))
    assert journal_path(tmp_path).read_bytes() == bad


def test_damage_met_half_way_is_said_so(tmp_path: Path) -> None:
    write(tmp_path, *range(3_000))
    path = journal_path(tmp_path)
    whole = path.read_bytes()
    middle = len(whole) // 8_192 * 4_096
    path.write_bytes(whole[:middle] + b"\xff" * 40_960 + whole[middle + 40_960 :])
    found: list[int] = []
    with pytest.raises(JournalError, match="cannot be read"):
        found.extend(row.at_ms for row in read(tmp_path))
    assert found[:100] == list(range(100))


def test_a_file_that_is_only_just_made_has_no_rows(tmp_path: Path) -> None:
    journal_path(tmp_path).write_bytes(b"")
    assert list(read(tmp_path)) == []
    assert last_full_ms(tmp_path) is None


# --- the last full charge ------------------------------------------------------------


def test_the_last_full_charge_is_remembered(tmp_path: Path) -> None:
    stamps = Stamps()

    async def main() -> None:
        async with journal(tmp_path, Ears(), stamps=stamps) as writing:
            for stamps.wall in (1_000, 2_000, 3_000):
                what = "full-charge" if stamps.wall < 3_000 else "stop"
                writing.tell([NoteFact(at_ms=1, what=what, text="")])

    assert last_full_ms(tmp_path) is None, "no journal knows of none"
    write_ten_hours(tmp_path)
    assert last_full_ms(tmp_path) is None
    asyncio.run(main())
    assert last_full_ms(tmp_path) == 2_000


# --- following -----------------------------------------------------------------------


def script(*steps: Callable[[], None]) -> Callable[[], None]:
    """Return a pause that does the next of *steps* each time."""
    left = iter(steps)

    def pause() -> None:
        next(left)()

    return pause


def numbers(rows: Iterator[Any], count: int) -> list[int]:
    return [row.at_ms for row in islice(rows, count)]


def test_following_goes_on_with_each_new_row(tmp_path: Path) -> None:
    write(tmp_path, 1, 2, 3)
    pause = script(
        lambda: None, lambda: write(tmp_path, 4), lambda: write(tmp_path, 5, 6)
    )
    assert numbers(follow(tmp_path, last=2, pause=pause), 5) == [2, 3, 4, 5, 6]


def test_following_can_begin_with_what_is_to_come(tmp_path: Path) -> None:
    write(tmp_path, 1, 2, 3)
    pause = script(lambda: write(tmp_path, 4))
    assert numbers(follow(tmp_path, last=0, pause=pause), 1) == [4]


def test_following_goes_on_in_a_new_file_of_the_same_name(tmp_path: Path) -> None:
    write(tmp_path, 1, 2, 3)

    def begin_anew() -> None:
        journal_path(tmp_path).rename(tmp_path / "old.db")

    pause = script(begin_anew, lambda: write(tmp_path, 4))
    assert numbers(follow(tmp_path, pause=pause), 4) == [1, 2, 3, 4]


def test_following_a_kind_skips_the_others(tmp_path: Path) -> None:
    write(tmp_path, 1)
    pause = script(lambda: write_ten_hours(tmp_path))
    rows = follow(tmp_path, kinds=["alarm"], pause=pause)
    assert numbers(rows, 4) == [0, 3, 6, 9]
