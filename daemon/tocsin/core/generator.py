"""A set behind a two-wire start contact: closed asks it to run, open to stop.

The set cranks itself and keeps its own oil and temperature protection. Here is decided
when the contact closes, when load is put on, and when a person is needed instead. The
local lock-out always wins. No permit depends on any of it.

A run goes: off, start delay, starting, warming up, running, cooling down, off. A start
that is not confirmed in time opens the contact for a pause and is tried again; after
the last try the set is locked out until a person resets it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.core.bank import (
    MA_MS_PER_MAH,
    lowest_cell_mv,
    lowest_soc_permille,
    net_ma,
)
from tocsin.core.genset import (
    BLIND_MS,
    CHARGE_BACK,
    CLOSED,
    CONFIRMED,
    COOL_DOWN,
    EXERCISE,
    FAILED,
    HOLD_MS,
    LONGEST_RUN,
    PAUSE,
    START_DELAY,
    WARM_UP,
    Look,
    Phase,
    Run,
    due_ms,
    look,
    stalled_ms,
    was_phase,
)
from tocsin.core.hours import HOUR_MS
from tocsin.core.inputs import of_role, running
from tocsin.core.levels import MINIMUM_ON, OutputState, View, set_to
from tocsin.core.plant import InputRole

if TYPE_CHECKING:
    from tocsin.core.counts import Counts
    from tocsin.core.site import Output


def generator(was: OutputState, output: Output, view: View) -> OutputState:
    """Return a planned generator's new state: at most one move of its phases."""
    plan = output.generator
    if plan is None:
        return was
    now = look(was, output, plan, view)
    run, counts = _moved(now)
    now = replace(now, run=run, counts=counts)
    # A move may make the next one possible at the same moment.
    is_moved = run.phase is not was_phase(was)
    new = set_to(
        was,
        energised=run.phase in CLOSED,
        why=_because(now),
        now_ms=view.now_ms,
        due_ms=view.now_ms if is_moved else due_ms(now),
    )
    return replace(new, run=run, counts=counts)


# --- moves -----------------------------------------------------------------------


def _moved(now: Look) -> tuple[Run, Counts]:
    if now.run.phase in CONFIRMED:
        return _moved_running(now)
    match now.run.phase:
        case Phase.DELAY:
            return _moved_delay(now)
        case Phase.STARTING:
            return _moved_starting(now)
        case Phase.PAUSE:
            return _moved_pause(now)
        case Phase.LOCKED:
            return _moved_locked(now)
        case _:
            return _moved_off(now)


def _to(now: Look, phase: Phase, text: str, **changes: object) -> Run:
    return replace(now.run, phase=phase, since_ms=now.ms, text=text, **changes)  # type: ignore[arg-type]


def _moved_off(now: Look) -> tuple[Run, Counts]:
    if now.counts.locked or now.counts.failed >= now.plan.tries:
        text = "an earlier run locked it out after failed starts; reset the alarm"
        return _to(now, Phase.LOCKED, text), replace(now.counts, locked=True)
    if not now.heeded or now.blocked():
        return now.run, now.counts
    delay_s = now.plan.start_delay_ms // 1_000
    text = f"asked for by {', '.join(now.heeded)}; starts in {delay_s} s"
    is_exercise = not now.asked
    return _to(now, Phase.DELAY, text, exercise=is_exercise), now.counts


def _called_off(now: Look) -> tuple[Run, Counts] | None:
    """Return the set at rest if a start that has not come about is wanted no more."""
    if now.heeded and not now.blocked():
        return None
    why = ", ".join(now.blocked()) if now.wishes else "nothing asks for it any more"
    return _to(now, Phase.OFF, f"not started: {why}"), now.counts


def _moved_delay(now: Look) -> tuple[Run, Counts]:
    if off := _called_off(now):
        return off
    if now.lasted_ms < now.plan.start_delay_ms:
        return now.run, now.counts
    return _started(now)


def _moved_pause(now: Look) -> tuple[Run, Counts]:
    if off := _called_off(now):
        return off
    if now.lasted_ms < now.plan.pause_ms:
        return now.run, now.counts
    return _started(now)


def _started(now: Look) -> tuple[Run, Counts]:
    attempt = now.counts.failed + 1
    text = (
        f"start contact closed, try {attempt} of {now.plan.tries}; it must be seen to "
        f"run within {now.plan.confirm_ms // 1_000} s"
    )
    run = _to(
        now,
        Phase.STARTING,
        text,
        before_ma=net_ma(now.view.packs, now.view.site),
        charging_ms=None,
    )
    return run, replace(now.counts, starts=now.counts.starts + 1)


def _moved_starting(now: Look) -> tuple[Run, Counts]:
    if unsafe := now.unsafe():
        return _stopped(now, f"start broken off: {', '.join(unsafe)}")
    contact = running(now.view.inputs, now.view.site)
    by_contact = contact is not None and contact.level is True
    is_denied = contact is not None and contact.level is False
    charging_ms = now.run.charging_ms
    # The sun charges as well: a contact that says no outweighs a current.
    is_charging = charging_ms is not None and now.ms >= charging_ms + HOLD_MS
    by_current = is_charging and not is_denied
    if by_contact or by_current:
        sign = "its running contact" if by_contact else "the charge current"
        wait_s = now.plan.warm_up_ms // 1_000
        run = _to(
            now,
            Phase.WARMING,
            f"runs, as {sign} shows; warms up for {wait_s} s",
            confirmed_ms=now.ms,
            net_ma_ms=now.view.bank.net_ma_ms,
        )
        return run, now.counts
    if now.lasted_ms < now.plan.confirm_ms:
        return now.run, now.counts
    return _failed(now, "was not seen to run in time")


