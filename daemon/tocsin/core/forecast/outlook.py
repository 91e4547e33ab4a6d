"""From what a pack has shown to what is ahead of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.core.forecast import high, low
from tocsin.core.forecast.approach import Heating
from tocsin.core.forecast.result import FAR_MS, TOO_NEW, Forecast, Limit, far, spread
from tocsin.core.forecast.wider import News, explained

if TYPE_CHECKING:
    from tocsin.core.forecast.pack import Tracker

LEARN_S = 240.0
ALIGN_S = 240.0
CANDIDATES = 3
"""Cells that are carried forward: those that are lowest, one of which is first."""
NEAR_BY = 0.03
"""Of the nameplate: cells with so much more left than the least are not first."""
FLOWS = 0.005
"""Of 1C: a smaller charge current is none."""
NO_LIMIT = "no rule of this site says where it is too hot"
OWN = 0.012
"""Of the nameplate: a fit this sharp stands by itself."""


def ahead(pack: Tracker, at_s: float) -> tuple[Forecast, ...]:
    """Return the forecasts of every limit; the alignment of cells is kept in *pack*."""
    design = pack.design
    told = (
        _low(pack, at_s),
        _high(pack, at_s),
        _warmth(pack, at_s, Limit.COLD, design.cold_c),
        _warmth(pack, at_s, Limit.HOT, design.hot_c),
        _warmth(pack, at_s, Limit.HOT_LOAD, design.hot_load_c),
    )
    before = {each.limit: each for each in pack.forecasts}
    return tuple(
        explained(each, before.get(each.limit), _news(pack, each.limit))
        for each in told
    )


def _news(pack: Tracker, limit: Limit) -> News:
    """Return what is new since the last look."""
    since_s, load = pack.looked_s, pack.load
    seen_s = pack.sums.begun_s
    if limit.is_warmth:
        seen_s = pack.thermal.trail[-1][0] if pack.thermal.trail else since_s
    return News(
        mean_a=-load.mean(pack.drift.sd_a)[0],
        now_a=-(load.fast_a or 0.0),
        is_stepped=load.top_since_s > since_s,
        is_fitted=any(at_s > since_s for at_s, _ in pack.fitted.values()),
        is_seen=seen_s > since_s,
    )


def _low(pack: Tracker, at_s: float) -> Forecast:
    mean_a, sd_a = pack.load.mean(pack.drift.sd_a)
    if pack.is_charging and mean_a > 0:
        return far(Limit.LOW, "the pack is being charged")
    known = [k for k, cell in enumerate(pack.cells) if cell.down.picks]
    if not known or at_s - pack.begun_s < LEARN_S:
        return Forecast(limit=Limit.LOW, reason=TOO_NEW)
    coming = low.Ahead(
        mean_a,
        sd_a,
        -(pack.load.fast_a or 0.0),
        pack.load.stays_s(),
        tuple(pack.load.levels()),
        pack.design.lead_s,
        tuple(pack.load.plan()),
    )
    drawn_a = max(0.0, -mean_a)
    told = list[tuple[float, int, list[float], float | None]]()
    share, safe_a = 0.0, list[float]()
    surface_h, knee = pack.surface_h(), pack.knee()
    for k in _candidates(pack, known):
        cell = low.Below(
            pack.design.curve,
            pack.cells[k].down.picks,
            pack.counter_ah,
            pack.ohm(k),
            surface_h,
            pack.design.low_v,
            knee,
        )
        futures = sorted(low.times_s(cell, coming))
        middle_s = futures[len(futures) // 2]
        told.append((middle_s, k, futures, low.relief_s(cell, drawn_a)))
        ended, safest_a = low.surge(cell, coming)
        share = max(share, ended)
        safe_a += [] if safest_a is None else [safest_a]
    _, first, futures, relief_s = min(told, key=lambda each: each[0])
    return replace(
        spread(Limit.LOW, futures, str(first + 1)),
        surge_permille=round(share * 1_000),
        surge_ma=round(min(safe_a) * 1_000) if safe_a else None,
        drawn_ma=round(drawn_a * 1_000),
        relief_ms=None if relief_s is None else round(relief_s * 1_000),
    )


def _candidates(pack: Tracker, known: list[int]) -> list[int]:
    """Return the cells that may be first, by the middle hypothesis of each."""

    def left_ah(k: int) -> float:
        picks = pack.cells[k].down.picks
        return pack.counter_ah - picks[len(picks) // 2][0]

    least = sorted(known, key=lambda k: pack.cells[k].rest_v)[:CANDIDATES]
    lefts = {k: left_ah(k) for k in least}
    near_ah = min(lefts.values()) + NEAR_BY * pack.design.nameplate_ah
    return [k for k in least if lefts[k] <= near_ah]


def _high(pack: Tracker, at_s: float) -> Forecast:
    design = pack.design
    mean_a, sd_a = pack.load.mean(pack.drift.sd_a)
    if not pack.is_charging or mean_a <= FLOWS * design.nameplate_ah:
        return far(Limit.HIGH, "the pack is not being charged")
    known = [k for k, cell in enumerate(pack.cells) if cell.up.picks]
    if not known or at_s - pack.begun_s < LEARN_S:
        return Forecast(limit=Limit.HIGH, reason=TOO_NEW)
    if at_s - pack.aligned_s >= ALIGN_S:
        pack.aligned_s = at_s
        seen = [{k: s[1] for k, s in cell.up.seen.items()} for cell in pack.cells]
        pack.later_ah = high.alignment_ah(seen, pack.bin_ah())
    surface_ah = pack.surface_ah(pack.fast_a, pack.slow_a)
    cells = [
        high.Above(
            pack.cells[k].up.picks,
            pack.cells[k].rest_v,
            pack.cells[k].plateau_v,
            surface_ah,
            pack.ohm(k),
            pack.later_ah[k],
            pack.cells[k].up.empty_sd_ah < OWN * design.nameplate_ah,
        )
        for k in known
    ]
    coming = high.Charging(
        design.curve,
        len(pack.cells),
        design.nameplate_ah,
        pack.counter_ah,
        mean_a,
        sd_a,
        pack.load.fast_a or 0.0,
        pack.load.peak(),
        design.high_v,
        design.charger_v,
    )
    futures, first = high.times_s(cells, coming)
    told = spread(Limit.HIGH, futures, str(known[first] + 1))
    return replace(told, drawn_ma=-round(mean_a * 1_000))


def _warmth(
    pack: Tracker, at_s: float, limit: Limit, limit_c: float | None
) -> Forecast:
    """Return when the coldest or the hottest sensor is at *limit_c*.

    It is fitted anew with every row of the trail; between two rows time goes by.
    """
    thermal, hot = pack.thermal, limit is not Limit.COLD
    unknown = thermal.unknown(at_s) if limit_c is not None else NO_LIMIT
    if limit_c is None or unknown:
        return Forecast(limit=limit, reason=unknown)
    part = str(thermal.parts[hot])
    known = thermal.known_s(limit_c, hot=hot)
    if known is not None:
        reason = "" if known == [0.0] else "no sensor is near it"
        return spread(limit, known, part, reason)
    told = pack.approaches.get(limit)
    if told is None or told.at_s != thermal.trail[-1][0]:
        told = thermal.times_s(limit_c, _heating(pack), pack.warms(), hot=hot)
        pack.approaches[limit] = told
    gone_s = at_s - told.at_s
    left = [t if t >= low.NEVER_S else max(0.0, t - gone_s) for t in told.times_s]
    gained_s = told.gained_s
    gained_ms = None if gained_s is None else round(min(gained_s * 1000, FAR_MS))
    return replace(spread(limit, left, part), relief_ms=gained_ms)


def _heating(pack: Tracker) -> Heating:
    """Return what runs now for as long as is likely, then the mean of late."""
    thermal = pack.thermal
    rate = (pack.load.fast_a or 0.0) / pack.design.nameplate_ah
    return Heating(
        thermal.heat, rate * rate, pack.load.stays_s() / 3600, thermal.square
    )
