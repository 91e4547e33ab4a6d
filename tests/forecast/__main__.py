"""Score a folder of traces: ``python -m tests.forecast SET``.

SET holds ``index.json`` and the traces it names (`tests.forecast.generate` makes such
a set; with ``--weeks SEED`` traces of weeks are made first, if they are not there yet,
which needs the ``truth`` extra). Printed: how the pre-warnings met the cut-offs, beside
fixed limits.
"""

from __future__ import annotations

import argparse
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from importlib import import_module
from pathlib import Path
from typing import Any

from tests.forecast.learning import learning_lines
from tests.forecast.listen import FIXED_V, core_s, fixed, listen
from tests.forecast.score import Result, judged, kind_lines, lines, share

WEEKS_EACH = 2


def _one(
    job: tuple[dict[str, Any], Path, float | None],
) -> tuple[Result, dict[float, Result], float, int]:
    entry, folder, restart = job
    restarts_s = () if restart is None else (restart * entry["duration_s"],)
    if restart is None and entry.get("restart_s"):
        restarts_s = (entry["restart_s"],)
    heard, seconds = listen(entry, folder, restarts_s)
    plain = {v: judged(entry, said) for v, said in fixed(entry, folder).items()}
    with (folder / entry["file"]).open(encoding="utf-8") as rows:
        updates = (sum(1 for _ in rows) - 1) * entry["cells"]
    return judged(entry, heard), plain, seconds, updates


def _make_weeks(folder: Path, seed: int, workers: int) -> None:
    generate = import_module("tests.forecast.generate")
    kinds = import_module("tests.forecast.weeks").LONG_KINDS
    jobs = [(kind, seed + n) for n in range(WEEKS_EACH) for kind in kinds]
    generate.make_set(folder, jobs, workers)


def main() -> None:
    """Score, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", metavar="SET", type=Path)
    parser.add_argument("--only", nargs="*", default=[], help="traces that begin so")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument(
        "--cost", type=int, default=3, help="traces to time the cost on"
    )
    parser.add_argument("--each", action="store_true", help="a line a trace as well")
    parser.add_argument(
        "--restart",
        type=float,
        metavar="SHARE",
        help="restart the daemon after so much of every trace, 0 to 1",
    )
    parser.add_argument(
        "--weeks", type=int, metavar="SEED", help="make traces of weeks"
    )
    args = parser.parse_args()
    if args.weeks is not None:
        _make_weeks(args.folder, args.weeks, args.workers)
    index = json.loads((args.folder / "index.json").read_text(encoding="utf-8"))
    entries = [
        entry
        for entry in index["traces"]
        if not args.only or any(entry["id"].startswith(word) for word in args.only)
    ]
    jobs = [(entry, args.folder, args.restart) for entry in entries]
    with ProcessPoolExecutor(args.workers) as pool:
        scored = list[tuple[Result, dict[float, Result], float, int]]()
        for each in pool.map(_one, jobs):
            scored.append(each)
            print(f"{len(scored)} of {len(jobs)}", end="\r", file=sys.stderr)
    results = [each[0] for each in scored]
    print("\n".join(lines(results)))
    print("\nby kind of trace")
    print("\n".join(kind_lines(results)))
    taught = learning_lines(results)
    if taught:
        print("\nwhat learning gains", *taught, sep="\n")
    print("\nfixed limits of the lowest cell, 30 s delay, low cut-offs")
    for limit_v in FIXED_V:
        print(_fixed_line(limit_v, [each[1][limit_v] for each in scored]))
    if args.each:
        for result in results:
            print(result.name, result.cutoffs, result.false_s)
    for entry, each in list(zip(entries, scored, strict=True))[: args.cost]:
        _, _, seconds, updates = each
        spent_s = seconds - core_s(entry, args.folder)
        print(f"cost of the forecast, {entry['id']}: {spent_s / updates * 1e6:.1f} us")


def _fixed_line(limit_v: float, results: list[Result]) -> str:
    cutoffs = [c for r in results for c in r.cutoffs if c.kind == "low_cell"]
    words = ", ".join(
        f"{word} {share(sum(c.word == word for c in cutoffs), len(cutoffs))}"
        for word in ("in window", "late", "missed", "early", "false early")
    )
    false = sum(len(r.false_s.get("low_cell", [])) for r in results)
    return f"  {limit_v:.2f} V: {words}; false {false}"


if __name__ == "__main__":
    main()
