"""Make a reference set of traces: ``python -m tests.forecast.generate FOLDER``.

Needs the ``truth`` extra (PyBaMM). Each trace has its own seed, so a set can be made
again, and another seed makes another set. What is there already is not made again.
"""

from __future__ import annotations

import argparse
import json
import warnings
from bisect import bisect_right
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

from tests.forecast.quick import QuickCell
from tests.forecast.scenes import HOUR_S, KINDS, NAMEPLATE_AH, Scene
from tests.forecast.truth import TrueCell
from tests.forecast.weeks import LONG_KINDS

LOW_V, HIGH_V, COLD_C = 2.80, 3.75, 5.0
HOT_C, COOL_C = 45.0, 42.0
RISK_EVERY_S = 120.0
BURST_MEMORY_S = 4 * HOUR_S


class TrueBank:
    """The cells of a scene, its loads and its protector, second by second."""

    def __init__(self, scene: Scene, random: Random) -> None:
        self.scene = scene
        graphite = random.randrange(2)
        make_cell = QuickCell if scene.is_quick else TrueCell
        self.cells: list[TrueCell | QuickCell] = [
            make_cell(
                capacity_ah=NAMEPLATE_AH * capacity,
                soc=round(min(0.98, max(0.02, soc)), 3),
                graphite=graphite,
                diffusion=scene.diffusion,
                ohm_ah=0.07 * scene.resistance * random.uniform(0.9, 1.1),
                temp_c=scene.start_c + random.uniform(-0.4, 0.4),
            )
            for capacity, soc in zip(scene.capacities, scene.socs, strict=True)
        ]
        self.in_series = len(self.cells) // scene.strings
        self.currents = [0.0] * scene.strings
        self.at_s = 0.0
        self.is_off = False
        self.events: list[dict[str, Any]] = []
        self.risk: list[list[float]] = []
        self._edges = scene.edges()
        self._looked_s = 0.0
        self._is_cold = self._is_hot = False

    def strings(self) -> list[list[TrueCell | QuickCell]]:
        """Return the cells, string by string."""
        n = self.in_series
        return [self.cells[k : k + n] for k in range(0, len(self.cells), n)]

    def _length_s(self) -> float:
        length = self.scene.step_s
        if max(cell.volts for cell in self.cells) > 3.42 and self.currents[0] > 0:
            length = min(length, 10.0)
        k = bisect_right(self._edges, self.at_s)
        if k < len(self._edges):
            length = min(length, max(1.0, self._edges[k] - self.at_s))
        row_s = self.scene.row_s
        return max(row_s, round(length / row_s) * row_s)

    def _wanted_a(self, at_s: float) -> float:
        """Return the bank's current; a load is constant power, so volts count."""
        total = NAMEPLATE_AH * self.scene.strings
        mean_v = sum(cell.volts for cell in self.cells) / len(self.cells) or 3.3
        load = 0.0 if self.is_off else self.scene.load(at_s)
        net = self.scene.sun(at_s) - load * 3.2 / max(mean_v, 2.5)
        limit = self.scene.absorb_v_per_cell
        if limit is not None and net > 0 and mean_v > limit - 0.02:
            ohm = 0.12 / NAMEPLATE_AH
            held = sum(self.currents) - (mean_v - limit) / ohm * self.scene.strings
            return max(0.0, min(net * total, held))
        return net * total

    def _shared(self, wanted_a: float) -> list[float]:
        if self.scene.strings == 1:
            return [wanted_a]
        ohm = 0.15 / NAMEPLATE_AH * self.in_series
        emfs = [
            sum(cell.volts or 3.3 for cell in string) - current * ohm
            for string, current in zip(self.strings(), self.currents, strict=True)
        ]
        bus_v = (wanted_a * ohm + sum(emfs)) / len(emfs)
        return [(bus_v - emf) / ohm for emf in emfs]

    def advance(self) -> list[tuple[float, list[float], list[float]]]:
        """Return (second, volts of every cell, string currents) rows of one step."""
        length = self._length_s()
        row_s = self.scene.row_s
        rows = round(length / row_s)
        self.currents = self._shared(self._wanted_a(self.at_s))
        air_c = self.scene.air_c(self.at_s)
        volts = [
            cell.step(current, length, air_c, rows=rows)
            for string, current in zip(self.strings(), self.currents, strict=True)
            for cell in string
        ]
        made = [
            (self.at_s + (k + 1) * row_s, [v[k] for v in volts], list(self.currents))
            for k in range(rows)
        ]
        self.at_s += length
        return made

    def look_for_risk(self) -> None:
        """Branch the truth: would the largest burst of late cut off now?"""
        if self.at_s - self._looked_s < RISK_EVERY_S or self.is_off:
            return
        self._looked_s = self.at_s
        bursts = [
            use
            for use in self.scene.uses
            if use.is_burst and self.at_s - BURST_MEMORY_S < use.from_s < self.at_s
        ]
        weakest = min(self.cells, key=lambda cell: cell.volts)
        is_near = weakest.volts < 3.22 and self.currents[0] < 0
        if not bursts or not is_near:
            return
        burst = max(bursts, key=lambda use: use.rate * (use.to_s - use.from_s))
        amps = sum(self.currents) - burst.rate * NAMEPLATE_AH * self.scene.strings
        branch = replace(weakest)
        lasts_s = burst.to_s - burst.from_s
        each_a = amps / self.scene.strings
        volts = branch.step(each_a, lasts_s, weakest.temp_c, rows=10)
        if min(volts) > LOW_V:
            return
        if self.risk and self.at_s - self.risk[-1][1] < RISK_EVERY_S * 3:
            self.risk[-1][1] = self.at_s
        else:
            self.risk.append([self.at_s, self.at_s])

    def protect(self, at_s: float, volts: list[float]) -> bool:
        """Note a cut-off; True if the trace ends with it."""
        coldest = min(cell.temp_c for cell in self.cells)
        if self.scene.cold_counts and coldest <= COLD_C and not self._is_cold:
            self._is_cold = True
            self._note("cold", at_s, [cell.temp_c for cell in self.cells], low=True)
        hottest = max(cell.temp_c for cell in self.cells)
        if hottest >= HOT_C and not self._is_hot:
            self._note("hot", at_s, [cell.temp_c for cell in self.cells], low=False)
        self._is_hot = hottest >= (COOL_C if self._is_hot else HOT_C)
        if min(volts) < LOW_V and not self.is_off:
            self._note("low_cell", at_s, volts, low=True)
            self.is_off = True
            return self.scene.after_cut_off == "end"
        if max(volts) > HIGH_V:
            self._note("high_cell", at_s, volts, low=False)
            return True
        if self.is_off and min(volts) > 3.32:
            self.is_off = False
        return False

    def _note(self, kind: str, at_s: float, values: list[float], *, low: bool) -> None:
        worst = values.index(min(values) if low else max(values))
        note: dict[str, Any] = {"kind": kind, "t_s": at_s, "cell": worst + 1}
        is_burst = kind == "low_cell" and any(
            use.is_burst and use.from_s <= at_s <= use.to_s for use in self.scene.uses
        )
        if is_burst:
            near = [a for a, b in self.risk if a <= at_s <= b + RISK_EVERY_S * 3]
            note["vulnerable_since_s"] = near[-1] if near else at_s
        self.events.append(note)


