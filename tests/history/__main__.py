"""Kills many times, with and without a full disk, and prints what was lost.

python -m tests.history 60        kills: a third with a disk that never fills, a third
                                  with one that takes nothing now and then, a third on
                                  a disk of 1 MB that fills (a tmpfs: root only)
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from history_kills import killed
from history_victim import BATCH_MS, EVERY_S

if TYPE_CHECKING:
    from collections.abc import Iterator

    from history_kills import Killed


def missing(numbers: list[int]) -> int:
    return numbers[-1] - len(set(numbers))


@contextmanager
def disk(kind: str) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        if kind != "of 1 MB":
            yield Path(name)
            return
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=1m", "none", name], check=True
        )
        try:
            yield Path(name)
        finally:
            subprocess.run(["umount", name], check=True)


def is_broken(left: Killed) -> bool:
    return bool(
        missing(left.journal)
        or missing(left.history)
        or left.journal[-1] < left.rows
        or left.history[-1] < left.kept
    )


def main() -> int:
    count, chance = int(sys.argv[1]), random.Random(7)
    kinds = ["never full", "full at times"]
    kinds += ["of 1 MB"] if os.geteuid() == 0 else []
    for kind in kinds:
        found: list[Killed] = []
        for _ in range(max(1, count // len(kinds))):
            how = ("--full",) if kind == "full at times" else ()
            longest_s = 4.0 if kind == "of 1 MB" else 0.9
            with disk(kind) as folder:
                found.append(killed(folder, chance.uniform(0.2, longest_s), *how))
        broken = sum(map(is_broken, found))
        lost = sorted(k.lost for k in found)
        print(
            f"disk {kind}: {len(found)} kills, {sum(k.rows for k in found)} rows and "
            f"{sum(k.kept for k in found)} samples said to be on the disk; kills with "
            f"one of these missing: {broken}; the history said it could not write "
            f"{sum(k.troubles for k in found)} times; samples not yet written at the "
            f"kill: median {lost[len(lost) // 2]}, most {lost[-1]} (a batch is "
            f"{BATCH_MS / EVERY_S / 1000:.0f} when nothing else runs)",
            flush=True,
        )
        if broken:
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
