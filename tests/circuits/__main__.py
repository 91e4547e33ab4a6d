"""Judge random sites twice: ``python -m tests.circuits --sites 3000``.

The program and the formulas of `tests.circuits.oracle` judge the same site files. What
the one calls fine and the other unsafe is printed; exit code 1 if there is any.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from pathlib import Path

from tests.circuits.compare import compared


def main() -> int:
    """Compare, print, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=3_000)
    parser.add_argument("--seed", type=int, default=1, help="of the first site")
    args = parser.parse_args()
    verdicts: Counter[tuple[str, str]] = Counter()
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        for n in range(args.sites):
            wrong += compared(args.seed + n, Path(folder), verdicts)
            if (n + 1) % 500 == 0:
                print(f"{n + 1} sites, {len(wrong)} wrong", flush=True)
    checks = sorted({check for check, _ in verdicts})
    for check in checks:
        said = {v: n for (c, v), n in sorted(verdicts.items()) if c == check}
        print(f"{check:20}", ", ".join(f"{n} {v}" for v, n in said.items()))
    print(*wrong, sep="\n")
    print(f"{args.sites} sites, {sum(verdicts.values())} verdicts, {len(wrong)} wrong")
    return int(bool(wrong))


raise SystemExit(main())