class Recorder:
    """Writes what imperfect sensors would have said."""

    def __init__(self, scene: Scene, random: Random, path: Path) -> None:
        self.scene, self.random = scene, random
        self.file = path.open("w", encoding="utf-8")
        self.in_series = len(scene.socs) // scene.strings
        cells = [f"cell_v_{k + 1}" for k in range(self.in_series)]
        temps = [f"temp_c_{k + 1}" for k in range(self.in_series)]
        header = ["t_s", "pack", "current_a", "soc_pct", *cells, *temps]
        self.file.write(",".join(header) + "\n")
        said = sum(scene.socs) / len(scene.socs) + random.gauss(0, 0.03)
        self.said = [min(1.0, max(0.0, said))] * scene.strings
        self.counter_gain = random.gauss(0, 0.01)

    def row(
        self, at_s: float, volts: list[float], currents: list[float], temps: list[float]
    ) -> None:
        """Write one row a string, or none where the bus was silent."""
        random, n = self.random, self.in_series
        for k, current in enumerate(currents):
            counted_a = current * (1 + self.counter_gain) + self.scene.counter_drift_a
            moved = counted_a * self.scene.row_s / HOUR_S / NAMEPLATE_AH
            said = self.said[k] + moved
            self.said[k] = min(1.0, max(0.0, said))
        if random.random() < self.scene.missing:
            return
        if any(a <= at_s <= a + lasts for a, lasts in self.scene.gaps):
            return
        for k, current in enumerate(currents):
            seen = current * (1 + self.scene.gain) + self.scene.offset_a
            cells_v = [
                f"{v + random.gauss(0, 0.002):.3f}" for v in volts[k * n : k * n + n]
            ]
            warmth = [f"{c:.1f}" for c in temps[k * n : k * n + n]]
            name = "left" if k == 0 else "right"
            percent = f"{self.said[k] * 100:.0f}" if self.scene.says_charge else ""
            self.file.write(
                ",".join(
                    [f"{at_s:.0f}", name, f"{seen:.1f}", percent, *cells_v, *warmth]
                )
                + "\n"
            )


