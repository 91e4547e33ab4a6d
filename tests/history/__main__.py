"""Kills many times, with and without a full disk, and prints what was lost.

python -m tests.history 50         kills, half of them with a disk that is full at times
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from history_kills import killed
from history_victim import BATCH_MS, EVERY_S

if TYPE_CHECKING:
    from history_kills import Killed


def missing(numbers: list[int]) -> int:
    return numbers[-1] - len(set(numbers))


def main() -> int:
    count, chance = int(sys.argv[1]), random.Random(7)
    for how in ((), ("--full",)):
        found: list[Killed] = []
        for _ in range(count // 2):
            with tempfile.TemporaryDirectory() as folder:
                found.append(killed(Path(folder), chance.uniform(0.2, 0.9), *how))
        broken = [
            k
            for k in found
            if missing(k.journal)
            or missing(k.history)
            or k.journal[-1] < k.rows
            or k.history[-1] < k.kept
        ]
        lost = sorted(k.lost for k in found)
        print(
            f"{'full at times' if how else 'never full':14}: {len(found)} kills, "
            f"{sum(k.rows for k in found)} rows and {sum(k.kept for k in found)} "
            f"samples said to be on the disk, {len(broken)} kills with one missing; "
            f"samples not yet written: median {lost[len(lost) // 2]}, most {lost[-1]} "
            f"(a batch is {BATCH_MS / EVERY_S / 1000:.0f} when nothing else runs)"
        )
        if broken:
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
