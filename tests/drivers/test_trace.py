"""A recorded trace, played as if its packs were there now."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import pytest

from leaping import leap, now_s
from tocsin.ports import DriverError, SourceSpec
from tocsin_drivers.trace import build

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable
    from pathlib import Path

    from tocsin_drivers.trace import TraceSources

    Play = Callable[[TraceSources], Awaitable[None]]

HEAD = "t_s,pack,current_a,soc_pct,cell_v_1"


def played(folder: Path, play: Play, *rows: str, speed: float = 1.0) -> None:
    """Play rows, with a loop whose time is its own and passes at once."""
    path = folder / "night.csv"
    path.write_text("\n".join((HEAD, *rows)) + "\n", encoding="utf-8")
    options = {"file": path, "speed": speed}
    specs = [
        SourceSpec(name=name, driver="trace", cells=1, options=options)
        for name in ("left", "right")
    ]

    async def main() -> None:
        await play(build(specs))

    leap(main())


async def cells(sources: TraceSources, name: str, count: int) -> list[tuple[Any, ...]]:
    """Read *count* times; return when and what, or what was wrong."""
    said: list[tuple[Any, ...]] = []
    async with sources.open(name) as pack:
        for _ in range(count):
            try:
                sample = await pack.read()
            except DriverError as exc:
                said.append((round(now_s(), 3), str(exc).rpartition(".csv")[2]))
            else:
                said.append((round(now_s(), 3), sample.cells_mv[0]))
    return said


ROWS = (
    "100,left,,,3.300",
    "100,right,,,3.200",
    "101,left,,,3.301",
    "103.5,left,,,3.302",
)


@pytest.mark.parametrize(("speed", "factor"), [(1.0, 1.0), (10.0, 10.0), (0.5, 0.5)])
def test_rows_come_at_their_own_times(
    tmp_path: Path, speed: float, factor: float
) -> None:
    async def play(sources: TraceSources) -> None:
        assert await cells(sources, "left", 4) == [
            (0.0, 3_300),
            (round(1 / factor, 3), 3_301),
            (round(3.5 / factor, 3), 3_302),
            (round(3.5 / factor, 3), " has ended"),
        ]

    played(tmp_path, play, *ROWS, speed=speed)


def test_a_late_reader_gets_the_newest_row_that_is_due(tmp_path: Path) -> None:
    async def play(sources: TraceSources) -> None:
        async with sources.open("left") as pack:
            await asyncio.sleep(1.0)
            await pack.read()
            await asyncio.sleep(3.6)
            assert (await pack.read()).cells_mv == (3_302,)

    played(tmp_path, play, *ROWS)


@pytest.mark.parametrize(("late_s", "is_lost"), [(1.9, False), (2.1, True)])
def test_an_old_row_is_not_what_the_pack_says_now(
    tmp_path: Path, late_s: float, *, is_lost: bool
) -> None:
    async def play(sources: TraceSources) -> None:
        async with sources.open("left") as pack:
            await pack.read()
            await asyncio.sleep(3.5 + late_s)
            if is_lost:
                with pytest.raises(DriverError, match="has ended"):
                    await pack.read()
            else:
                assert (await pack.read()).cells_mv == (3_302,)

    played(tmp_path, play, *ROWS)


def test_a_row_that_lacks_a_value_is_a_failed_reading(tmp_path: Path) -> None:
    async def play(sources: TraceSources) -> None:
        assert await cells(sources, "left", 3) == [
            (0.0, 3_300),
            (1.0, ": nothing was read"),
            (2.0, 3_302),
        ]

    played(tmp_path, play, "0,left,,,3.3", "1,left,,,", "2,left,,,3.302")


def test_a_pack_reopened_goes_on_where_time_is(tmp_path: Path) -> None:
    async def play(sources: TraceSources) -> None:
        assert await cells(sources, "left", 1) == [(0.0, 3_300)]
        await asyncio.sleep(0.5)
        assert await cells(sources, "left", 1) == [(1.0, 3_301)]

    played(tmp_path, play, *ROWS)


def test_packs_of_one_file_share_its_time(tmp_path: Path) -> None:
    async def play(sources: TraceSources) -> None:
        await cells(sources, "left", 2)
        assert await cells(sources, "right", 2) == [(1.0, 3_200), (1.0, " has ended")]

    played(tmp_path, play, *ROWS)


def test_a_pack_that_the_recording_does_not_have_is_lost(tmp_path: Path) -> None:
    async def play(sources: TraceSources) -> None:
        assert await cells(sources, "right", 1) == [(0.0, " has ended")]

    played(tmp_path, play, ROWS[0])


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ((), "holds no rows"),
        (("0,left,,,3.3", "1,left,,,x"), ":3: cell 'x' is not a number"),
    ],
)
def test_a_recording_that_cannot_be_read_says_where(
    tmp_path: Path, rows: tuple[str, ...], words: str
) -> None:
    async def play(sources: TraceSources) -> None:
        said = await cells(sources, "left", 3)
        assert words in said[-1][1]

    played(tmp_path, play, *rows)


def test_a_pack_without_a_file_exists_in_recordings_only() -> None:
    with pytest.raises(DriverError, match="right exists in recordings only"):
        build([SourceSpec(name="right", driver="trace", cells=1)])
