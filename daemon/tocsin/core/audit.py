"""A second look at every step, worked out another way than the step itself.

The heartbeat and the watchdog are fed only when it finds nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.plant import InputRole
from tocsin.core.rules import Measure, Role

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.core.engine import Outcome
    from tocsin.core.measures import PackState
    from tocsin.core.rules import Rule
    from tocsin.core.site import Site


def faults(outcome: Outcome, site: Site) -> tuple[str, ...]:
    """Return what must never be and yet is; empty when the step is sound."""
    energised = {d.output for d in outcome.demands if d.energised}
    permits = [o.name for o in site.outputs if o.role is Role.CHARGE_PERMIT]
    found: list[str] = []
    if energised.intersection(permits):
        found += _blind_charging(outcome, site)
        found += _charging_past_limits(outcome, site)
    found += _stale_lendings(outcome, site)
    found += _shed_out_of_order(energised, site)
    found += _called_while_locked(outcome, energised, site)
    found += _proved_on(outcome, energised, site)
    asked = {d.output for d in outcome.demands} | {
        o.name for o in site.outputs if o.role is Role.HEARTBEAT
    }
    missing = {o.name for o in site.outputs} - asked
    found += [f"no level for output {name}" for name in sorted(missing)]
    return tuple(found)


def _called_while_locked(
    outcome: Outcome, energised: set[str], site: Site
) -> Iterable[str]:
    levels = zip(site.inputs, outcome.state.inputs, strict=True)
    locks = [s.level for i, s in levels if i.role is InputRole.GENERATOR_LOCKOUT]
    if all(level is False for level in locks):
        return
    for output in site.outputs:
        if output.role is Role.GENERATOR_CALL and output.name in energised:
            yield f"{output.name} is called although its local lock-out is not off"


def _blind_charging(outcome: Outcome, site: Site) -> Iterable[str]:
    now_ms, timing = outcome.state.now_ms, site.timing
    for pack, state in zip(site.bank.packs, outcome.state.packs, strict=True):
        if state.sample is None:
            yield f"charge is permitted, but {pack.name} was never read"
        elif now_ms - state.heard_ms >= timing.stale_ms:
            yield f"charge is permitted, but {pack.name} is stale"
        elif state.good < timing.good_scans:
            yield f"charge is permitted after {state.good} readings of {pack.name}"


def _stale_lendings(outcome: Outcome, site: Site) -> Iterable[str]:
    """A value from another source than the pack's own, used past its time."""
    oldest_ms = outcome.state.now_ms - site.timing.stale_ms
    for pack, state in zip(site.bank.packs, outcome.state.packs, strict=True):
        for lent in state.lent:
            if lent.at_ms <= oldest_ms:
                yield f"{pack.name} counts on a {lent.value} of {lent.by} that is stale"


def _charging_past_limits(outcome: Outcome, site: Site) -> Iterable[str]:
    """A plain limit of a cell or a temperature, passed for longer than its delay."""
    for alarm in outcome.state.alarms:
        if alarm.edge_ms is None or alarm.active:
            continue
        rule = site.rules[alarm.index]
        if all(action.role is not Role.CHARGE_PERMIT for action in rule.actions):
            continue
        pack = outcome.state.packs[site.pack_at.get(alarm.subject, 0)]
        late_ms = outcome.state.now_ms - alarm.edge_ms - rule.on_delay_ms
        if late_ms >= 0 and _is_past(rule, pack):
            yield f"charge is permitted, but {rule.name} is past its delay"


def _is_past(rule: Rule, pack: PackState) -> bool:
    sample = pack.sample
    if sample is None:
        return True
    match rule.measure:
        case Measure.LOWEST_CELL:
            value = min(sample.cells_mv, default=None)
        case Measure.HIGHEST_CELL:
            value = max(sample.cells_mv, default=None)
        case Measure.COLDEST:
            value = min(sample.temps_dc, default=None)
        case Measure.HOTTEST:
            value = max(sample.temps_dc, default=None)
        case _:
            return False
    return value is not None and rule.is_beyond(value)


def _proved_on(outcome: Outcome, energised: set[str], site: Site) -> Iterable[str]:
    """A proof test may drop a permit, and never give one or keep one."""
    if outcome.state.proof is None:
        return
    for output, live in zip(site.outputs, outcome.state.outputs, strict=True):
        if output.role.is_permit and output.name in energised and not live.energised:
            yield f"{output.name} is energised by a proof test"


def _shed_out_of_order(energised: set[str], site: Site) -> Iterable[str]:
    loads = sorted(
        (o for o in site.outputs if o.role is Role.LOAD_PERMIT), key=lambda o: o.stage
    )
    on = [load for load in loads if load.name in energised]
    for late in (load for load in loads if load not in on):
        if on and on[0].stage < late.stage:
            yield f"load {late.name} is shed before {on[0].name}"
