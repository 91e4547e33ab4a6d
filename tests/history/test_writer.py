"""The room that keeps samples: it never holds up a step, and trouble is said."""

from __future__ import annotations

import asyncio
import random
import sqlite3
import threading
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from history_stage import WALL_MS, keeper, plain, site
from journal_stage import alarm, until
from tocsin.core.engine import Outcome, step
from tocsin.core.events import Reading, Tick
from tocsin.core.model import Sample
from tocsin.core.state import fresh
from tocsin.history import History, HistoryError, reader
from tocsin.ports import HistorySpec

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tocsin.core.site import Site


def history(folder: Path, made: Site, troubles: list[str], **changes: Any) -> History:
    spec = HistorySpec(**({"batch_ms": 20, "reserve_mb": 0} | changes.pop("spec", {})))
    values: dict[str, Any] = {"wall_ms": lambda: WALL_MS} | changes
    return History(
        folder, site=made, sha256="s", spec=spec, on_trouble=troubles.append, **values
    )


def outcomes(made: Site, count: int) -> Iterator[Outcome]:
    """Readings a second apart; cell 1 counts up from 3000 mV."""
    outcome = step(fresh(made, now_ms=0), Tick(at_ms=0), made)
    for i in range(count):
        sample = Sample(cells_mv=(3_000 + i,))
        event = Reading(at_ms=1000 * i, pack="p1", sample=sample)
        outcome = step(outcome.state, event, made)
        yield outcome


def kept(folder: Path) -> list[int]:
    found = reader.samples(folder, since_ms=0, until_ms=2**60)
    return [one.values["cell/1"] for one in found]


def test_each_sample_is_kept_once_however_many_steps_see_it(tmp_path: Path) -> None:
    made = site(tmp_path, cells=1)

    async def main() -> None:
        async with history(tmp_path, made, []) as room:
            for outcome in outcomes(made, 5):
                room.stepped(outcome)
                room.stepped(replace(outcome, facts=()))

    asyncio.run(main())
    assert kept(tmp_path) == [3_000, 3_001, 3_002, 3_003, 3_004]
    assert (reader.limits(tmp_path, WALL_MS) or {})["sha256"] == "s"


def test_a_hung_disk_holds_up_no_step_and_no_end(tmp_path: Path) -> None:
    made, hung = site(tmp_path, cells=1), threading.Event()
    taken: list[int] = []

    async def main() -> None:
        room = history(tmp_path, made, [], room=10)
        writer: Any = room._writer

        def hang(heard: Any) -> None:
            taken.append(len(heard))
            hung.wait(30)

        writer._keeper.keep = hang
        async with room:
            every = list(outcomes(made, 50))
            room.stepped(every[0])
            await until(lambda: bool(taken))
            for outcome in every:
                room.stepped(outcome)
        assert len(room._desk.heard) == 10, "the newest wait, bounded"
        assert room._desk.heard[-1].sample.cells_mv == (3_049,)
        hung.set()
        writer.join()

    asyncio.run(main())


def test_a_disk_that_takes_nothing_is_said_once_and_loses_nothing(
    tmp_path: Path,
) -> None:
    made = site(tmp_path, cells=1)
    troubles: list[str] = []

    async def main() -> None:
        room = history(tmp_path, made, troubles)
        store: Any = room._writer._keeper.store
        append, tries = store.append, 0

        def refuse(blocks: Any) -> None:
            nonlocal tries
            tries += 1
            if tries < 4:
                raise sqlite3.OperationalError("database or disk is full")
            append(blocks)

        store.append = refuse
        async with room:
            for outcome in outcomes(made, 5):
                room.stepped(outcome)
            await until(lambda: len(troubles) == 2)

    asyncio.run(main())
    assert "disk is full" in troubles[0]
    assert troubles[1:] == [""]
    assert kept(tmp_path) == [3_000, 3_001, 3_002, 3_003, 3_004]


def begun(folder: Path) -> list[int]:
    """Return what is kept; nothing while the file is still being made."""
    try:
        return kept(folder)
    except HistoryError:
        return []


