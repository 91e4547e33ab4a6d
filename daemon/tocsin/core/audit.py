"""A second look at every step, worked out another way than the step itself.

The heartbeat and the watchdog are fed only when it finds nothing.
"""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING, NamedTuple

from tocsin.core.alarm import NEVER_MS
from tocsin.core.chunks import Chunks
from tocsin.core.plant import InputRole
from tocsin.core.rules import Measure, Role

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.core.alarm import Alarm
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
    stale_ms, enough = now_ms - timing.stale_ms, timing.good_scans
    packs = Chunks.of(outcome.state.packs)
    worst = packs.seen(_worst)
    if all(each.heard_ms > stale_ms and each.good >= enough for each in worst):
        return
    for i, state in enumerate(packs):
        if state.sample is None:
            yield f"charge is permitted, but {site.bank.packs[i].name} was never read"
        elif state.heard_ms <= stale_ms:
            yield f"charge is permitted, but {site.bank.packs[i].name} is stale"
        elif state.good < enough:
            name = site.bank.packs[i].name
            yield f"charge is permitted after {state.good} readings of {name}"


def _stale_lendings(outcome: Outcome, site: Site) -> Iterable[str]:
    """A value from another source than the pack's own, used past its time."""
    oldest_ms = outcome.state.now_ms - site.timing.stale_ms
    packs = Chunks.of(outcome.state.packs)
    if all(each.lent_ms > oldest_ms for each in packs.seen(_worst)):
        return
    for i, state in enumerate(packs):
        for lent in state.lent:
            if lent.at_ms <= oldest_ms:
                name = site.bank.packs[i].name
                yield f"{name} counts on a {lent.value} of {lent.by} that is stale"


class _Worst(NamedTuple):
    """The worst of some packs.

    Attributes:
        heard_ms: When the one was heard that is silent longest.
        good: The fewest good readings; -1 where a pack was never read.
        lent_ms: Of when the oldest value is that one is lent.
    """

    heard_ms: int
    good: int
    lent_ms: int


def _worst(packs: Iterable[PackState]) -> _Worst:
    return _Worst(
        min([pack.heard_ms for pack in packs]),
        min([pack.good if pack.sample else -1 for pack in packs]),
        min([of.at_ms for pack in packs for of in pack.lent], default=NEVER_MS),
    )


def _begun(alarms: Iterable[Alarm]) -> tuple[tuple[Alarm, int], ...]:
    """Return what has begun to be beyond its limit, and when, but does not act yet."""
    begun = [
        (alarm, alarm.edge_ms)
        for alarm in alarms
        if alarm.edge_ms is not None and not alarm.active
    ]
    return tuple(begun)


def _charging_past_limits(outcome: Outcome, site: Site) -> Iterable[str]:
    """A plain limit of a cell or a temperature, passed for longer than its delay."""
    seen = Chunks.of(outcome.state.alarms).seen(_begun)
    begun = [
        (alarm, edge_ms)
        for index, where in site.charge_limits
        for alarm, edge_ms in chain.from_iterable(seen[where])
        if alarm.index == index
    ]
    for alarm, edge_ms in begun:
        rule = site.rules[alarm.index]
        pack = outcome.state.packs[site.pack_at[alarm.subject]]
        late_ms = outcome.state.now_ms - edge_ms - rule.on_delay_ms
        if late_ms >= 0 and _is_past(rule, pack):
            yield f"charge is permitted, but {rule.name} is past its delay"


def _is_past(rule: Rule, pack: PackState) -> bool:
    sample = pack.sample
    if sample is None:
        return True
    is_cell = rule.measure in {Measure.LOWEST_CELL, Measure.HIGHEST_CELL}
    values = sample.cells_mv if is_cell else sample.temps_dc
    is_low = rule.measure in {Measure.LOWEST_CELL, Measure.COLDEST}
    value = min(values, default=None) if is_low else max(values, default=None)
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
