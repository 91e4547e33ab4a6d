"""Voltage limits that give too little time before a cut-off, worked out on paper."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.paper import Side, rounded_down
from tocsin.core.rules import Measure, Unit
from tocsin_config.document import Document
from tocsin_config.doubts import rule_key

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.core.paper import LeadTimes, Paper
    from tocsin.core.rules import Rule
    from tocsin_config.problems import Problem
    from tocsin_config.setup import Setup


def short_limits(setup: Setup, paper: Paper | None) -> tuple[Problem, ...]:
    """Return a doubt for each limit that *paper* shows to come late somewhere.

    A limit on low cells is late when it gives less than the lead asked for, one that
    inhibits charge when it gives less than the time between two readings. A limit at or
    past the cut-off itself is told by `doubts`.
    """
    if paper is None:
        return ()
    document = (
        Document(file=setup.path) if setup.origin is None else setup.origin.document
    )
    found = [
        document.problem(rule_key(setup, limit.rule.name), wrong, right)
        for limit in paper.limits
        for wrong, right in _late(setup, limit)
    ]
    return tuple(sorted(found))


def _late(setup: Setup, limit: LeadTimes) -> Iterator[tuple[str, str]]:
    site, rule = setup.site, limit.rule
    if limit.side is Side.LOW:
        short = limit.shorter_than(site.lead_ms / 1_000)
        if short is not None and rule.trip_at > site.low_cut_mv:
            asked = f"{site.lead_ms / 60_000:g} min asked for"
            given = rounded_down(short.seconds / 60)
            wrong = f"{rule.name} gives {given} of the {asked} at {short.case.words}"
            yield wrong, _promised(site.rules, site.lead_ms)
        return
    short = limit.shorter_than(setup.poll_ms / 1_000)
    if short is not None and rule.trip_at < site.high_cut_mv:
        wrong = (
            f"{rule.name} inhibits charge {rounded_down(short.seconds)} s before the "
            f"protector's cut-off at {Unit.MV.text(site.high_cut_mv)}, charged at "
            f"{short.case.words}: less than the {setup.poll_ms / 1_000:g} s "
            "between two readings"
        )
        yield wrong, "a lower trip limit or a shorter on_delay_s"


def _promised(rules: tuple[Rule, ...], lead_ms: int) -> str:
    names = [
        rule.name
        for rule in rules
        if rule.measure is Measure.LOW_CELL_TIME and lead_ms <= rule.trip_at
    ]
    if names:
        return f"minutes are promised by {', '.join(names)}; this limit stands behind"
    return "a rule on low-cell-time promises minutes, and this site has none"
