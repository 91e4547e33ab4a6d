"""A battery heater: warm when charge comes, and not a watt-hour earlier.

A heater draws on the bank that it is to save. So it heats ahead of the next chance to
charge (a configured or learned time of day, or a set that runs), for as long as the
coldest cell needs, and never below a floor of charge. What is not known keeps it off.
An independent thermal cut-out is needed all the same (IEC 62984-2: a heater's failure
must not create a hazard).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tocsin.core.alarm import NEVER_MS
from tocsin.core.bank import lowest_soc_permille
from tocsin.core.forecast import Limit
from tocsin.core.hours import DAY_MS, HOUR_MS, day_ms, until_ms
from tocsin.core.inputs import MAINTENANCE, is_in_maintenance
from tocsin.core.levels import (
    MINIMUM_OFF,
    NO_DATA,
    OutputState,
    View,
    is_sighted,
    set_to,
)

if TYPE_CHECKING:
    from tocsin.core.plant import HeaterPlan
    from tocsin.core.site import Output

BELOW_DC = 10
"""Heating begins this far below what the cells are warmed to."""

SKIN_GAP_DC = 50
"""And goes on again when its own sensor is this far below its limit."""

FLOOR_GAP_PERMILLE = 50
FLOOR_GAP_TIMES = (3, 2)
"""Above the floor again: 5 % more charge, half as much time more."""

MARGIN = (3, 2)
"""Losses are not known, so half as much time again is planned."""

LONGEST_LEAD_MS = 12 * HOUR_MS

COLD = "cold-cells"
NO_CHANCE = "waiting-for-charge"
UNKNOWN_CHANCE = "charging-time-unknown"
FLOOR = "battery-floor"
SKIN = "skin-limit"
DUTY = "duty-rest"

WAITS_FOR = {
    NO_CHANCE: "the time to warm up for the next charge",
    UNKNOWN_CHANCE: "mornings to learn from, the local time, or charge_at",
    FLOOR: "more charge in the bank",
    SKIN: "its own sensor to be cooler, and to be readable",
    DUTY: "the end of its rest",
    MAINTENANCE: "the maintenance switch to be off, and to be readable",
    MINIMUM_OFF: "the end of its shortest rest",
    NO_DATA: "readings of every pack, with temperatures",
}
"""The core's own reasons, as what a heater waits for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """What is remembered of a heater between two moments.

    Attributes:
        since_ms: When it last went on or off.
        text: Why, in words.
        is_low: The bank went below the floor and is not enough above it again.
        is_unsaid: Where it is cannot be said.
        is_hot: Its own sensor reached the limit and has not cooled enough.
        rest_end_ms: It rests until then.
        is_begun: It has begun to warm the cells for the next charge, and goes on.
    """

    since_ms: int = 0
    text: str = ""
    is_low: bool = False
    is_unsaid: bool = False
    is_hot: bool = False
    rest_end_ms: int = 0
    is_begun: bool = False


def heater(
    was: OutputState, output: Output, view: View, *, set_runs: bool
) -> OutputState:
    """Return a planned heater's new state; *set_runs* is a chance to charge now."""
    plan = output.heater
    if plan is None:
        return was
    heat = _noted(was.heat or Heat(), plan, view, set_runs=set_runs)
    cold_dc = coldest_dc(view, plan)
    why, due_ms = _why_not(
        was, output, heat, view, plan=plan, cold_dc=cold_dc, set_runs=set_runs
    )
    is_cold = cold_dc is None or _is_cold(cold_dc, plan, heats=was.energised)
    is_on = is_cold and not why
    if not is_cold:
        why = ()
    heat = replace(heat, is_begun=_is_begun(heat, why, is_on=is_on, set_runs=set_runs))
    new = set_to(
        was,
        energised=is_on,
        why=(COLD, *why) if is_cold else (),
        now_ms=view.now_ms,
        due_ms=due_ms,
    )
    if was.energised is is_on:
        return new if new.heat == heat else replace(new, heat=heat)
    return _turned(new, heat, plan, view.now_ms, why=why, cold_dc=cold_dc)


