"""When charge usually begins, learned from the last days that were free to charge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tocsin.core.bank import net_ma
from tocsin.core.hours import HOUR_MS, day_ms
from tocsin.core.levels import OutputState, is_sighted
from tocsin.core.rules import Role

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.measures import PackState
    from tocsin.core.site import Site

DAYS = 7
"""So many days are remembered, and of them"""

FEWEST = 3
"""at least so many are needed; common practice, no source."""

NIGHT_MS = 4 * HOUR_MS
"""Charge begins anew after so long without."""

LASTING_MS = 600_000
"""It must last so long to count."""

FREE_MS = HOUR_MS
"""And charge must have been permitted for so long before: where the cold inhibits it,
it begins when the cells are warm, not when the sun is up."""

LEAST_PERMILLE = 10
"""From 0.01C of the bank on a current is charge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dawn:
    """Begins of charge.

    Attributes:
        begins_ms: Times of day, the oldest first, of the last days.
        idle_ms: Since when no charge flows; None while it flows.
        charging_ms: Since when it flows after a night; None otherwise.
        barred_ms: When charge was last inhibited or a set ran; None if never.
    """

    begins_ms: tuple[int, ...] = ()
    idle_ms: int | None = None
    charging_ms: int | None = None
    barred_ms: int | None = None

    @property
    def usual_ms(self) -> int | None:
        """Return the median time of day; None while too few days are known."""
        if len(self.begins_ms) < FEWEST:
            return None
        return sorted(self.begins_ms)[len(self.begins_ms) // 2]


def observed(
    dawn: Dawn,
    packs: Sequence[PackState],
    outputs: tuple[OutputState, ...],
    site: Site,
    now: tuple[int | None, int],
    *,
    set_runs: bool,
) -> Dawn:
    """Return *dawn* after a reading; *now* is the local offset and the core's time."""
    local_ms, now_ms = now
    if set_runs or _is_barred(outputs, site):
        return replace(dawn, barred_ms=now_ms, charging_ms=None)
    current_ma = net_ma(packs, site) if is_sighted(packs, site) else None
    if current_ma is None:
        return replace(dawn, idle_ms=None, charging_ms=None)
    if current_ma * 1_000 < site.bank.total_capacity_mah * LEAST_PERMILLE:
        idle_ms = now_ms if dawn.idle_ms is None else dawn.idle_ms
        return replace(dawn, idle_ms=idle_ms, charging_ms=None)
    return dawn if dawn.idle_ms is None else _flowing(dawn, local_ms, now_ms)


def _flowing(dawn: Dawn, local_ms: int | None, now_ms: int) -> Dawn:
    """Return *dawn* while a charge flows that began after some time without."""
    if dawn.charging_ms is None:
        is_morning = now_ms - (dawn.idle_ms or 0) >= NIGHT_MS
        is_free = dawn.barred_ms is None or now_ms - dawn.barred_ms >= FREE_MS
        if is_morning and is_free:
            return replace(dawn, charging_ms=now_ms)
        return replace(dawn, idle_ms=None)
    if now_ms - dawn.charging_ms < LASTING_MS:
        return dawn
    began = day_ms(local_ms, dawn.charging_ms)
    begins = dawn.begins_ms if began is None else (*dawn.begins_ms, began)
    return replace(dawn, begins_ms=begins[-DAYS:], idle_ms=None, charging_ms=None)


def _is_barred(outputs: tuple[OutputState, ...], site: Site) -> bool:
    return any(
        not state.energised
        for output, state in zip(site.outputs, outputs, strict=True)
        if output.role is Role.CHARGE_PERMIT
    )
