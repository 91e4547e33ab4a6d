"""Shows that a change for speed changed no decision: two trees, the same traces.

    git worktree add /tmp/before main
    python tests/bench/bench_same.py /tmp/before

Each trace is replayed by this tree and by the other one, with forecasts, and what they
print is compared byte for byte; only the last line, which tells the speed, is left out.
The traces are a day of the replay benchmark and seeded wanderings through empty, full,
cold and hot, with gaps, missing values and values that cannot be.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import subprocess
import sys
import tempfile
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.rig import CELLS, HERE, HOUSES, HUT

if TYPE_CHECKING:
    from collections.abc import Iterator

TEMPS = 4
CAPACITY_AH = 280.0
PACKS = ("left", "right")
STRINGS = {"parallel": "", "series": 'string = "A"\n'}
CURRENTS_A = (-250.0, -120.0, -60.0, -20.0, 0.0, 0.0, 40.0, 110.0, 180.0)

CALLS = """\
[[output]]
name = "set"
role = "generator-call"
[[output]]
name = "warm"
role = "heater-call"
"""
PACK = '[[pack]]\nname = "{name}"\ndriver = "trace"\n'


def wandering(seed: int, rows: int) -> Iterator[str]:
    """Yield the lines of a trace: two packs that a stranger drives about."""
    dice = random.Random(seed)
    cells = ",".join(f"cell_v_{n}" for n in range(1, CELLS + 1))
    temps = ",".join(f"temp_c_{n}" for n in range(1, TEMPS + 1))
    yield f"t_s,pack,current_a,soc_pct,{cells},{temps}"
    charge = {name: dice.uniform(0.1, 0.9) for name in PACKS}
    spread = {name: [dice.gauss(0, 0.01) for _ in range(CELLS)] for name in PACKS}
    warmth_c, trend_k, current_a = dice.uniform(2, 35), 0.0, 0.0
    silent = dict.fromkeys(PACKS, 0)
    for t_s in range(rows // len(PACKS)):
        if dice.random() < 1 / 900:
            current_a = dice.choice(CURRENTS_A)
        if dice.random() < 1 / 600:
            trend_k = dice.uniform(-0.01, 0.01)
        warmth_c = min(62.0, max(-25.0, warmth_c + trend_k))
        for name in PACKS:
            if dice.random() < 1 / 2_000:
                silent[name] = dice.randint(2, 40)
            flows_a = current_a * (0.5 if name == "left" else 0.55)
            charge[name] += flows_a / 3_600 / CAPACITY_AH
            charge[name] = min(1.01, max(-0.01, charge[name]))
            if silent[name]:
                silent[name] -= 1
                continue
            volts = [
                cell_v(charge[name] + more, flows_a) + dice.gauss(0, 0.0005)
                for more in spread[name]
            ]
            warm = [f"{warmth_c + 0.4 * n:.1f}" for n in range(TEMPS)]
            said = spoilt(dice, flows_a, charge[name], volts)
            yield ",".join([str(t_s), name, *said, *warm])


def spoilt(
    dice: random.Random, flows_a: float, charge: float, volts: list[float]
) -> list[str]:
    """Return current, charge and cells, now and then missing or impossible."""
    cells = [f"{volt:.3f}" for volt in volts]
    current, soc = f"{flows_a:.1f}", f"{100 * min(1.0, max(0.0, charge)):.0f}"
    match dice.randrange(1_500):
        case 0:
            cells[dice.randrange(CELLS)] = "65.535"
        case 1:
            current = ""
        case 2:
            cells[3] = ""
        case 3:
            soc = ""
        case _:
            pass
    return [current, soc, *cells]


def cell_v(charge: float, flows_a: float) -> float:
    """Return a voltage that looks like an LFP cell's: flat, with a knee at each end."""
    empty, full = max(0.0, 0.1 - charge), max(0.0, charge - 0.97)
    return 3.2 + 0.13 * charge - 60 * empty**2 + 9 * full + 0.0006 * flows_a


def replayed(tree: Path, site: Path, trace: Path) -> list[str]:
    """Return what the replay of *tree* prints, without its last line."""
    paths = os.pathsep.join(str(tree / house) for house in HOUSES)
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "tocsin",
            "replay",
            site,
            trace,
            "--json",
            "--forecasts",
        ],
        env=os.environ | {"PYTHONPATH": paths},
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    return done.stdout.splitlines()[:-1]


def compared(other: Path, site: Path, trace: Path) -> bool:
    """Print whether both trees say the same of *trace*, and return it."""
    mine, theirs = (replayed(tree, site, trace) for tree in (HERE.parents[1], other))
    name = f"{trace.stem}, {site.stem}"
    if mine == theirs:
        digest = hashlib.sha256("\n".join(mine).encode()).hexdigest()[:16]
        print(f"same:      {name}: {len(mine)} lines, sha256 {digest}")
        return True
    for number, (here, there) in enumerate(zip_longest(mine, theirs), start=1):
        if here != there:
            print(
                f"different: {name}: line {number}\n  here:  {here}\n  there: {there}"
            )
            break
    return False


def main() -> None:
    """Compare, and end with 1 if anything differs."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("other", type=Path, help="the tree to compare with")
    parser.add_argument("--seeds", type=int, default=4, help="wanderings (default 4)")
    parser.add_argument("--rows", type=int, default=20_000, help="of each trace")
    args = parser.parse_args()
    if not (args.other / "daemon" / "tocsin").is_dir():
        parser.error(f"{args.other} holds no tocsin")
    if args.seeds < 0 or args.rows <= 0:
        parser.error("--seeds is 0 or more, --rows more than 0")
    is_same = True
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        alone = folder / "alone.toml"
        alone.write_text(
            HUT.format(folder=folder, cells=CELLS) + CALLS + PACK.format(name="left")
        )
        day = folder / "day.csv"
        subprocess.run(
            [sys.executable, HERE / "bench_trace.py", day, str(args.rows)], check=True
        )
        is_same &= compared(args.other, alone, day)
        for seed in range(args.seeds):
            trace = folder / f"wandering-{seed}.csv"
            trace.write_text("\n".join(wandering(seed, args.rows)) + "\n")
            for kind, string in STRINGS.items():
                site = folder / f"{kind}.toml"
                packs = "".join(PACK.format(name=name) + string for name in PACKS)
                site.write_text(HUT.format(folder=folder, cells=CELLS) + CALLS + packs)
                is_same &= compared(args.other, site, trace)
    raise SystemExit(0 if is_same else 1)


if __name__ == "__main__":
    main()
