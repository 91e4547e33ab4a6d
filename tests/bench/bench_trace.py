"""Writes a recorded day for the replay benchmark. Arguments: path, number of rows."""

from __future__ import annotations

import math
import sys
from pathlib import Path

CELLS, TEMPS = 16, 4


def write_trace(path: Path, rows: int) -> None:
    """Write a day at 1 Hz: a cold night, and a cell nearly empty before dawn."""
    with path.open("w", encoding="utf-8") as file:
        cells = ",".join(f"cell_v_{n}" for n in range(1, CELLS + 1))
        temps = ",".join(f"temp_c_{n}" for n in range(1, TEMPS + 1))
        file.write(f"t_s,pack,current_a,soc_pct,{cells},{temps}\n")
        for t_s in range(rows):
            file.write(trace_row(t_s, rows))


def trace_row(t_s: int, rows: int) -> str:
    turn = math.tau * t_s / rows
    day = math.sin(turn)
    volts = [3.29 + 0.05 * day + 0.001 * ((t_s * 7 + n * 5) % 5) for n in range(CELLS)]
    volts[10] -= 0.4 * max(0.0, -day) ** 8
    temps = [9.0 + 8.0 * day + 0.5 * n for n in range(TEMPS)]
    fields = [
        str(t_s),
        "left",
        f"{60 * math.cos(turn):.1f}",
        f"{50 + 30 * day:.0f}",
        *(f"{volt:.3f}" for volt in volts),
        *(f"{temp:.1f}" for temp in temps),
    ]
    return ",".join(fields) + "\n"


write_trace(Path(sys.argv[1]), int(sys.argv[2]))
