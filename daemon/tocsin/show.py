"""What a running daemon sees and demands now, as one JSON object."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin.clock import iso_time
from tocsin.core import extras
from tocsin.core.alarm import AlarmState
from tocsin.core.foretold import outlook
from tocsin.core.genset import WAITS_FOR as GENERATOR_WAITS
from tocsin.core.genset import was_phase
from tocsin.core.heater import WAITS_FOR as HEATER_WAITS
from tocsin.core.heater import energy_kwh
from tocsin.core.hours import HOUR_MS
from tocsin.core.inputs import is_in_maintenance, muted_ms
from tocsin.core.proof_state import held
from tocsin.core.rules import Role, Scope
from tocsin.core.words import message
from tocsin.wire import forecast_json

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.core.alarm import Alarm
    from tocsin.core.engine import Outcome
    from tocsin.core.levels import OutputState
    from tocsin.core.measures import PackState
    from tocsin.core.model import Sample
    from tocsin.core.site import Output, Site


def show_json(outcome: Outcome, site: Site, *, wall_ms: int) -> dict[str, Any]:
    """Return the snapshot as of *wall_ms*, the time of day of the outcome.

    Voltages in V, currents in A (positive while charging), temperatures in degC, ages
    and times in s; ``heard_s`` is when a pack was last read, by the daemon's own
    monotonic time. What is not known is null. ``values`` says of each value of a pack
    from which source it is, as what it was published there (null if that is not known),
    how old, and with ``shared_by`` among how many strings a current was divided evenly.
    ``sources`` are those beside the packs' own.
    """
    return {
        "site": site.name,
        "at": iso_time(wall_ms),
        "packs": _packs(outcome, site),
        "sources": _sources(outcome, site),
        "alarms": _alarms(outcome, site, wall_ms),
        "outputs": _outputs(outcome, site, wall_ms),
        "inputs": _inputs(outcome, site, wall_ms),
        "maintenance": _maintenance(outcome, site, wall_ms),
        "forecasts": _forecasts(outcome, site),
        "proving": _proving(outcome, site, wall_ms),
    }


def _proving(outcome: Outcome, site: Site, wall_ms: int) -> dict[str, Any] | None:
    """Return the proof test that goes on, or whose effect has not gone; else null."""
    proof, now_ms = outcome.state.proof, outcome.state.now_ms
    if proof is None:
        return None
    rule = site.rules[proof.index]
    unit = rule.measure.unit
    is_on = proof.alarm is not None
    return {
        "state": "proving" if is_on else "returning",
        "alarm": rule.name,
        "subject": proof.subject,
        "by": proof.by,
        "since": iso_time(wall_ms - now_ms + proof.begun_ms),
        "left_s": max(0, proof.until_ms - now_ms) / 1000 if is_on else 0.0,
        "virtual": unit.shown(proof.virtual),
        "live": None if proof.live is None else unit.shown(proof.live),
        "unit": unit.symbol,
        "ended": proof.ended,
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
                "values": _values(pack.name, state, outcome, site),
            }
        )
    return shown


SHOWN_AS = {
    "cells_mv": "cells_v",
    "low_cell_mv": "low_cell_v",
    "high_cell_mv": "high_cell_v",
    "temps_dc": "temps_c",
    "current_ma": "current_a",
    "voltage_mv": "voltage_v",
    "soc_permille": "soc_pct",
}


def _values(
    name: str, state: PackState, outcome: Outcome, site: Site
) -> dict[str, dict[str, Any]]:
    """Return the source, origin and age of every value that is known of a pack."""
    sample, now_ms = state.sample, outcome.state.now_ms
    lent = {each.value.field: each for each in state.lent}
    shown: dict[str, dict[str, Any]] = {}
    for field, key in SHOWN_AS.items():
        if getattr(sample, field, None) in {None, ()}:
            continue
        each = lent.get(field)
        by = name if each is None else each.by
        at_ms = state.heard_ms if each is None else each.at_ms
        point = _origin(by, name, sample, outcome, site).get(field)
        shown[key] = {
            "source": by,
            "origin": point,
            "age_s": (now_ms - at_ms) / 1000,
            **({"shared_by": each.shared} if each and each.shared > 1 else {}),
        }
    return shown


def _origin(
    by: str, pack: str, sample: Sample | None, outcome: Outcome, site: Site
) -> Mapping[str, str]:
    """Return as what source *by* publishes each value."""
    if by != pack:
        at = site.extra_at.get(by)
        sample = None if at is None else outcome.state.extras[at].sample
    return {} if sample is None else dict(sample.origin)


def _sources(outcome: Outcome, site: Site) -> list[dict[str, Any]]:
    shown: list[dict[str, Any]] = []
    for extra, state in zip(site.extras, outcome.state.extras, strict=True):
        sample = state.sample
        age_ms = outcome.state.now_ms - state.heard_ms
        shown.append(
            {
                "name": extra.name,
                "of": extra.of,
                "gives": [value.value for value in extra.values],
                "online": state.online,
                "age_s": age_ms / 1000,
                "current_a": _scaled(sample and sample.current_ma, 1000),
                "voltage_v": _scaled(sample and sample.voltage_mv, 1000),
                "soc_pct": _scaled(sample and sample.soc_permille, 10),
                "trouble": state.trouble,
            }
        )
    return shown


def _outputs(outcome: Outcome, site: Site, wall_ms: int) -> list[dict[str, Any]]:
    """Return every output; a heartbeat, like a horn, counts as on while it beats."""
    demands = {demand.output: demand for demand in outcome.demands}
    shown: list[dict[str, Any]] = []
    states = held(outcome.state.outputs, outcome.state.proof, site)
    for output, state in zip(site.outputs, states, strict=True):
        demand = demands.get(output.name)
        now_ms = outcome.state.now_ms
        shown.append(
            {
                "output": output.name,
                "role": output.role.value,
                "energised": demand is None or demand.called,
                "because": [] if demand is None else list(demand.because),
                "operations": state.counts.operations,
                **_call(output, state, wall_ms - now_ms),
                **({"proving": True} if demand and demand.proving else {}),
            }
        )
    return shown


def _call(output: Output, state: OutputState, to_wall_ms: int) -> dict[str, Any]:
    """Return what only a planned generator or heater has: phase, waits, hours."""
    if output.generator is None and output.heater is None:
        return {}
    words = GENERATOR_WAITS if output.generator is not None else HEATER_WAITS
    waits = [words[reason] for reason in state.because if reason in words]
    now = state.run or state.heat
    hours = round(state.counts.run_ms / HOUR_MS, 2)
    shown = {
        "phase": was_phase(state).value if output.generator is not None else None,
        "since": None if now is None else iso_time(to_wall_ms + now.since_ms),
        "waits_for": waits,
        "run_h": hours,
    }
    if output.heater is not None:
        shown["phase"] = "heating" if state.energised else "off"
        used_kwh = energy_kwh(state.counts.run_ms, output.heater)
        return shown | {"energy_kwh_estimated": round(used_kwh, 2)}
    return shown | {"starts": state.counts.starts, "failed": state.counts.failed}


def _inputs(outcome: Outcome, site: Site, wall_ms: int) -> list[dict[str, Any]]:
    """Return every input; active is null while it is not known."""
    to_wall_ms = wall_ms - outcome.state.now_ms
    return [
        {
            "input": each.name,
            "role": each.role.value,
            "active": state.level,
            "since": iso_time(to_wall_ms + state.since_ms),
            "trouble": state.trouble,
        }
        for each, state in zip(site.inputs, outcome.state.inputs, strict=True)
    ]


def _maintenance(outcome: Outcome, site: Site, wall_ms: int) -> dict[str, Any] | None:
    """Return what maintenance holds back now, or null while there is none."""
    inputs = outcome.state.inputs
    if not is_in_maintenance(inputs, site):
        return None
    muted = muted_ms(inputs, site)
    until_ms = None if muted is None else wall_ms - outcome.state.now_ms + muted[1]
    return {
        "not_called": [
            output.name
            for output in site.outputs
            if output.role in {Role.GENERATOR_CALL, Role.HEATER_CALL}
        ],
        "horn_quiet_until": None if until_ms is None else iso_time(until_ms),
    }


def _scaled(value: object, divisor: int) -> float | None:
    return value / divisor if isinstance(value, int) else None


def shown_alarms(outcome: Outcome) -> tuple[tuple[Alarm, ...], tuple[Alarm, ...]]:
    """Return every alarm that is shown, and those of them that a proof test raised."""
    proof = outcome.state.proof
    tried = () if proof is None or proof.alarm is None else (proof.alarm,)
    every = (*outcome.state.alarms, *tried)
    return tuple(a for a in every if a.state is not AlarmState.NORMAL), tried


def _alarms(outcome: Outcome, site: Site, wall_ms: int) -> list[dict[str, Any]]:
    now_ms, troubles = outcome.state.now_ms, dict(outcome.state.troubles)
    shown: list[dict[str, Any]] = []
    raised, tried = shown_alarms(outcome)
    for alarm in raised:
        rule, ahead, detail = site.rules[alarm.index], "", ""
        if rule.measure.scope is Scope.SELF:
            detail = troubles.get(alarm.subject, "")
        if alarm.subject in site.pack_at:
            pack = outcome.state.packs[site.pack_at[alarm.subject]]
            ahead = outlook(rule, pack, site)
        elif alarm.subject in site.extra_at:
            at, state = site.extra_at[alarm.subject], outcome.state
            ahead = extras.outlook(rule, at, state.packs, state.extras, site)
        shown.append(
            {
                "alarm": rule.name,
                "state": alarm.state.value,
                "priority": rule.priority.value,
                "subject": alarm.where or alarm.subject,
                "since": iso_time(wall_ms - now_ms + alarm.since_ms),
                "message": message(rule, alarm, site, detail=detail, ahead=ahead),
                **({"proving": True} if alarm in tried else {}),
            }
        )
    return shown
