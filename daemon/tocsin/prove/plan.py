"""What is to be proved, in which order, and how long each thing should take. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.core.rules import Measure, Role, Rule
from tocsin_config import driven_by

if TYPE_CHECKING:
    from collections.abc import Collection

    from tocsin.core.site import Output, Site

SLACK_MS = 1_000
"""A pin may be so much later than its rule's delays; common practice, no source."""

EXPECTED = {
    Role.CHARGE_PERMIT: "charging stops",
    Role.LOAD_PERMIT: "the loads of this stage go off",
    Role.HORN: "the horn sounds",
    Role.BEACON: "the lamp lights",
    Role.GENERATOR_CALL: "the start contact closes",
    Role.HEATER_CALL: "the heater's contact closes",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing to prove: a rule on an output, a permit's wire, a source, the process.

    Attributes:
        kind: "rule", "wire", "source" or "process".
        subject: Of a rule, where the virtual reading is; of a source, the pack.
    """

    kind: str
    output: str = ""
    rule: str = ""
    subject: str = ""

    @property
    def name(self) -> str:
        """Return its identity, which is also how people read it."""
        match self.kind:
            case "rule":
                return f"{self.output} by {self.rule}"
            case "wire":
                return f"{self.output}, wire pulled"
            case "source":
                return f"{self.subject}, data cable pulled"
            case _:
                return "process killed"


def whole(site: Site) -> tuple[Item, ...]:
    """Return everything that can be proved, one output after another."""
    items: list[Item] = []
    for output in site.outputs:
        if output.role is Role.HEARTBEAT:
            continue
        for name in driven_by(output, site.rules):
            subject = _subject(site, name)
            if subject:
                item = Item(kind="rule", output=output.name, rule=name, subject=subject)
                items.append(item)
        if output.role.is_permit:
            items.append(Item(kind="wire", output=output.name))
    items += [Item(kind="source", subject=pack.name) for pack in site.bank.packs]
    return (*items, Item(kind="process"))


def chosen(
    items: Collection[Item], outputs: Collection[str], rules: Collection[str]
) -> tuple[Item, ...]:
    """Return those of *items* that were asked for; empty means all of them."""
    return tuple(
        item
        for item in items
        if (not outputs or item.output in outputs) and (not rules or item.rule in rules)
    )


def _subject(site: Site, name: str) -> str:
    """Return where a rule is tried: on another pack from rule to rule."""
    index = next(i for i, rule in enumerate(site.rules) if rule.name == name)
    subjects = [subject for i, subject in site.subjects if i == index]
    return subjects[index % len(subjects)] if subjects else ""


def rule_of(site: Site, name: str) -> Rule:
    """Return the rule called *name*."""
    return next(rule for rule in site.rules if rule.name == name)


def output_of(site: Site, name: str) -> Output:
    """Return the output called *name*."""
    return next(output for output in site.outputs if output.name == name)


def expected_ms(site: Site, rule: Rule, output: Output) -> int:
    """Return how long after the crossing the pin should follow.

    The rule's delay; the age that makes a source stale; for loads the time lost data
    is held, and the wait for the current to fall after each earlier stage.
    """
    raised_ms = rule.on_delay_ms
    if rule.measure is Measure.DATA_AGE:
        raised_ms += rule.trip_at
    if output.role is not Role.LOAD_PERMIT:
        return raised_ms
    due_ms: int | None = None
    for stage in site.load_stages:
        if stage.stage > output.stage:
            break
        own_ms = raised_ms + (stage.hold_ms if rule.is_data_loss else 0)
        settled_ms = 0 if due_ms is None else due_ms + site.timing.shed_settle_ms
        due_ms = max(own_ms, settled_ms)
    return due_ms or 0


def return_ms(site: Site) -> int:
    """Return how long outputs may take to come back after a step."""
    rest_ms = max((max(o.min_off_ms, 0) for o in site.outputs), default=0)
    return rest_ms + site.timing.restore_gap_ms * max(0, len(site.load_stages) - 1)
