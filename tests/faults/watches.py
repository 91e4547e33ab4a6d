"""What was heard of a pack, and plain limits judged a second time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.core.rules import Measure, Role, Rule

if TYPE_CHECKING:
    from tests.faults.world import Shown

    from tocsin.core.site import Site

PLAIN = {
    Measure.HIGHEST_CELL: lambda shown: max(shown.cells_mv),
    Measure.LOWEST_CELL: lambda shown: min(shown.cells_mv),
    Measure.COLDEST: lambda shown: min(shown.temps_dc),
    Measure.HOTTEST: lambda shown: max(shown.temps_dc),
}


@dataclass(slots=True)
class Heard:
    """When one pack was heard, and how often in a row."""

    at_s: float | None = None
    held_s: float = 0.0
    count: int = 0

    def good(self, now_s: float, held_s: float, stale_s: float) -> None:
        """Count a good sample; a silence before it begins the row anew."""
        silent_s = self.silent_s(now_s, held_s)
        if silent_s is not None and silent_s > stale_s:
            self.count = 0
        self.count += 1
        self.at_s, self.held_s = now_s, held_s

    def bad(self, enough: int) -> None:
        """Note one that cannot be true: it breaks a row that is not long enough yet."""
        if self.count < enough:
            self.count = 0

    def silent_s(self, now_s: float, held_s: float) -> float | None:
        """Return for how long nothing was heard, without what we held up ourselves."""
        if self.at_s is None:
            return None
        return now_s - self.at_s - (held_s - self.held_s)


@dataclass(slots=True)
class LimitWatch:
    """One limit of one pack: past it for its delay, until behind it for its own."""

    rule: Rule
    on_charge: bool
    past: bool = False
    since_s: float | None = None
    held_s: float = 0.0
    turned_s: float = 0.0
    turned_held_s: float = 0.0
    turns: int = 0
    told_turns: int = 0

    def see(self, shown: Shown, now_s: float, held_s: float) -> None:
        """Take a sample."""
        self.wait(now_s)
        value = PLAIN[self.rule.measure](shown)
        high_is_bad = self.rule.trip_at > self.rule.clear_at
        limit = self.rule.clear_at if self.past else self.rule.trip_at
        turns = value >= limit if high_is_bad is not self.past else value <= limit
        if not turns:
            self.since_s = None
        elif self.since_s is None:
            self.since_s, self.held_s = now_s, held_s
        self.wait(now_s)

    def wait(self, now_s: float) -> None:
        """Turn if the delay is over."""
        if self.since_s is None:
            return
        delay_ms = self.rule.off_delay_ms if self.past else self.rule.on_delay_ms
        due_ms = int(self.since_s * 1000) + delay_ms
        if int(now_s * 1000) >= due_ms:  # whole ms, as the daemon's own clock
            self.past = not self.past
            self.turned_s = due_ms / 1000
            self.turned_held_s = self.held_s
            self.since_s = None
            self.turns += 1

    def forbids_s(self, now_s: float, held_s: float) -> float:
        """Return for how long it has been past, without what we held up ourselves."""
        return now_s - self.turned_s - (held_s - self.turned_held_s)


def watches_of(site: Site) -> list[LimitWatch]:
    """Return a watch for each plain limit of a pack."""
    return [
        LimitWatch(rule, any(a.role is Role.CHARGE_PERMIT for a in rule.actions))
        for rule in site.rules
        if rule.measure in PLAIN and rule.gate is None
    ]