def _failed(now: Look, what: str) -> tuple[Run, Counts]:
    """Return the set after a start that came to nothing: a pause, or a person."""
    failed = now.counts.failed + 1
    counts = replace(now.counts, failed=failed, stopped_ms=now.ms)
    if failed >= now.plan.tries:
        text = f"{what}; {failed} tries failed, so it is locked out until it is reset"
        return _to(now, Phase.LOCKED, text), replace(counts, locked=True)
    text = f"{what}; contact open for {now.plan.pause_ms // 1_000} s"
    return _to(now, Phase.PAUSE, text), counts


def _moved_locked(now: Look) -> tuple[Run, Counts]:
    """Return the set, free again once it was reset or somebody stood at its lock."""
    locks = of_role(now.view.inputs, now.view.site, InputRole.GENERATOR_LOCKOUT)
    if not now.counts.locked or any(state.level for _, state in locks):
        text = "free to start again"
        counts = replace(now.counts, locked=False, failed=0)
        return _to(now, Phase.OFF, text), counts
    return now.run, now.counts


def _moved_running(now: Look) -> tuple[Run, Counts]:
    if unsafe := now.unsafe():
        return _stopped(now, f"contact opened at once: {', '.join(unsafe)}")
    if stalled_ms(now) <= now.ms:
        return _stalled(now)
    match now.run.phase:
        case Phase.WARMING if now.lasted_ms >= now.plan.warm_up_ms:
            return _to(now, Phase.RUNNING, "is warm; load may be put on it"), now.counts
        case Phase.RUNNING if why := _enough(now):
            wait_s = now.plan.cool_down_ms // 1_000
            text = f"{why}; load off, cools down for {wait_s} s"
            return _to(now, Phase.COOLING, text), now.counts
        case Phase.COOLING if now.lasted_ms >= now.plan.cool_down_ms:
            return _stopped(now, "stopped")
        case _:
            return now.run, now.counts


def _stalled(now: Look) -> tuple[Run, Counts]:
    if now.run.phase is Phase.COOLING:
        return _stopped(now, "stopped by itself")
    counts = replace(now.counts, run_ms=now.counts.run_ms + now.ran_ms)
    return _failed(replace(now, counts=counts), "stopped by itself")


def _stopped(now: Look, how: str) -> tuple[Run, Counts]:
    """Return the set at rest, with its hours counted."""
    counts = replace(now.counts, stopped_ms=now.ms)
    if now.run.phase not in CONFIRMED:
        return _to(now, Phase.OFF, how), counts
    whole_ms = min(now.plan.min_run_ms, now.plan.exercise_run_ms)
    run_ms = counts.run_ms + now.ran_ms
    counts = replace(counts, run_ms=run_ms)
    if now.ran_ms >= whole_ms:
        counts = replace(counts, ran_ms=now.ms, failed=0)
    text = (
        f"{how} after {now.ran_ms / 60_000:.0f} min; {run_ms / HOUR_MS:.1f} h and "
        f"{counts.starts} starts in all"
    )
    return _to(now, Phase.OFF, text), counts


def _enough(now: Look) -> str:
    """Return why a run should end now; empty while it should go on."""
    if now.ran_ms >= now.plan.max_run_ms:
        return "its longest run is over"
    if now.ran_ms < now.plan.min_run_ms or now.urgent:
        return ""
    is_over = now.ran_ms >= now.plan.exercise_run_ms
    blind_ms, is_exercise = now.run.blind_ms, now.run.exercise
    ends = {
        "no readings, so charge is inhibited": blind_ms is not None
        and now.ms >= blind_ms + BLIND_MS,
        "quiet hours, and no emergency": now.is_quiet,
        "exercise run over": is_exercise and is_over and not now.asked,
        "charge has come back": not is_exercise
        and not now.asked
        and _is_charge_back(now),
    }
    return next((why for why, holds in ends.items() if holds), "")


def _is_charge_back(now: Look) -> bool:
    view, plan = now.view, now.plan
    whole_mah = view.site.bank.total_capacity_mah
    wanted_ma_ms = whole_mah * plan.returned_permille // 1_000 * MA_MS_PER_MAH
    if view.bank.net_ma_ms - now.run.net_ma_ms >= wanted_ma_ms:
        return True
    if view.bank.full_ms > now.run.confirmed_ms:
        return True
    soc, cell_mv = lowest_soc_permille(view.packs), lowest_cell_mv(view.packs)
    if plan.soc_permille is not None and soc is not None and soc >= plan.soc_permille:
        return True
    return plan.cell_mv is not None and cell_mv is not None and cell_mv >= plan.cell_mv


# --- what is said, and when to look again ------------------------------------------


def _because(now: Look) -> tuple[str, ...]:
    """Return what asks for it, and what it waits for."""
    run, plan = now.run, now.plan
    names = now.asked or ((EXERCISE,) if run.exercise else now.wishes)
    is_over = now.asked and now.ran_ms >= plan.max_run_ms
    waits = {
        Phase.DELAY: START_DELAY,
        Phase.PAUSE: PAUSE,
        Phase.WARMING: WARM_UP,
        Phase.COOLING: LONGEST_RUN if is_over else COOL_DOWN,
    }
    match run.phase:
        case Phase.OFF:
            return (*now.wishes, *now.blocked()) if now.wishes else ()
        case Phase.LOCKED:
            return (*now.wishes, FAILED)
        case Phase.RUNNING if not now.asked and not run.exercise:
            return (MINIMUM_ON if now.ran_ms < plan.min_run_ms else CHARGE_BACK,)
        case Phase.RUNNING | Phase.STARTING:
            return names
        case _:
            return (*names, waits[run.phase])