def run(scene: Scene, seed: int, path: Path | None) -> TrueBank:
    """Play *scene* to its end; write the trace if there is a *path*."""
    bank = TrueBank(scene, Random(seed))
    recorder = None if path is None else Recorder(scene, Random(seed + 1), path)
    while bank.at_s < scene.hours * HOUR_S:
        rows = bank.advance()
        temps = [cell.temp_c for cell in bank.cells]
        ends = False
        for at_s, volts, currents in rows:
            if recorder is not None:
                recorder.row(at_s, volts, currents, temps)
            ends = bank.protect(at_s, volts)
            if ends:
                break
        if ends:
            break
        bank.look_for_risk()
    if recorder is not None:
        recorder.file.close()
    return bank


def name_of(kind: str, seed: int) -> str:
    """Return the name of a trace."""
    return f"{kind.replace(' ', '-')}-{seed}"


def make(kind: str, seed: int, folder: Path) -> dict[str, Any]:
    """Make one trace and return its entry of the index."""
    warnings.simplefilter("ignore")
    scene = (KINDS | LONG_KINDS)[kind](Random(seed))
    name = name_of(kind, seed)
    bank = run(scene, seed, folder / f"{name}.csv")
    entry: dict[str, Any] = {
        "id": name,
        "file": f"{name}.csv",
        "kind": kind,
        "duration_s": bank.at_s,
        "cells": bank.in_series,
        "packs": scene.strings,
        "row_s": scene.row_s,
        "nameplate_ah": NAMEPLATE_AH,
        "absorb_v": scene.absorb_v_per_cell
        and scene.absorb_v_per_cell * bank.in_series,
        "low_cell_v": LOW_V,
        "high_cell_v": HIGH_V,
        "cold_charge_c": COLD_C if scene.cold_counts else -30.0,
        "cutoff": bank.events[-1] if bank.events else None,
        "prior_cutoffs": bank.events[:-1],
        "risk": bank.risk,
        "rescue_s": scene.rescue_s,
        "restart_s": scene.restart_s,
    }
    if scene.rescue_s is not None:
        endless = [
            replace(use, to_s=1e9) if use.to_s == scene.rescue_s else use
            for use in scene.uses
        ]
        other = replace(scene, uses=endless, sun=lambda _: 0.0)
        cuts = [e for e in run(other, seed, None).events if e["kind"] == "low_cell"]
        entry["would_cut_s"] = cuts[0]["t_s"] if cuts else None
    print(f"{name}: {bank.at_s / HOUR_S:.1f} h, {bank.events[-1:]}", flush=True)
    return entry


def make_set(folder: Path, jobs: list[tuple[str, int]], workers: int) -> None:
    """Make the traces of *jobs*, (kind, seed) each, that are not in *folder* yet."""
    folder.mkdir(parents=True, exist_ok=True)
    index = folder / "index.json"
    traces = json.loads(index.read_text())["traces"] if index.exists() else []
    there = {entry["id"] for entry in traces}
    jobs = [(k, n) for k, n in jobs if name_of(k, n) not in there]
    with ProcessPoolExecutor(workers) as pool:
        kinds, seeds = [kind for kind, _ in jobs], [seed for _, seed in jobs]
        for entry in pool.map(make, kinds, seeds, [folder] * len(jobs)):
            traces.append(entry)
            index.write_text(json.dumps({"traces": traces}, indent=1))


def main() -> None:
    """Make a set."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1, help="of the first trace")
    parser.add_argument("--each", type=int, default=4, help="traces of each kind")
    parser.add_argument("--kinds", nargs="*", help="only these kinds")
    parser.add_argument("--weeks", action="store_true", help="the kinds that last long")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    kinds = args.kinds or list(LONG_KINDS if args.weeks else KINDS)
    jobs = [(k, args.seed + n) for n in range(args.each) for k in kinds]
    make_set(args.folder, jobs, args.workers)


if __name__ == "__main__":
    main()