def test_a_high_alarm_has_the_samples_before_it_written_at_once(tmp_path: Path) -> None:
    made = site(tmp_path, cells=1)

    async def main() -> None:
        async with history(tmp_path, made, [], spec={"batch_ms": 3_600_000}) as room:
            for outcome in outcomes(made, 5):
                room.stepped(outcome)
            room.tell([alarm(1)])
            await until(lambda: bool(begun(tmp_path)))

    asyncio.run(main())


def test_a_damaged_file_is_set_aside_and_a_new_one_begun(tmp_path: Path) -> None:
    path = reader.history_path(tmp_path)
    path.write_bytes(b"SQLite format 3\0" + bytes(5_000))
    made = site(tmp_path, cells=1)

    async def main() -> None:
        async with history(tmp_path, made, []) as room:
            for outcome in outcomes(made, 3):
                room.stepped(outcome)

    asyncio.run(main())
    assert kept(tmp_path) == [3_000, 3_001, 3_002]
    assert (tmp_path / "history-damaged.db").exists()


def test_another_program_s_database_is_left_alone(tmp_path: Path) -> None:
    path = reader.history_path(tmp_path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE theirs (x)")
    before = path.read_bytes()
    with pytest.raises(HistoryError, match="another program"):
        keeper(tmp_path, site(tmp_path, cells=1)).keep([plain(WALL_MS, 3_300)])
    assert path.read_bytes() == before
    with pytest.raises(HistoryError, match="another program"):
        reader.span(tmp_path)


def test_the_last_room_of_a_disk_is_left_to_the_journal(tmp_path: Path) -> None:
    made = site(tmp_path, cells=1)
    with pytest.raises(HistoryError, match="left to the journal"):
        keeper(tmp_path, made, reserve_mb=1e12).keep([plain(WALL_MS, 3_300)])
    assert reader.span(tmp_path) is None


def test_on_a_nearly_full_disk_the_oldest_samples_make_room(tmp_path: Path) -> None:
    made = site(tmp_path, cells=1)
    plenty = keeper(tmp_path, made)
    (block,) = plenty._blocks([plain(WALL_MS, 3_300)])
    bytes_of = random.Random(1).randbytes
    days = [WALL_MS + 86_400_000 * day for day in range(600)]
    plenty.store.append(
        [replace(block, from_ms=t, to_ms=t, data=bytes_of(4_000)) for t in days]
    )
    plenty.store.close()
    size = reader.history_path(tmp_path).stat().st_size
    tight = keeper(tmp_path, made, reserve_mb=1e12)
    newest_ms = days[-1] + 1
    tight.keep([plain(newest_ms, 3_300)])
    tight.store.close()
    assert reader.history_path(tmp_path).stat().st_size <= size
    first, last = reader.span(tmp_path) or (0, 0)
    assert first > WALL_MS
    assert last == newest_ms


def test_an_odd_sample_costs_its_batch_and_no_more(tmp_path: Path) -> None:
    made = site(tmp_path, cells=1)
    troubles: list[str] = []

    async def main() -> None:
        async with history(tmp_path, made, troubles) as room:
            odd, *rest = outcomes(made, 4)
            pack = odd.state.packs[0]
            broken = replace(pack, sample=Sample(cells_mv=(2**80,)))
            state = replace(odd.state, packs=(broken,))
            room.stepped(replace(odd, state=state))
            await until(lambda: bool(troubles))
            for outcome in rest:
                room.stepped(outcome)
            await until(lambda: len(troubles) == 2)

    asyncio.run(main())
    assert "1 samples cannot be kept: OverflowError" in troubles[0]
    assert kept(tmp_path) == [3_001, 3_002, 3_003]


def test_a_block_that_a_bad_disk_changed_is_a_gap(tmp_path: Path) -> None:
    made = keeper(tmp_path, site(tmp_path, cells=1))
    for minute in range(3):
        start = WALL_MS + 60_000 * minute
        made.keep([plain(start + 1000 * i, 3_000 + minute) for i in range(60)])
    made.store.close()
    with closing(sqlite3.connect(reader.history_path(tmp_path))) as connection:
        (data,) = connection.execute("SELECT data FROM block WHERE id = 2").fetchone()
        changed = bytes([*data[:-3], data[-3] ^ 1, *data[-2:]])
        connection.execute("UPDATE block SET data = ? WHERE id = 2", (changed,))
        connection.commit()
    assert sorted(set(kept(tmp_path))) == [3_000, 3_002]
