"""A small guarded site, and short histories of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from core_builders import CHARGE, low_rule, output, reading, rule, site, stage
from core_histories import LOST, History, Told
from tocsin.core.events import Reading
from tocsin.core.rules import Role
from tocsin.core.site import Site, Timing

if TYPE_CHECKING:
    from tocsin.core.engine import Outcome
    from tocsin.core.events import Event


def permits_on(outcome: Outcome, *roles: Role) -> set[str]:
    asked = roles or (Role.CHARGE_PERMIT, Role.LOAD_PERMIT)
    return {d.output for d in outcome.demands if d.role in asked and d.energised}


def told(*events: Event) -> tuple[Told, ...]:
    return tuple(Told(e, is_good=isinstance(e, Reading)) for e in events)


HIGH = rule("high", actions=(CHARGE,), on_delay_ms=2_000)
GUARDED = site(
    LOST,
    HIGH,
    rule("latched", trip_at=3_650, actions=(CHARGE,), latching=True),
    low_rule("low", actions=(stage(2),)),
    outputs=(
        output("charge", Role.CHARGE_PERMIT, min_off_ms=5_000),
        output("heating", Role.LOAD_PERMIT, stage=1),
        output("kitchen", Role.LOAD_PERMIT, stage=2),
        output("horn", Role.HORN),
        output("beacon", Role.BEACON, min_on_ms=5_000, min_off_ms=5_000),
    ),
    timing=Timing(good_scans=3),
)
"""A small site for the controls: one rule of each kind that they break."""

GOOD = tuple(reading(at_ms) for at_ms in (0, 1_000, 2_000))
FULL = reading(3_000, 3_300, 3_300, 3_300, 3_610)


def guarded(*events: Event, of: Site = GUARDED) -> History:
    return History(of, told(*events))


TOO_FULL = guarded(*GOOD, FULL, replace(FULL, at_ms=5_000))
