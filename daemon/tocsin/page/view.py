"""What browsers are shown, as named parts; only those that change are sent again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin.core.alarm import HIDDEN, LATCHED, SOUNDING, Alarm, AlarmState
from tocsin.core.rules import Measure, Unit
from tocsin.page.verdict import reasons, verdict
from tocsin.show import show_json, shown_alarms

if TYPE_CHECKING:
    from tocsin.core.engine import Outcome
    from tocsin.core.site import Site

CELL = frozenset({Measure.LOWEST_CELL, Measure.HIGHEST_CELL})
WARMTH = frozenset({Measure.COLDEST, Measure.HOTTEST})

PROVED: dict[str, Any] = {"verbs": [], "sounding": False}
"""What only a proof test raised is nothing to act on."""


def picture(outcome: Outcome, site: Site, *, wall_ms: int, told: int) -> dict[str, Any]:
    """Return everything a browser is shown, in parts.

    Volts, amperes, degC, seconds, as in `tocsin.show.show_json`. *told* counts what
    became true, so that a browser knows when the journal has something new.
    """
    show = show_json(outcome, site, wall_ms=wall_ms)
    return {
        "at": show["at"],
        "site": {"name": show["site"], "limits": limits(site)},
        "verdict": verdict(outcome, site),
        "packs": show["packs"],
        "alarms": _alarms(show["alarms"], outcome, site),
        "proving": show["proving"],
        "maintenance": show["maintenance"],
        "outputs": [
            {**output, "why": reasons(output["because"], site)}
            for output in show["outputs"]
        ],
        "inputs": show["inputs"],
        "forecasts": show["forecasts"],
        "told": told,
    }


def limits(site: Site) -> dict[str, list[dict[str, Any]]]:
    """Return the limits to draw: of cells in V, of sensors in degC, lowest first.

    ``own`` is true for those of the battery's own protection. ``low`` is true where
    smaller values are the bad ones.
    """
    cells = [
        _limit(Unit.MV, site.low_cut_mv, "protection, low", low=True, own=True),
        _limit(Unit.MV, site.high_cut_mv, "protection, high", low=False, own=True),
    ]
    cold = _limit(Unit.DC, site.cold_charge_dc, "protection, cold", low=True, own=True)
    warmth = [cold]
    for rule in site.rules:
        if rule.gate is not None or rule.measure not in CELL | WARMTH:
            continue
        where = cells if rule.measure in CELL else warmth
        unit = rule.measure.unit
        where.append(
            _limit(unit, rule.trip_at, rule.name, low=not rule.rises, own=False)
        )
    return {
        "cell_v": sorted(cells, key=lambda each: each["at"]),
        "temp_c": sorted(warmth, key=lambda each: each["at"]),
    }


def _limit(unit: Unit, at: int, name: str, *, low: bool, own: bool) -> dict[str, Any]:
    return {"at": unit.shown(at), "name": name, "low": low, "own": own}


def _alarms(
    shown: list[dict[str, Any]], outcome: Outcome, site: Site
) -> list[dict[str, Any]]:
    raised, tried = shown_alarms(outcome)
    return [
        {**told, **_more(alarm, site), **(PROVED if alarm in tried else {})}
        for told, alarm in zip(shown, raised, strict=True)
    ]


def _more(alarm: Alarm, site: Site) -> dict[str, Any]:
    """Return what a person may want to know and do; ``of`` is what a command names."""
    rule = site.rules[alarm.index]
    verbs: list[str] = []
    if alarm.state in SOUNDING | {AlarmState.RETURNED}:
        verbs.append("acknowledge")
    if alarm.state in LATCHED and not alarm.active:
        verbs.append("reset")
    if alarm.state is AlarmState.SHELVED:
        verbs.append("unshelve")
    elif alarm.state is AlarmState.OUT_OF_SERVICE:
        verbs.append("return")
    elif alarm.state not in HIDDEN:
        verbs += ["shelve"] if rule.max_shelve_ms else []
    return {
        "of": alarm.subject,
        "active": alarm.holds,
        "sounding": alarm.state in SOUNDING,
        "cause": rule.cause,
        "consequence": rule.consequence,
        "action": rule.action,
        "verbs": verbs,
        "max_shelve_min": rule.max_shelve_ms // 60_000,
    }