def _is_begun(heat: Heat, why: tuple[str, ...], *, is_on: bool, set_runs: bool) -> bool:
    if is_on:
        return heat.is_begun or not set_runs
    return heat.is_begun and bool(why) and NO_CHANCE not in why


def _turned(
    new: OutputState,
    heat: Heat,
    plan: HeaterPlan,
    now_ms: int,
    *,
    why: tuple[str, ...],
    cold_dc: int | None,
) -> OutputState:
    """Return the heater with what it has used, and why it went on or off."""
    counts = new.counts
    if new.energised:
        degrees = "" if cold_dc is None else f"{cold_dc / 10:.1f} degC"
        text = f"heats: coldest cell at {degrees}, to {plan.warm_to_dc / 10:.1f} degC"
    else:
        lasted_ms = now_ms - heat.since_ms
        counts = replace(counts, run_ms=counts.run_ms + lasted_ms)
        reason = ", ".join(why) or "the cells are warm"
        text = (
            f"off after {lasted_ms / 60_000:.0f} min: {reason}; about "
            f"{energy_kwh(lasted_ms, plan):.2f} kWh, "
            f"{energy_kwh(counts.run_ms, plan):.1f} kWh in all"
        )
        rest_ms = plan.duty_off_ms if DUTY in why else 0
        heat = replace(heat, rest_end_ms=now_ms + rest_ms)
    heat = replace(heat, since_ms=now_ms, text=text)
    # Its own reasons may end at once, or change: look again at this same moment.
    return replace(new, heat=heat, counts=counts, due_ms=now_ms)


def energy_kwh(on_ms: int, plan: HeaterPlan) -> float:
    """Return the energy of so much time on, from the stated watts: an estimate."""
    return plan.watts * on_ms / 3_600_000_000


