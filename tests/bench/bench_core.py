"""How fast the core goes: a recorded day, and banks from 16 to 4,096 cells."""

from __future__ import annotations

import cProfile
import csv
import gc
import io
import json
import pstats
import resource
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.rig import CELLS, HERE, run, say, site_text
from tests.bench.table import Row

from tocsin.core.audit import faults
from tocsin.core.engine import step
from tocsin.core.events import LocalTime, Reading
from tocsin.core.model import Sample
from tocsin.core.state import fresh
from tocsin.replay import Played, play
from tocsin.trace import read_trace
from tocsin_config import load

if TYPE_CHECKING:
    from tocsin.core.site import Site

AIM_ROWS_PER_S = 5_000
LEFT = '[[pack]]\nname = "left"\ndriver = "trace"\n'
SIZES = (16, 64, 256, 1_024, 4_096)
LIVES = 16
"""One pack lives so often, and so many packs once: few steps are soon disturbed."""


def bench_replay(rows: int, *, is_profiled: bool) -> list[Row]:
    """Print and return the speed of a replay, beside reading the same file alone."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        site, trace = folder / "site.toml", folder / "day.csv"
        site.write_text(site_text(folder, LEFT))
        say(f"writing a trace of {rows} rows")
        run(str(HERE / "bench_trace.py"), str(trace), str(rows))
        say("replaying")
        begun = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = run("-m", "tocsin", "replay", str(site), str(trace), "--json")
        ended = resource.getrusage(resource.RUSAGE_CHILDREN)
        used_s = ended.ru_utime + ended.ru_stime - begun.ru_utime - begun.ru_stime
        *events, last = done.splitlines()
        told = json.loads(last)
        print(
            f"replay: {told['rows']} rows of {CELLS} cells, {len(events)} events, "
            f"in {told['wall_s']:.1f} s: {told['rows_per_s']} rows/s "
            f"(aim: {AIM_ROWS_PER_S} or more)"
        )
        print(
            f"  the whole command took {used_s:.1f} CPU s: {rows / used_s:.0f} rows a "
            "CPU second; what is beyond it others took, or waiting"
        )
        if is_profiled:
            profile_replay(site, trace)
        read_s = read_alone_s(trace)
    return [
        Row("replay, CPU (ours at most 200)", "us/row", 1e6 * used_s / rows,
            1e6 * read_s / rows),
    ]  # fmt: skip


def read_alone_s(trace: Path) -> float:
    """Return the CPU seconds that it takes to read every number of a trace."""
    begun_s = time.process_time()
    with trace.open(encoding="utf-8", newline="") as file:
        rows = csv.reader(file)
        next(rows)
        for t_s, _pack, *numbers in rows:
            _ = float(t_s), [float(number) for number in numbers]
    return time.process_time() - begun_s


def profile_replay(site: Path, trace: Path) -> None:
    """Print where the time of a replay goes."""
    setup = load(site)
    profile = cProfile.Profile()
    profile.enable()
    for _ in play(read_trace(trace), setup.site, Played()):
        pass
    profile.disable()
    text = io.StringIO()
    pstats.Stats(profile, stream=text).sort_stats("tottime").print_stats(25)
    print(text.getvalue())


def bench_scale(looks: int) -> list[Row]:
    """Print and return what a cell costs, in ever larger packs and ever more packs.

    The yardstick is the cost in the smallest bank; 1.2 is linear within a fifth.
    """
    say("stepping through banks from 16 to 4096 cells")
    rows: list[Row] = []
    kinds = {
        "one pack": [
            (1, size) for size in SIZES if size <= 400
        ],  # the site file's most
        "packs of 16": [(size // CELLS, CELLS) for size in SIZES],
    }
    for kind, banks in kinds.items():
        first: float | None = None
        for packs, cells in banks:
            each_us = cell_us(packs, cells, looks)
            what = f"a cell, {kind}, {packs * cells} cells"
            rows.append(Row(what, "us/reading", each_us, first, 1.2))
            first = first or each_us
    return rows


def cell_us(packs: int, cells: int, looks: int) -> float:
    """Return the CPU time that a step and its audit take for each cell read."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "site.toml"
        tables = "".join(
            f'[[pack]]\nname = "pack-{n}"\ndriver = "trace"\n' for n in range(packs)
        )
        path.write_text(site_text(Path(name), tables, cells=cells))
        site = load(path).site
    again = max(1, LIVES // packs)
    used_us = [_life_us(site, packs, cells, looks) for _ in range(again)]
    return sum(used_us) / len(used_us) / cells


def _life_us(site: Site, packs: int, cells: int, looks: int) -> float:
    """Return the mean CPU time of a step in a life of so many looks at each pack.

    Each reading is made as it is needed: what a decoder hands over is as fresh.
    """
    state = step(fresh(site, now_ms=0), LocalTime(at_ms=0, day_ms=0), site).state
    used_s = 0.0
    gc.collect()
    for look in range(1, looks + 1):
        for n in range(packs):
            event = Reading(
                at_ms=1_000 * look, pack=f"pack-{n}", sample=sampled(look, n, cells)
            )
            begun_s = time.process_time()
            outcome = step(state, event, site)
            wrong = faults(outcome, site)
            used_s += time.process_time() - begun_s
            assert not wrong
            state = outcome.state
    return 1e6 * used_s / (looks * packs)


def sampled(look: int, pack: int, cells: int) -> Sample:
    """Return a quiet reading that is never twice the same."""
    return Sample(
        cells_mv=tuple(3_290 + (7 * look + 5 * k + pack) % 5 for k in range(cells)),
        temps_dc=(200, 203, 205, 210),
        current_ma=-10_000 - look % 7,
        voltage_mv=3_292 * cells,
        soc_permille=500,
        beat=look % 60_000,
    )
