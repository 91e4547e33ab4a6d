"""What a history must lead to, worked out without the core's own functions."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tocsin.core.events import AlarmFact, OutputFact, Reading
from tocsin.core.rules import Action, Measure, Role, Rule

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from core_histories import Told
    from tocsin.core.events import Fact
    from tocsin.core.model import Sample
    from tocsin.core.site import Site

CHARGE = Role.CHARGE_PERMIT


def plain_value(measure: Measure, sample: Sample) -> int | None:
    """Return one of the four plain measures of what a pack said."""
    match measure:
        case Measure.HIGHEST_CELL:
            return max(sample.cells_mv, default=sample.high_cell_mv)
        case Measure.LOWEST_CELL:
            return min(sample.cells_mv, default=sample.low_cell_mv)
        case Measure.COLDEST:
            return min(sample.temps_dc, default=None)
        case _:
            return max(sample.temps_dc, default=None)


PLAIN = frozenset(
    {Measure.HIGHEST_CELL, Measure.LOWEST_CELL, Measure.COLDEST, Measure.HOTTEST}
)


@dataclass
class LimitWatch:
    """One plain limit of one pack: past it for its delay, until behind it for its own.

    What is not said is never for the better: what was pending is, what was about to
    return is not.
    """

    rule: Rule
    past: bool = False
    since_ms: int | None = None
    turns_ms: list[tuple[int, bool]] = field(default_factory=list)

    def wait(self, now_ms: int) -> None:
        delay_ms = self.rule.off_delay_ms if self.past else self.rule.on_delay_ms
        if self.since_ms is not None and now_ms >= self.since_ms + delay_ms:
            self.past = not self.past
            self.turns_ms.append((self.since_ms + delay_ms, self.past))
            self.since_ms = None

    def see(self, value: int | None, now_ms: int) -> None:
        self.wait(now_ms)
        if value is None:
            self.since_ms = None if self.past else self.since_ms
            return
        limit = self.rule.clear_at if self.past else self.rule.trip_at
        high_is_bad = self.rule.trip_at > self.rule.clear_at
        at_or_above, at_or_below = value >= limit, value <= limit
        turns = at_or_above if high_is_bad != self.past else at_or_below
        if not turns:
            self.since_ms = None
        elif self.since_ms is None:
            self.since_ms = now_ms
        self.wait(now_ms)


@dataclass
class PackWatch:
    """When one pack was heard, how often since it was lost, and its plain limits."""

    limits: list[LimitWatch]
    heard_ms: int | None = None
    good: int = 0

    def is_fresh(self, now_ms: int, stale_ms: int) -> bool:
        return self.heard_ms is not None and now_ms < self.heard_ms + stale_ms


def plain_rules(site: Site) -> list[Rule]:
    return [r for r in site.rules if r.measure in PLAIN and r.gate is None]


def acts_on_charge(rule: Rule) -> bool:
    return Action(role=CHARGE) in rule.actions


class BankWatch:
    """Every pack of a site, told the same history as the core."""

    def __init__(self, site: Site) -> None:
        self.stale_ms = site.timing.stale_ms
        self.packs = {
            pack.name: PackWatch([LimitWatch(rule) for rule in plain_rules(site)])
            for pack in site.bank.packs
        }

    def hear(self, told: Told) -> None:
        event = told.event
        for pack in self.packs.values():
            if not pack.is_fresh(event.at_ms, self.stale_ms):
                pack.good = 0
            for limit in pack.limits:
                limit.wait(event.at_ms)
        if not isinstance(event, Reading) or not told.is_good:
            return
        pack = self.packs[event.pack]
        pack.heard_ms = event.at_ms
        pack.good += 1
        for limit in pack.limits:
            limit.see(plain_value(limit.rule.measure, event.sample), event.at_ms)

    def past_charge_limits(self) -> list[str]:
        """Return the plain limits that forbid charge now."""
        return [
            f"{limit.rule.name} of {name}"
            for name, pack in self.packs.items()
            for limit in pack.limits
            if limit.past and acts_on_charge(limit.rule)
        ]


def scans_at(told: Sequence[Told], pack: str, at_ms: int, stale_ms: int) -> int:
    """Return how many good readings of *pack* came in a row without a loss by then."""
    times = [
        each.event.at_ms
        for each in told
        if each.is_good
        and isinstance(each.event, Reading)
        and each.event.pack == pack
        and each.event.at_ms <= at_ms
    ]
    count, newer_ms = 0, at_ms
    for time_ms in reversed(times):
        if newer_ms - time_ms >= stale_ms:
            break
        count, newer_ms = count + 1, time_ms
    return count


def levels(facts: Iterable[Fact], output: str) -> list[tuple[int, bool]]:
    """Return (at_ms, level) each time *output* changed, as the journal has it."""
    changes: list[tuple[int, bool]] = []
    level = False
    for fact in facts:
        if (
            isinstance(fact, OutputFact)
            and fact.output == output
            and fact.energised is not level
        ):
            level = fact.energised
            changes.append((fact.at_ms, level))
    return changes


def rows_of(facts: Iterable[Fact], alarm: str, subject: str) -> list[AlarmFact]:
    """Return the journal's rows of one alarm; "left/7" is a row of "left"."""
    return [
        fact
        for fact in facts
        if isinstance(fact, AlarmFact)
        and fact.alarm == alarm
        and fact.subject.partition("/")[0] == subject
    ]
