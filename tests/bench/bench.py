"""Measures what Tocsin costs, beside the barest program that does the same.

    python tests/bench/bench.py                  all of it but the soak: ten minutes
    python tests/bench/bench.py replay           rows per second through the core
    python tests/bench/bench.py replay --profile where the time goes
    python tests/bench/bench.py idle memory --seconds 600
    python tests/bench/bench.py soak --hours 2 --speed 20

replay    CPU for each row of a recorded day, beside reading the same CSV
idle      CPU of a daemon with 5 packs at 1 Hz, beside a bare loop with the same reads
memory    its memory, beside that loop and beside an interpreter with the same imports
written   bytes that the idle daemon hands to its disk in a day
start     from process start to the first safe step
reaction  from an answer on the wire to the level on the pin
scale     what each cell costs in banks of 16 to 4,096 cells
soak      hours of empty and full at many times real time, watched for growth

Figures are printed and never asserted: they belong to the machine they come from, and
to whatever else it does. Compare ratios.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.bench_core import bench_replay, bench_scale
from tests.bench.bench_idle import bench_idle, bench_start
from tests.bench.bench_reaction import bench_reaction
from tests.bench.bench_soak import soak
from tests.bench.table import Row, print_table

DAY_ROWS = 86_400
EVERY = (
    *("replay", "idle", "memory", "written", "start", "reaction", "scale"),
    *("soak", "all"),
)
IDLE = {"idle", "memory", "written"}


def measured(args: argparse.Namespace, wanted: set[str]) -> list[Row]:
    """Measure what is wanted, one thing after the other."""
    rows: list[Row] = []
    if "replay" in wanted:
        rows += bench_replay(args.rows, is_profiled=args.profile)
    if IDLE & wanted:
        rows += bench_idle(args.seconds, sorted(IDLE & wanted))
    if "start" in wanted:
        rows += bench_start(args.starts)
    if "reaction" in wanted:
        rows += bench_reaction(args.seconds)
    if "scale" in wanted:
        rows += bench_scale(args.looks)
    return rows


def arguments() -> argparse.Namespace:
    """Return what to do, or end with 2."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add = parser.add_argument
    add("what", nargs="*", metavar="WHAT", help=f"any of {', '.join(EVERY)}")
    add("--seconds", type=float, default=120.0, help="how long to watch (default 120)")
    add("--rows", type=int, default=DAY_ROWS, help=f"of the trace (default {DAY_ROWS})")
    add("--looks", type=int, default=300, help="at each pack, for scale (default 300)")
    add("--starts", type=int, default=5, help="of the daemon (default 5)")
    add("--profile", action="store_true", help="of the replay")
    add("--hours", type=float, default=2.0, help="of the soak (default 2)")
    add("--speed", type=float, default=20.0, help="of the soak (default 20)")
    add("--every-s", type=float, default=60.0, help="between its lines (default 60)")
    args = parser.parse_args()
    if unknown := set(args.what) - set(EVERY):
        parser.error(f"no {', '.join(sorted(unknown))}; there are {', '.join(EVERY)}")
    for name in ("seconds", "rows", "looks", "starts", "hours", "speed", "every_s"):
        if not getattr(args, name) > 0:
            parser.error(f"--{name.replace('_', '-')} is more than 0")
    return args


def main() -> int:
    """Measure, print the table, and return 1 only if a soak was not flat."""
    args = arguments()
    wanted = set(args.what) or {"all"}
    if "all" in wanted:
        wanted |= set(EVERY) - {"soak", "all"}
    load = os.getloadavg()[0]
    print(
        f"{platform.machine()}, Python {platform.python_version()}, "
        f"{os.cpu_count()} cores under a load of {load:.1f}"
    )
    if rows := measured(args, wanted):
        print()
        print_table(rows)
    if "soak" in wanted:
        return 0 if soak(args.hours, args.speed, args.every_s) else 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
