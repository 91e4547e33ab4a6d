"""A trace through the real rules: what the core said, and what fixed limits would."""

from __future__ import annotations

import math
from bisect import bisect
from dataclasses import dataclass, field, replace
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory
from time import process_time
from typing import TYPE_CHECKING, Any

from tests.forecast.score import FORGIVEN_S, Heard, Said, cutoffs_of

from tocsin import learned
from tocsin.core.events import AlarmFact
from tocsin.core.forecast import FAR_MS, Limit
from tocsin.replay import Played, play
from tocsin.trace import read_trace
from tocsin_config import load

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from tocsin.core.forecast.pack import Tracker
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
    absorb_v, row_s = entry.get("absorb_v"), entry.get("row_s", 1.0)
    text = f"""
[bank]
capacity_ah = {entry["nameplate_ah"]}
cells_in_series = {entry["cells"]}
[protection]
low_cell_v = {entry["low_cell_v"]}
high_cell_v = {entry["high_cell_v"]}
cold_charge_c = {entry["cold_charge_c"]}
[timing]
poll_s = {row_s}
stale_s = {max(10.0, 3 * row_s)}
""" + (f"[charging]\nabsorption_v = {absorb_v}\n" if absorb_v else "")
    for pack in packs:
        text += f'[[pack]]\nname = "{pack}"\ndriver = "trace"\n'
    with TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(text, encoding="utf-8")
        return load(path).site


def listen(
    entry: dict[str, Any], folder: Path, restarts_s: tuple[float, ...] = ()
) -> tuple[Heard, float]:
    """Play a trace; return what was said, and the seconds of CPU it took.

    At each of *restarts_s* the daemon ends and another begins, which knows what the
    first has saved.
    """
    site, begun_s = site_of(entry), process_time()
    ear = _Ear(site)
    known: dict[str, Tracker] = {}
    rows = read_trace(folder / entry["file"])
    for _, life in groupby(rows, lambda row: bisect(restarts_s, row.at_ms / 1000)):
        if ear.played.outcome is not None:
            known = ear.restarted()
        for fact in play(ear.listening(life), site, ear.played, known=known):
            if isinstance(fact, AlarmFact):
                ear.note(fact)
    heard = ear.ended()
    heard.steady_s = _steady(entry, ear.currents)
    return heard, process_time() - begun_s


@dataclass
class _Ear:
    """What is heard while traces play.

    Attributes:
        open_s: Alarms that are raised, and since when.
        before_s: Those that were raised when the daemon ended last, at *ended_s*.
        spoken: When each pack's newest forecast was made.
        currents: (second, A) of every row.
    """

    site: Site
    heard: Heard = field(default_factory=Heard)
    played: Played = field(default_factory=Played)
    open_s: dict[tuple[str, str], float] = field(default_factory=dict)
    before_s: dict[tuple[str, str], float] = field(default_factory=dict)
    ended_s: float = 0.0
    spoken: dict[str, float] = field(default_factory=dict)
    currents: list[tuple[float, float]] = field(default_factory=list)

    def listening(self, rows: Iterable[Row]) -> Iterator[Row]:
        for row in rows:
            _rows(self.heard, self.spoken, self.played, self.site)
            if row.sample is not None and row.sample.current_ma is not None:
                self.currents.append((row.at_ms / 1000, row.sample.current_ma / 1000))
            yield row

    def note(self, fact: AlarmFact) -> None:
        at_s = fact.at_ms / 1000
        if fact.alarm in INHIBITING and fact.state in ACTIVE:
            self.heard.inhibited_s.append(at_s)
        if fact.alarm not in ALARMS:
            return
        key = (ALARMS[fact.alarm], fact.subject.partition("/")[0])
        if fact.state in ACTIVE:
            is_soon = at_s - self.ended_s < FORGIVEN_S
            since_s = self.before_s.pop(key, at_s) if is_soon else at_s
            self.open_s.setdefault(key, since_s)
        elif key in self.open_s:
            self._close(key, self.open_s.pop(key), at_s)

    def _close(self, key: tuple[str, str], raised_s: float, at_s: float) -> None:
        self.heard.intervals.setdefault(key[0], []).append((raised_s, at_s))

    def restarted(self) -> dict[str, Tracker]:
        """End this daemon; return what the next one knows."""
        outcome, last_ms = self.played.outcome, self.played.last_ms
        if outcome is None or last_ms is None:
            return {}
        text = learned.written(outcome.state, self.site, wall_ms=last_ms)
        self._forget()
        self.before_s, self.open_s = self.open_s, {}
        self.ended_s, self.played = last_ms / 1000, Played()
        return learned.read(text, self.site, wall_ms=last_ms, now_s=self.ended_s)

    def _forget(self) -> None:
        """Close what was not raised again soon after the last restart."""
        for key, raised_s in self.before_s.items():
            self._close(key, raised_s, self.ended_s)

    def ended(self) -> Heard:
        """Return what was heard, in order of time."""
        self._forget()
        for key, raised_s in self.open_s.items():
            self._close(key, raised_s, math.inf)
        for intervals in self.heard.intervals.values():
            intervals.sort()
        return self.heard


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
    """Return the seconds of CPU that the core takes over a trace, foretelling nothing."""
    site = site_of(entry)
    blind = replace(site, chemistry=replace(site.chemistry, curve=()))
    begun_s = process_time()
    for _ in play(read_trace(folder / entry["file"]), blind, Played()):
        pass
    return process_time() - begun_s


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
