"""Measures a year of history of 5 packs of 16 cells, by the writer the daemon has.

    python tests/bench/bench_history.py               about four minutes
    python tests/bench/bench_history.py --days 1      a rougher guess, sooner

Three days (by default) are written second by second and thinned as the daemon does it.
The rest of the year gets the thinned blocks of such a day once a day, under its own
dates, through the same store, with the same dropping. Bytes written are what the
process hands to the kernel (``wchar`` of /proc/self/io), less what a run that writes
nothing hands over; a file system adds to that. Figures belong to their machine.
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from history_stage import DAY_S, WALL_MS, Clock, Noisy, site
from tocsin.history import reader
from tocsin.history.kinds import FILE_NAME, Tier
from tocsin.history.store import Store
from tocsin.history.thin import Block
from tocsin.history.writer import TENDING_MS, Keeper
from tocsin.ports import HistorySpec

if TYPE_CHECKING:
    from collections.abc import Callable

PACKS, YEAR = 5, 365
AIM_MB, AIM_MB_A_DAY, AIM_MS = 600, 100, 200
DAY_MS = DAY_S * 1000


def written_bytes() -> int:
    lines = Path("/proc/self/io").read_text("ascii").splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("wchar")))


def say(text: str) -> None:
    print(text, flush=True)


def write_days(keeper: Keeper, clock: Clock, days: int, batch_s: int) -> None:
    """Write whole days at one sample a second and pack; print what each one cost."""
    packs = [Noisy(f"p{n}") for n in range(1, PACKS + 1)]
    for day in range(days):
        begun, before, working_s = time.perf_counter(), written_bytes(), 0.0
        for start_s in range(day * DAY_S, (day + 1) * DAY_S, batch_s):
            heard = [
                p.at(t_s) for t_s in range(start_s, start_s + batch_s) for p in packs
            ]
            clock.wall = WALL_MS + (start_s + batch_s) * 1000
            working_s -= time.perf_counter()
            keeper.keep(heard)
            keeper.tend()
            working_s += time.perf_counter()
        mb = (written_bytes() - before) / 1e6
        size = keeper.store.used_bytes() / 1e6
        say(
            f"day {day + 1}: {mb:.1f} MB handed to the kernel (aim: {AIM_MB_A_DAY}), "
            f"file {size:.1f} MB, {working_s:.1f} s of the writer's work, "
            f"{time.perf_counter() - begun:.0f} s in all"
        )


def thinned_blocks(path: Path) -> list[Block]:
    """Return the thinned blocks of the first whole day in UTC."""
    first = -(-WALL_MS // DAY_MS) * DAY_MS
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute(
            "SELECT tier, pack, from_ms, to_ms, rows, names, data FROM block "
            "JOIN layout ON layout.id = layout_id "
            "WHERE tier > 0 AND from_ms BETWEEN ? AND ?",
            (first, first + DAY_MS - 1),
        ).fetchall()
    return [
        Block(
            tier=Tier(tier),
            pack=pack,
            from_ms=from_ms,
            to_ms=to_ms,
            rows=count,
            names=tuple(names.split()),
            data=data,
        )
        for tier, pack, from_ms, to_ms, count, names, data in rows
    ]


def write_year(store: Store, blocks: list[Block]) -> None:
    """Give each earlier day of the year the thinned blocks of a day."""
    for back in range(YEAR, 0, -1):
        shift = -back * DAY_MS
        store.append(
            [
                replace(b, from_ms=b.from_ms + shift, to_ms=b.to_ms + shift)
                for b in blocks
            ]
        )


def timed(what: Callable[[], object], times: int = 7) -> tuple[float, float]:
    """Return milliseconds of wall time and of our own CPU time, medians."""
    took: list[tuple[float, float]] = []
    for _ in range(times):
        begun = time.perf_counter(), time.process_time()
        what()
        ended = time.perf_counter(), time.process_time()
        took.append((ended[0] - begun[0], ended[1] - begun[1]))
    wall_s, cpu_s = (median(each) for each in zip(*took, strict=True))
    return wall_s * 1000, cpu_s * 1000


def plots(folder: Path, now_ms: int) -> None:
    week = 7 * DAY_MS
    cells = [f"cell/{n}" for n in range(1, 17)]
    for what, names, span_ms, end_ms in (
        ("one week, one cell", ["cell/7"], week, now_ms),
        ("one week, sixteen cells", cells, week, now_ms),
        ("one week half a year ago, sixteen cells", cells, week, now_ms - 180 * DAY_MS),
        ("one day, sixteen cells", cells, DAY_MS, now_ms),
        ("one hour, sixteen cells", cells, DAY_MS // 24, now_ms),
        ("the year, sixteen cells", cells, YEAR * DAY_MS, now_ms),
    ):

        def ask(
            names: list[str] = names, span_ms: int = span_ms, end_ms: int = end_ms
        ) -> list[reader.Series]:
            return reader.series(
                folder, "p3", names, since_ms=end_ms - span_ms, until_ms=end_ms
            )

        count = len(ask()[0].points)
        wall_ms, cpu_ms = timed(ask)
        say(
            f"  {what}: {wall_ms:.0f} ms (CPU {cpu_ms:.0f} ms), {count} points a cell "
            f"(aim: {AIM_MS} ms)"
        )


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--days", type=int, default=3)
    asked.add_argument("--batch", type=int, default=60, help="seconds")
    args = asked.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder, clock = Path(name), Clock()
        made = site(folder, packs=PACKS)
        keeper = Keeper(Store(folder, HistorySpec()), made, clock.wall_ms)
        say(f"{PACKS} packs of 16 cells, 16 sensors and forecasts, one sample a second")
        write_days(keeper, clock, args.days, args.batch)
        clock.wall += 2 * TENDING_MS
        keeper.tend()
        blocks = thinned_blocks(folder / FILE_NAME)
        if not any(block.tier is Tier.QUARTER for block in blocks):
            sys.exit("no whole day was written: ask for --days 3")
        begun = time.perf_counter()
        write_year(keeper.store, blocks)
        sizes = {
            tier: sum(len(b.data) for b in blocks if b.tier is tier) / 1e6
            for tier in (Tier.MINUTE, Tier.QUARTER)
        }
        say(
            f"a day of minutes: {sizes[Tier.MINUTE]:.2f} MB, of quarters: "
            f"{sizes[Tier.QUARTER]:.3f} MB; {YEAR} days of both in "
            f"{time.perf_counter() - begun:.0f} s"
        )
        used = keeper.store.used_bytes() / 1e6
        keeper.store.close()
        on_disk = (folder / FILE_NAME).stat().st_size / 1e6
        say(
            f"a year with all minutes: {used:.0f} MB in use, {on_disk:.0f} MB on disk "
            f"(aim: {AIM_MB})"
        )
        plots(folder, clock.wall)


if __name__ == "__main__":
    main()
