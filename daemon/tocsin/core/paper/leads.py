"""The time every voltage limit of a site gives before the protector cuts off."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import floor, inf
from typing import TYPE_CHECKING

from tocsin.core.paper.cell import (
    CHARGES,
    LOADS,
    TEMPS_C,
    Case,
    Run,
    charged,
    discharged,
)
from tocsin.core.rules import Measure, Role

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.core.rules import Rule
    from tocsin.core.site import Site

READ_S = 1.0
"""How often the rate of rise is looked at."""

LOOKED_AT_S = 1_800.0
"""A rise is followed over so long before the cut-off: cells near full rise faster."""


def rounded_down(value: float) -> str:
    """Return *value* to a tenth, so that what is too little never looks enough."""
    return f"{floor(value * 10) / 10:.1f}"


class Side(StrEnum):
    """Which cut-off a limit is ahead of."""

    LOW = "low"
    HIGH = "high"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """What a limit gives in one case.

    Attributes:
        seconds: From the alarm to the cut-off; 0 when it comes no sooner than that.
        is_carried: False where even a full cell does not carry the load for the lead
            asked for, so that no limit could give it.
    """

    case: Case
    seconds: float
    is_carried: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadTimes:
    """What one limit gives in every case."""

    rule: Rule
    side: Side
    leads: tuple[Lead, ...]

    @property
    def carried(self) -> tuple[Lead, ...]:
        """Return the cases that count, the shortest time first."""
        counted = (lead for lead in self.leads if lead.is_carried)
        return tuple(sorted(counted, key=lambda lead: lead.seconds))

    @property
    def median_s(self) -> float:
        """Return the middle of the cases that count, of which there must be one."""
        ranked = [lead.seconds for lead in self.carried]
        return (ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2]) / 2

    def shorter_than(self, asked_s: float) -> Lead | None:
        """Return the worst case if it gives less than *asked_s*, or None."""
        worst = next(iter(self.carried), None)
        return worst if worst is not None and worst.seconds < asked_s else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """What is known of a site before power-up.

    Attributes:
        limits: One a rule, in the order of the site.
        uncarried: Cases in which a full cell does not last for the lead asked for,
            with how long it does.
        unknown: Rules that wait for something a single cell does not tell.
    """

    limits: tuple[LeadTimes, ...]
    uncarried: tuple[Lead, ...]
    unknown: tuple[Rule, ...]


def on_paper(site: Site) -> Paper | None:
    """Return what every voltage limit gives; None where no curve is published."""
    if not site.chemistry.curve:
        return None
    limits: list[LeadTimes] = []
    unknown: list[Rule] = []
    for rule in site.rules:
        side = _side(rule)
        if side is None:
            continue
        if rule.gate is not None and rule.gate.measure not in _GATES[side]:
            unknown.append(rule)
            continue
        leads = tuple(_lead(rule, side, case, site) for case in _cases(side, site))
        limits.append(LeadTimes(rule=rule, side=side, leads=leads))
    return Paper(
        limits=tuple(limits), uncarried=_uncarried(site), unknown=tuple(unknown)
    )


_GATES = {
    Side.LOW: (Measure.LOWEST_CELL, Measure.DISCHARGE_CURRENT, Measure.COLDEST),
    Side.HIGH: (Measure.HIGHEST_CELL, Measure.CHARGE_CURRENT, Measure.COLDEST),
}


def _side(rule: Rule) -> Side | None:
    match rule.measure:
        case Measure.LOWEST_CELL if not rule.rises:
            return Side.LOW
        case Measure.HIGHEST_CELL | Measure.HIGHEST_CELL_AHEAD if rule.rises and any(
            action.role is Role.CHARGE_PERMIT for action in rule.actions
        ):
            return Side.HIGH
    return None


def _cases(side: Side, site: Site) -> Iterator[Case]:
    """Give every case; no charge where the protector refuses it in the cold."""
    cold_c = site.cold_charge_dc / 10 if side is Side.HIGH else -inf
    for is_aged in (False, True):
        for temp_c in TEMPS_C:
            if temp_c > cold_c:
                for rate in LOADS if side is Side.LOW else CHARGES:
                    yield Case(rate=rate, temp_c=temp_c, is_aged=is_aged)


def _run(side: Side, case: Case, site: Site) -> tuple[Run, float]:
    """Return the run and when the protector cuts it off."""
    points = site.chemistry.rested
    ohm_ah = site.chemistry.resistance_mohm_ah / 1_000
    if side is Side.LOW:
        cut_v = site.low_cut_mv / 1_000
        run = discharged(points, ohm_ah, cut_v, case)
        return run, run.reached_s(-cut_v)
    cut_v = site.high_cut_mv / 1_000
    run = charged(points, ohm_ah, cut_v, case)
    return run, run.reached_s(cut_v)


def _uncarried(site: Site) -> tuple[Lead, ...]:
    lasting = (
        Lead(case=case, seconds=_run(Side.LOW, case, site)[1], is_carried=False)
        for case in _cases(Side.LOW, site)
    )
    return tuple(lead for lead in lasting if lead.seconds < site.lead_ms / 1_000)


def _lead(rule: Rule, side: Side, case: Case, site: Site) -> Lead:
    run, cut_s = _run(side, case, site)
    from_s, to_s = _while_gated(rule, side, case, site, run)
    if rule.measure is Measure.HIGHEST_CELL_AHEAD:
        raised_s = _rising_s(rule, site, run, max(from_s, cut_s - LOOKED_AT_S), cut_s)
    else:
        sign = 1 if side is Side.HIGH else -1
        beyond_s = max(from_s, run.reached_s(sign * rule.trip_at / 1_000))
        raised_s = beyond_s + rule.on_delay_ms / 1_000
    seconds = max(0.0, cut_s - raised_s) if raised_s <= to_s else 0.0
    is_carried = side is Side.HIGH or cut_s >= site.lead_ms / 1_000
    return Lead(case=case, seconds=seconds, is_carried=is_carried)


def _while_gated(
    rule: Rule, side: Side, case: Case, site: Site, run: Run
) -> tuple[float, float]:
    """Return from when to when the rule counts; an empty span if it never does."""
    gate = rule.gate
    if gate is None:
        return 0.0, inf
    if gate.measure in {Measure.LOWEST_CELL, Measure.HIGHEST_CELL}:
        low_v = None if gate.at_least is None else gate.at_least / 1_000
        high_v = None if gate.at_most is None else gate.at_most / 1_000
        if side is Side.LOW:
            first, last = (None if v is None else -v for v in (high_v, low_v))
        else:
            first, last = low_v, high_v
        return (
            0.0 if first is None else run.reached_s(first),
            inf if last is None else run.reached_s(last),
        )
    value = (
        case.temp_c * 10
        if gate.measure is Measure.COLDEST
        else case.rate * site.bank.capacity_mah
    )
    at_least = -inf if gate.at_least is None else gate.at_least
    at_most = inf if gate.at_most is None else gate.at_most
    return (0.0, inf) if at_least <= value <= at_most else (inf, -inf)


def _rising_s(rule: Rule, site: Site, run: Run, from_s: float, cut_s: float) -> float:
    """Return when a rule on where the cell will be is raised; endless if it is not.

    The rate is the smaller one of the two halves of the window, as in
    `tocsin.core.measures.highest_ahead_mv`.
    """
    half_s = site.timing.rise_window_ms / 2_000
    ahead = site.timing.rise_ahead_ms / 1_000 / half_s
    trip_v, delay_s = rule.trip_at / 1_000, rule.on_delay_ms / 1_000
    at_s, since_s = max(from_s, 0.0), inf
    while at_s < cut_s:
        was_v, mid_v, now_v = (run.depth_v(at_s - back * half_s) for back in (2, 1, 0))
        rise_v = max(0.0, min(mid_v - was_v, now_v - mid_v))
        since_s = min(since_s, at_s) if now_v + rise_v * ahead >= trip_v else inf
        if at_s - since_s >= delay_s:
            return at_s
        at_s += READ_S
    return inf
