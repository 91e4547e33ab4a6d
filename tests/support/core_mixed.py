"""Banks with sources beside the packs' own, for tests of the core."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from core_builders import CHARGE, Player, output, rule, sample, site
from tocsin.core.events import Reading, ReadingFailed
from tocsin.core.model import Agreement, Extra, Sample, Value
from tocsin.core.rules import Measure, Role

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.core.engine import Outcome
    from tocsin.core.model import Lent
    from tocsin.core.rules import Rule
    from tocsin.core.site import Site

AGREE = {
    Value.CURRENT: Agreement(fixed=2_000, permille=100),
    Value.VOLTAGE: Agreement(fixed=100),
    Value.SOC: Agreement(fixed=100),
}
APART_DELAY_MS = 30_000


def extra(name: str = "shunt", of: str = "bank", *gives: Value) -> Extra:
    values = gives or (Value.CURRENT,)
    return Extra(name=name, of=of, gives=tuple((v, AGREE[v]) for v in values))


def apart_rule(**changes: Any) -> Rule:
    values: dict[str, Any] = {
        "measure": Measure.DISAGREEMENT,
        "trip_at": 1_000,
        "clear_at": 700,
        "on_delay_ms": APART_DELAY_MS,
        "is_data_loss": True,
        "actions": (CHARGE,),
    }
    return rule("source-disagreement", **(values | changes))


def lost_rule(**changes: Any) -> Rule:
    values: dict[str, Any] = {
        "measure": Measure.EXTRA_AGE,
        "trip_at": 10_000,
        "clear_at": 5_000,
        "off_delay_ms": 5_000,
    }
    return rule("extra-source-lost", **(values | changes))


def load_rule(**changes: Any) -> Rule:
    values: dict[str, Any] = {
        "measure": Measure.DISCHARGE_CURRENT,
        "trip_at": 80_000,
        "clear_at": 70_000,
    }
    return rule("discharge-current", **(values | changes))


def mixed(
    *extras: Extra,
    rules: Iterable[Rule] = (),
    packs: tuple[str, ...] = ("left", "right"),
    **changes: Any,
) -> Site:
    """Return two strings of one pack and what watches them beside their own."""
    return site(
        *(rules or (apart_rule(), lost_rule(), load_rule())),
        outputs=(output("charge", Role.CHARGE_PERMIT),),
        packs=packs,
        extras=extras or (extra(),),
        **changes,
    )


def says(at_ms: int, name: str, current_ma: int | None, **changes: Any) -> Reading:
    """A pack that says its current, or with None one that never does."""
    changes["current_ma"] = current_ma
    return Reading(at_ms=at_ms, pack=name, sample=sample(**changes))


def meter(at_ms: int, name: str = "shunt", **values: Any) -> Reading:
    return Reading(at_ms=at_ms, pack=name, sample=Sample(**values))


class Bench(Player):
    """A bank whose packs and shunt all speak once a second."""

    def hear(self, for_s: int = 1, **currents_ma: int | None) -> Outcome:
        """Let every source named say its current; one that is None says none."""
        for _ in range(for_s):
            at_ms = self.state.now_ms + 1_000
            for name, current_ma in currents_ma.items():
                if name in self.site.extra_at:
                    self.play(meter(at_ms, name, current_ma=current_ma))
                else:
                    self.play(says(at_ms, name, current_ma))
        return self.outcomes[-1]

    def silent(self, name: str = "shunt") -> Outcome:
        event = ReadingFailed(at_ms=self.state.now_ms, pack=name, reason="no answer")
        return self.play(event)

    def current_ma(self, pack: str) -> int | None:
        found = self.state.packs[self.site.pack_at[pack]].sample
        return None if found is None else found.current_ma

    def lent(self, pack: str) -> tuple[Lent, ...]:
        return self.state.packs[self.site.pack_at[pack]].lent
