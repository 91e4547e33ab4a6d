"""A trace through the real rules: what the core said, and what fixed limits would."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import TYPE_CHECKING, Any

from tests.forecast.score import Heard, Said, cutoffs_of

from tocsin.core.events import AlarmFact
from tocsin.core.forecast import FAR_MS, Limit
from tocsin.replay import Played, play
from tocsin.trace import read_trace
from tocsin_config import load

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.core.site import Site
    from tocsin.trace import Row

ALARMS = {
    "low-cell-forecast": "low_cell",
    "high-cell-forecast": "high_cell",
    "cold-forecast": "cold",
    "hot-forecast": "hot",
    "surge-risk": "surge",
}
INHIBITING = {"rising-cell", "high-cell", "high-cell-urgent"}
LIMITS = {
    Limit.LOW: "low_cell",
    Limit.HIGH: "high_cell",
    Limit.COLD: "cold",
    Limit.HOT: "hot",
}
"""Too hot to discharge is not judged: no trace gets there."""
FIXED_V = (3.20, 3.10, 3.00, 2.90)
FIXED_DELAY_S = 30.0
ACTIVE = {"unacknowledged", "acknowledged", "suppressed by design"}


def site_of(entry: dict[str, Any]) -> Site:
    """Return the site that a trace of the index was taken at."""
    packs = ["left", "right"][: entry["packs"]]
    absorb_v = entry.get("absorb_v")
    text = f"""
[bank]
capacity_ah = {entry["nameplate_ah"]}
cells_in_series = {entry["cells"]}
[protection]
low_cell_v = {entry["low_cell_v"]}
high_cell_v = {entry["high_cell_v"]}
cold_charge_c = {entry["cold_charge_c"]}
""" + (f"[charging]\nabsorption_v = {absorb_v}\n" if absorb_v else "")
    for pack in packs:
        text += f'[[pack]]\nname = "{pack}"\ndriver = "trace"\n'
    with TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(text, encoding="utf-8")
        return load(path).site


def listen(entry: dict[str, Any], folder: Path) -> tuple[Heard, float]:
    """Play a trace; return what was said, and the core's seconds."""
    site, heard = site_of(entry), Heard()
    played, begun_s = Played(), perf_counter()
    open_s: dict[tuple[str, str], float] = {}
    spoken: dict[str, float] = {}
    currents: list[tuple[float, float]] = []

    def rows() -> Iterator[Row]:
        for row in read_trace(folder / entry["file"]):
            _rows(heard, spoken, played, site)
            if row.sample is not None and row.sample.current_ma is not None:
                currents.append((row.at_ms / 1000, row.sample.current_ma / 1000))
            yield row

    for fact in play(rows(), site, played):
        if isinstance(fact, AlarmFact) and fact.alarm in ALARMS:
            _note(heard, open_s, fact)
        if isinstance(fact, AlarmFact) and fact.alarm in INHIBITING:
            heard.inhibited_s += [fact.at_ms / 1000] if fact.state in ACTIVE else []
    heard.steady_s = _steady(entry, currents)
    for (kind, _), raised_s in open_s.items():
        heard.intervals.setdefault(kind, []).append((raised_s, math.inf))
    for intervals in heard.intervals.values():
        intervals.sort()
    return heard, perf_counter() - begun_s


def _steady(entry: dict[str, Any], currents: list[tuple[float, float]]) -> set[float]:
    """Return the low cut-offs before which the load had held.

    The mean current of the last ten minutes is within a quarter of that of the fifteen
    before, and no burst of load cut off.
    """
    held = set[float]()
    for event in cutoffs_of(entry):
        at_s = event["t_s"]
        late = [a for s, a in currents if at_s - 600 < s <= at_s]
        early = [a for s, a in currents if at_s - 1_500 < s <= at_s - 600]
        if not late or not early or "vulnerable_since_s" in event:
            continue
        late_a, early_a = sum(late) / len(late), sum(early) / len(early)
        if abs(late_a - early_a) <= 0.25 * max(abs(late_a), abs(early_a)):
            held.add(at_s)
    return held


def _note(heard: Heard, open_s: dict[tuple[str, str], float], fact: AlarmFact) -> None:
    kind, at_s = ALARMS[fact.alarm], fact.at_ms / 1000
    key = (kind, fact.subject.partition("/")[0])
    if fact.state in ACTIVE:
        open_s.setdefault(key, at_s)
    elif key in open_s:
        raised_s = open_s.pop(key)
        heard.intervals.setdefault(kind, []).append((raised_s, at_s))


def _rows(heard: Heard, spoken: dict[str, float], played: Played, site: Site) -> None:
    if played.outcome is None:
        return
    for pack, state in zip(site.bank.packs, played.outcome.state.packs, strict=True):
        tracker = state.tracker
        if tracker is None or spoken.get(pack.name) == tracker.looked_s:
            continue
        spoken[pack.name] = tracker.looked_s
        for told in tracker.forecasts:
            if told.limit not in LIMITS:
                continue
            heard.rows.setdefault(LIMITS[told.limit], []).append(
                Said(
                    at_s=tracker.looked_s,
                    pack=pack.name,
                    early_s=_seconds(told.early_ms),
                    likely_s=_seconds(told.likely_ms),
                    late_s=_seconds(told.late_ms),
                )
            )


def _seconds(time_ms: int | None) -> float | None:
    return None if time_ms is None or time_ms >= FAR_MS else time_ms / 1000


def core_s(entry: dict[str, Any], folder: Path) -> float:
    """Return the core's seconds over a trace when nothing is foretold."""
    site = site_of(entry)
    blind = replace(site, chemistry=replace(site.chemistry, curve=()))
    begun_s = perf_counter()
    for _ in play(read_trace(folder / entry["file"]), blind, Played()):
        pass
    return perf_counter() - begun_s


def fixed(entry: dict[str, Any], folder: Path) -> dict[float, Heard]:
    """Return what fixed limits of the lowest cell would have said, 30 s delayed."""
    heard = {limit_v: Heard() for limit_v in FIXED_V}
    below_s: dict[float, float] = {}
    raised_s: dict[float, float] = {}
    for row in read_trace(folder / entry["file"]):
        if row.sample is None:
            continue
        at_s, low_v = row.at_ms / 1000, min(row.sample.cells_mv) / 1000
        for limit_v in FIXED_V:
            if low_v <= limit_v:
                begun_s = below_s.setdefault(limit_v, at_s)
                if at_s - begun_s >= FIXED_DELAY_S:
                    raised_s.setdefault(limit_v, at_s)
                continue
            below_s.pop(limit_v, None)
            if limit_v in raised_s and low_v >= limit_v + 0.05:
                interval = (raised_s.pop(limit_v), at_s)
                heard[limit_v].intervals.setdefault("low_cell", []).append(interval)
    for limit_v, begun_s in raised_s.items():
        interval = (begun_s, math.inf)
        heard[limit_v].intervals.setdefault("low_cell", []).append(interval)
    return heard
