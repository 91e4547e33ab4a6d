"""From what the core believes of a pack to the values that are kept of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tocsin.core.measures import allowed_charge_ma
from tocsin.core.model import Flag

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from tocsin.core.forecast import Forecast
    from tocsin.core.model import Sample
    from tocsin.core.rules import Rule
    from tocsin.core.site import Site

FLAGS = tuple(Flag)


@dataclass(frozen=True, slots=True)
class Heard:
    """One sample of one pack, and what was foretold then; *at_ms* since 1970."""

    at_ms: int
    pack: str
    sample: Sample
    forecasts: tuple[Forecast, ...] = ()


def values(heard: Heard, site: Site) -> dict[str, int]:
    """Return what is kept, by the names of `tocsin.history.kinds`; no name, not said.

    Times of a forecast are in whole seconds from the sample on, at most a day.
    """
    sample = heard.sample
    kept = {f"cell/{i}": mv for i, mv in enumerate(sample.cells_mv, start=1)}
    if not kept:
        _put(kept, "cell/low", sample.low_cell_mv)
        _put(kept, "cell/high", sample.high_cell_mv)
    kept |= {f"temp/{i}": dc for i, dc in enumerate(sample.temps_dc, start=1)}
    coldest_dc = min(sample.temps_dc, default=None)
    for name, value in (
        ("current", sample.current_ma),
        ("voltage", sample.voltage_mv),
        ("soc", sample.soc_permille),
        ("charge-limit", sample.charge_limit_ma),
        ("discharge-limit", sample.discharge_limit_ma),
        ("allowed-charge", allowed_charge_ma(site, coldest_dc)),
    ):
        _put(kept, name, value)
    kept["flags"] = sum(1 << FLAGS.index(flag) for flag in sample.flags)
    for told in heard.forecasts:
        if told.early_ms is None or told.likely_ms is None or told.late_ms is None:
            continue
        kept[f"{told.limit}-early"] = told.early_ms // 1000
        kept[f"{told.limit}-likely"] = told.likely_ms // 1000
        kept[f"{told.limit}-late"] = told.late_ms // 1000
        kept[f"{told.limit}-part"] = int(told.part) if told.part.isdecimal() else 0
    return kept


def flags_of(number: int) -> frozenset[Flag]:
    """Return the flags that a value ``flags`` stands for."""
    return frozenset(flag for i, flag in enumerate(FLAGS) if number >> i & 1)


def limits_json(site: Site, *, sha256: str) -> dict[str, Any]:
    """Return the limits in force, for people's units and for ever.

    ``{"site", "sha256", "chemistry", "low_cell_v", "high_cell_v", "cold_charge_c",
    "lead_min", "outputs": [{"output", "role", "stage"}], "rules": [{"rule", "measure",
    "trip", "clear", "unit", "delay_s", "priority", "actions": [{"role", "stage"}],
    "cause", "action"}]}``
    """
    return {
        "site": site.name,
        "sha256": sha256,
        "chemistry": site.chemistry.name,
        "low_cell_v": site.low_cut_mv / 1000,
        "high_cell_v": site.high_cut_mv / 1000,
        "cold_charge_c": site.cold_charge_dc / 10,
        "lead_min": site.lead_ms / 60_000,
        "outputs": [
            {"output": o.name, "role": o.role.value, "stage": o.stage}
            for o in site.outputs
        ],
        "rules": [_rule_json(rule) for rule in site.rules],
    }


def _rule_json(rule: Rule) -> Mapping[str, Any]:
    unit = rule.measure.unit
    return {
        "rule": rule.name,
        "measure": rule.measure.value,
        "trip": unit.shown(rule.trip_at),
        "clear": unit.shown(rule.clear_at),
        "unit": unit.symbol,
        "delay_s": rule.on_delay_ms / 1000,
        "priority": rule.priority.value,
        "actions": _actions(rule),
        "cause": rule.cause,
        "action": rule.action,
    }


def _actions(rule: Rule) -> Iterable[Mapping[str, Any]]:
    return [{"role": a.role.value, "stage": a.stage} for a in rule.actions]


def _put(kept: dict[str, int], name: str, value: int | None) -> None:
    if value is not None:
        kept[name] = value