def lead_ms(cold_dc: int, plan: HeaterPlan) -> int:
    """Return how long it takes to warm the cells, with a margin.

    Heat is mass times specific heat times kelvin, without losses (the formula of any
    physics text), half as much again for them.
    """
    kelvin_10 = max(0, plan.warm_to_dc - cold_dc)
    heat_ms = kelvin_10 * plan.joule_per_kelvin * 100 // plan.watts
    return min(LONGEST_LEAD_MS, heat_ms * MARGIN[0] // MARGIN[1])


def coldest_dc(view: View, plan: HeaterPlan) -> int | None:
    """Return the bank's coldest sensor but the heater's own; None if one is unknown."""
    lows: list[int] = []
    for pack, state in zip(view.site.bank.packs, view.packs, strict=True):
        temps = () if state.sample is None else state.sample.temps_dc
        if plan.skin is not None and plan.skin.pack == pack.name:
            at = plan.skin.sensor - 1
            temps = (*temps[:at], *temps[at + 1 :])
        if not temps:
            return None
        lows.append(min(temps))
    return min(lows)


def _is_cold(cold_dc: int, plan: HeaterPlan, *, heats: bool) -> bool:
    if heats:
        return cold_dc < plan.warm_to_dc
    return cold_dc <= plan.warm_to_dc - BELOW_DC


def _noted(heat: Heat, plan: HeaterPlan, view: View, *, set_runs: bool) -> Heat:
    is_low = not set_runs and _is_low(plan, view, was=heat.is_low)
    is_unsaid = not set_runs and _is_unsaid(plan, view)
    is_hot = _is_hot(plan, view, was=heat.is_hot)
    if (is_low, is_unsaid, is_hot) == (heat.is_low, heat.is_unsaid, heat.is_hot):
        return heat
    return replace(heat, is_low=is_low, is_unsaid=is_unsaid, is_hot=is_hot)


def _is_unsaid(plan: HeaterPlan, view: View) -> bool:
    """Return True while a floor is set and nobody can say where the bank is."""
    no_soc = plan.floor_permille is not None and lowest_soc_permille(view.packs) is None
    return no_soc or (plan.floor_ms > 0 and _least_ms(view) is None)


def _least_ms(view: View) -> int | None:
    """Return the early time to the low cut-off of the pack that gets there first."""
    told = [state.forecast(Limit.LOW) for state in view.packs]
    early = [each.early_ms for each in told if each and each.early_ms is not None]
    return min(early) if early and len(early) == len(view.packs) else None


def _is_low(plan: HeaterPlan, view: View, *, was: bool) -> bool:
    """Return True from below the floor until enough above; unknown changes nothing."""
    soc, least_ms = lowest_soc_permille(view.packs), _least_ms(view)
    if plan.floor_permille is not None:
        gap = FLOOR_GAP_PERMILLE if was else 0
        if was if soc is None else soc < plan.floor_permille + gap:
            return True
    times, parts = FLOOR_GAP_TIMES if was else (1, 1)
    if not plan.floor_ms or least_ms is None:
        return was and plan.floor_ms > 0
    return least_ms * parts < plan.floor_ms * times


def _is_hot(plan: HeaterPlan, view: View, *, was: bool) -> bool:
    """Return True at the heater's own limit, or if its sensor cannot be read."""
    skin = plan.skin
    if skin is None:
        return False
    sample = view.packs[view.site.pack_at[skin.pack]].sample
    if sample is None or len(sample.temps_dc) < skin.sensor:
        return True
    limit_dc = skin.limit_dc - (SKIN_GAP_DC if was else 0)
    at_dc = sample.temps_dc[skin.sensor - 1]
    return at_dc > limit_dc if was else at_dc >= limit_dc


def _why_not(
    was: OutputState,
    output: Output,
    heat: Heat,
    view: View,
    *,
    plan: HeaterPlan,
    cold_dc: int | None,
    set_runs: bool,
) -> tuple[tuple[str, ...], int]:
    """Return why it must be off, if it must, and when time alone changes that."""
    is_read = cold_dc is not None and is_sighted(view.packs, view.site)
    checks = {
        MAINTENANCE: is_in_maintenance(view.inputs, view.site),
        NO_DATA: not is_read,
        SKIN: heat.is_hot,
        FLOOR: heat.is_low or heat.is_unsaid,
    }
    if why := next((name for name, holds in checks.items() if holds), ""):
        return (why,), NEVER_MS
    chance, due_ms = tuple[str, ...](), NEVER_MS
    if cold_dc is not None and not set_runs:
        chance, due_ms = _chance(plan, view, cold_dc, is_begun=heat.is_begun)
    if chance:
        return chance, due_ms
    why, turn_ms = _paced(was, heat, output, plan)
    is_held = bool(why) and view.now_ms < turn_ms
    if was.energised:
        is_held = bool(why) and view.now_ms >= turn_ms
    due_ms = min(due_ms, turn_ms) if turn_ms > view.now_ms else due_ms
    return ((why,) if is_held else ()), due_ms


def _paced(
    was: OutputState, heat: Heat, output: Output, plan: HeaterPlan
) -> tuple[str, int]:
    """Return what ends a spell on, or holds off the next one, and when it does."""
    if was.energised:
        is_watched = plan.skin is not None
        return ("", NEVER_MS) if is_watched else (DUTY, heat.since_ms + plan.duty_on_ms)
    back_ms = was.since_ms + output.min_off_ms
    if heat.rest_end_ms > back_ms:
        return DUTY, heat.rest_end_ms
    return MINIMUM_OFF, back_ms


def _chance(
    plan: HeaterPlan, view: View, cold_dc: int, *, is_begun: bool
) -> tuple[tuple[str, ...], int]:
    """Return why no charge is near, if none is, and when that changes by time.

    What has begun goes on although less and less time is needed.
    """
    at_ms = charge_at_ms(plan, view)
    day = day_ms(view.local_ms, view.now_ms)
    if at_ms is None or day is None:
        return (UNKNOWN_CHANCE,), NEVER_MS
    ahead_ms = LONGEST_LEAD_MS if is_begun else lead_ms(cold_dc, plan)
    begin_ms, end_ms = at_ms - ahead_ms, at_ms + plan.window_ms
    is_near = (day - begin_ms) % DAY_MS < end_ms - begin_ms
    edge_ms = until_ms(end_ms if is_near else begin_ms, day)
    return (() if is_near else (NO_CHANCE,)), view.now_ms + edge_ms


def charge_at_ms(plan: HeaterPlan, view: View) -> int | None:
    """Return the time of day when charge is expected; None while nobody knows."""
    return view.dawn.usual_ms if plan.charge_at_ms is None else plan.charge_at_ms
