"""Simulate the whole daemon in virtual time: ``python -m tests.faults --seeds 1..200``.

Each seed makes a site, a bank with weather and loads, and a plan of what goes wrong;
the daemon runs on it, is killed and started again. After every step the invariants of
`tests.faults.checks` are looked for from outside. The same seed tells the same story.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
from functools import partial
from multiprocessing import Pool
from threading import Event
from typing import TYPE_CHECKING

from tests.faults.campaign import Result, run_seed
from tests.faults.tally import Tally

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

EVERY_S = 20.0


def main() -> int:
    """Run what was asked for and return the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults", description=__doc__.splitlines()[0]
    )
    parser.add_argument("--seeds", default="1..100", help="A..B, or one seed")
    parser.add_argument("--days", type=float, default=1.0, help="of each seed")
    parser.add_argument(
        "--calm",
        type=float,
        default=1.0,
        metavar="N",
        help="for long lives: faults N times more rarely, and less looking around",
    )
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--until-s", type=float, default=0, help="stop after so long")
    parser.add_argument("--trace", action="store_true", help="print each seed's hash")
    parser.add_argument("--planted", action="store_true", help="find planted bugs")
    args = parser.parse_args()
    if args.planted:
        from tests.faults.planted import hunt  # noqa: PLC0415 it changes the product

        return hunt(seeds=range(1, 201), days=args.days)
    first, _, last = args.seeds.partition("..")
    seeds = range(int(first), int(last or first) + 1)
    return campaign(
        seeds,
        partial(run_seed, days=args.days, calm=args.calm),
        again=f"--days {args.days:g} --calm {args.calm:g}",
        workers=args.workers,
        until_s=args.until_s,
        trace=args.trace,
    )


def campaign(
    seeds: range,
    play: Callable[[int], Result],
    *,
    again: str,
    workers: int,
    until_s: float,
    trace: bool,
) -> int:
    """Play *seeds*, print progress and totals, and return the exit code.

    *again* is what plays one of them like that from the command line.

    SIGTERM or Ctrl-C ends it behind the seed that is being played, with its totals.
    """
    stopped = Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopped.set())
    begun_s = said_s = time.perf_counter()
    total, done, simulated, failures = Tally(), 0, 0.0, 0
    for result in _results(seeds, play, workers):
        done += 1
        simulated += result.days
        total.add(result.tally)
        if trace:
            print(result.seed, result.digest)
        if result.failure:
            failures += 1
            _tell(result, again)
        now_s = time.perf_counter()
        if now_s - said_s > EVERY_S:
            said_s = now_s
            pace = done / (now_s - begun_s)
            print(
                f"{done} of {len(seeds)} seeds, {simulated:.1f} days, {pace:.2f} a s,"
                f" {failures} failed",
                flush=True,
            )
        if stopped.is_set() or (until_s and now_s - begun_s > until_s):
            print("stopped as asked for")
            break
    _totals(total, done, simulated, failures, time.perf_counter() - begun_s)
    return 1 if failures else 0


def _results(
    seeds: range, play: Callable[[int], Result], workers: int
) -> Iterable[Result]:
    if workers == 1:
        yield from map(play, seeds)
        return
    with Pool(workers, _let_be_ended) as pool:
        yield from pool.imap_unordered(play, seeds)


def _let_be_ended() -> None:
    """Leave it to the first process when to end; it ends this one with SIGTERM."""
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _tell(result: Result, again: str) -> None:
    print(f"\nseed {result.seed} FAILED: {result.failure}")
    print(*result.story[-60:], sep="\n")
    print(f"again: python -m tests.faults --seeds {result.seed} {again}\n")
    sys.stdout.flush()


def _totals(
    total: Tally, done: int, simulated: float, failures: int, took_s: float
) -> None:
    counts = total.counts
    print(f"{done} seeds, {failures} failed, {simulated:.1f} simulated days")
    cpu_s = sum(os.times()[:4])
    print(
        f"{took_s:.0f} s, {done / took_s:.2f} seeds/s, {simulated / took_s:.2f} days/s"
    )
    print(f"{cpu_s:.0f} s of CPU, {simulated / cpu_s:.2f} days a second of it")
    for what, count in sorted(counts.items()):
        print(f"  {what:24} {count:>10}")
    print("faults that took place:")
    for what, count in sorted(total.faults.items()):
        print(f"  {what:24} {count:>10}")


if __name__ == "__main__":
    raise SystemExit(main())
