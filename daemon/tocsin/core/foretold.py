"""A forecast in words: how long, why, what happens by itself and when, what helps."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.forecast import FAR_MS, Forecast, Limit
from tocsin.core.rules import Measure, Role, Unit

if TYPE_CHECKING:
    from tocsin.core.measures import PackState
    from tocsin.core.rules import Rule
    from tocsin.core.site import Site

FORETOLD = {
    Measure.LOW_CELL_TIME: Limit.LOW,
    Measure.LOW_CELL_TIME_EARLY: Limit.LOW,
    Measure.SURGE_RISK: Limit.LOW,
    Measure.HIGH_CELL_TIME: Limit.HIGH,
    Measure.COLD_TIME: Limit.COLD,
    Measure.HOT_TIME: Limit.HOT,
    Measure.HOT_LOAD_TIME: Limit.HOT_LOAD,
}
"""Measures that are told ahead, and of which limit."""

LEAST_RELIEF_MS = 60_000
KILOWATTS_FROM = 950


def outlook(rule: Rule, pack: PackState, site: Site) -> str:
    """Return what a forecast adds to an alarm of *rule*; empty if it knows nothing."""
    limit = FORETOLD.get(rule.measure)
    told = None if limit is None else pack.forecast(limit)
    if told is None or told.likely_ms is None:
        return ""
    if rule.measure is Measure.SURGE_RISK:
        return _safest(told, pack)
    says = [_range(told), _why(told, pack)]
    if told.limit is Limit.LOW:
        says += [_by_itself(told, site), _relief(told, pack)]
    if told.limit.is_warmth:
        says += [_warm_by_itself(told, site), _cooler(told)]
    return " ".join(text for text in says if text)


def _minutes(time_ms: int) -> str:
    return f"{max(0, round(time_ms / 60_000))} min"


def _range(told: Forecast) -> str:
    early_ms, late_ms = told.early_ms or 0, told.late_ms
    if late_ms is None or late_ms >= FAR_MS:
        return f"At the soonest in {_minutes(early_ms)}."
    return f"Between {_minutes(early_ms)} and {_minutes(late_ms)} from now."


def _why(told: Forecast, pack: PackState) -> str:
    sample = pack.sample
    if sample is None or not told.part:
        return ""
    at = int(told.part) - 1
    if at >= len(sample.temps_dc if told.limit.is_warmth else sample.cells_mv):
        return ""
    if told.limit is Limit.COLD:
        return f"Sensor {told.part} is at {Unit.DC.text(sample.temps_dc[at])}."
    if told.limit.is_warmth:
        cell = f"Sensor {told.part} is at {Unit.DC.text(sample.temps_dc[at])}"
    else:
        cell = f"Cell {told.part} is at {Unit.MV.text(sample.cells_mv[at])}"
    current_ma = sample.current_ma or 0
    flows = "drawn" if current_ma < 0 else "charged"
    return f"{cell} while {Unit.MA.text(abs(current_ma))} are {flows}."


def _by_itself(told: Forecast, site: Site) -> str:
    """Say which load stages go by themselves on minutes, and in how many."""
    stages = {o.stage for o in site.outputs if o.role is Role.LOAD_PERMIT}
    going = sorted(
        (action.stage, max(0, (told.likely_ms or 0) - rule.trip_at))
        for rule in site.rules
        if rule.measure is Measure.LOW_CELL_TIME
        for action in rule.actions
        if action.role is Role.LOAD_PERMIT and action.stage in stages
    )
    parts = [f"stage {stage} in {_minutes(wait_ms)}" for stage, wait_ms in going]
    return f"Loads go by themselves: {', '.join(parts)}." if parts else ""


def _warm_by_itself(told: Forecast, site: Site) -> str:
    """Say which permits drop by themselves, and at what temperature."""
    limit_dc, role, what = {
        Limit.HOT: (site.hot_charge_dc, Role.CHARGE_PERMIT, "Charging is inhibited"),
        Limit.HOT_LOAD: (site.hot_load_dc, Role.LOAD_PERMIT, "All loads are shed"),
    }.get(told.limit, (None, Role.CHARGE_PERMIT, ""))
    if limit_dc is None or role not in {output.role for output in site.outputs}:
        return ""
    return f"{what} at {Unit.DC.text(limit_dc)}."


def _cooler(told: Forecast) -> str:
    relief_ms = told.relief_ms
    if relief_ms is None or relief_ms < LEAST_RELIEF_MS:
        return ""
    if relief_ms >= FAR_MS:
        return "Half of the current would keep it below for now."
    return f"Half of the current gives about {_minutes(relief_ms)} more."


def _relief(told: Forecast, pack: PackState) -> str:
    sample, relief_ms = pack.sample, told.relief_ms
    if sample is None or relief_ms is None or told.drawn_ma is None:
        return ""
    if not LEAST_RELIEF_MS <= relief_ms < FAR_MS:
        return ""
    watts = _watts(told.drawn_ma // 2, pack)
    return f"Switching off {watts} gives about {_minutes(relief_ms)} more."


def _safest(told: Forecast, pack: PackState) -> str:
    sample = pack.sample
    if told.surge_ma is None or sample is None or sample.current_ma is None:
        return ""
    spare_ma = max(0, told.surge_ma - max(0, -sample.current_ma))
    return (
        f"This pack can still carry {Unit.MA.text(told.surge_ma)} for a short time: "
        f"{_watts(spare_ma, pack)} more than now."
    )


def _watts(current_ma: int, pack: PackState) -> str:
    """Return the power of *current_ma* at the pack's own voltage."""
    sample = pack.sample
    cells_mv = () if sample is None else sample.cells_mv
    series = pack.series or len(cells_mv)
    watts = current_ma / 1000 * sum(cells_mv[:series]) / 1000
    if watts >= KILOWATTS_FROM:
        return f"{watts / 1000:.1f} kW"
    return f"{round(watts, -1):.0f} W"
