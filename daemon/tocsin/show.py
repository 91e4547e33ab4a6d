"""What a running daemon sees and demands now, as one JSON object."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin.clock import iso_time
from tocsin.core.alarm import AlarmState
from tocsin.core.foretold import outlook
from tocsin.core.rules import Measure
from tocsin.core.words import message
from tocsin.wire import forecast_json

if TYPE_CHECKING:
    from tocsin.core.engine import Outcome
    from tocsin.core.site import Site


def show_json(outcome: Outcome, site: Site, *, wall_ms: int) -> dict[str, Any]:
    """Return the snapshot as of *wall_ms*, the time of day of the outcome.

    Voltages in V, currents in A (positive while charging), temperatures in degC, ages
    and times in s; ``heard_s`` is when a pack was last read, by the daemon's own
    monotonic time. What is not known is null.
    """
    return {
        "site": site.name,
        "at": iso_time(wall_ms),
        "packs": _packs(outcome, site),
        "alarms": _alarms(outcome, site, wall_ms),
        "outputs": _outputs(outcome, site),
        "forecasts": _forecasts(outcome, site),
    }


def _forecasts(outcome: Outcome, site: Site) -> list[dict[str, Any]]:
    """Return what is foretold of every pack and limit; nothing of a lost pack."""
    return [
        dict(forecast_json(pack.name, told))
        for pack, state in zip(site.bank.packs, outcome.state.packs, strict=True)
        for told in state.foretold()
    ]


def _packs(outcome: Outcome, site: Site) -> list[dict[str, Any]]:
    shown: list[dict[str, Any]] = []
    for pack, state in zip(site.bank.packs, outcome.state.packs, strict=True):
        sample = state.sample
        age_ms = outcome.state.now_ms - state.heard_ms
        shown.append(
            {
                "name": pack.name,
                "online": state.online,
                "age_s": None if sample is None else age_ms / 1000,
                "heard_s": None if sample is None else state.heard_ms / 1000,
                "current_a": _scaled(sample and sample.current_ma, 1000),
                "voltage_v": _scaled(sample and sample.voltage_mv, 1000),
                "soc_pct": _scaled(sample and sample.soc_permille, 10),
                "cells_v": [mv / 1000 for mv in sample.cells_mv] if sample else [],
                "temps_c": [dc / 10 for dc in sample.temps_dc] if sample else [],
                "trouble": state.trouble,
            }
        )
    return shown


def _outputs(outcome: Outcome, site: Site) -> list[dict[str, Any]]:
    """Return every output; a heartbeat, like a horn, counts as on while it beats."""
    demands = {demand.output: demand for demand in outcome.demands}
    shown: list[dict[str, Any]] = []
    for output in site.outputs:
        demand = demands.get(output.name)
        shown.append(
            {
                "output": output.name,
                "role": output.role.value,
                "energised": demand is None or demand.called,
                "because": [] if demand is None else list(demand.because),
            }
        )
    return shown


def _scaled(value: object, divisor: int) -> float | None:
    return value / divisor if isinstance(value, int) else None


def _alarms(outcome: Outcome, site: Site, wall_ms: int) -> list[dict[str, Any]]:
    now_ms, troubles = outcome.state.now_ms, dict(outcome.state.troubles)
    shown: list[dict[str, Any]] = []
    for alarm in outcome.state.alarms:
        if alarm.state is AlarmState.NORMAL:
            continue
        rule, ahead, detail = site.rules[alarm.index], "", ""
        if rule.measure is Measure.TROUBLE:
            detail = troubles.get(alarm.subject, "")
        if alarm.subject in site.pack_at:
            pack = outcome.state.packs[site.pack_at[alarm.subject]]
            ahead = outlook(rule, pack, site)
        shown.append(
            {
                "alarm": rule.name,
                "state": alarm.state.value,
                "priority": rule.priority.value,
                "subject": alarm.where or alarm.subject,
                "since": iso_time(wall_ms - now_ms + alarm.since_ms),
                "message": message(rule, alarm, site, detail=detail, ahead=ahead),
            }
        )
    return shown
