"""A generator at one moment: its phase, what asks for it, what forbids."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from tocsin.core.alarm import NEVER_MS
from tocsin.core.bank import net_ma
from tocsin.core.calls import asking, requested
from tocsin.core.hours import DAY_MS, HOUR_MS, day_ms, until_ms
from tocsin.core.inputs import (
    LOCKED_OUT,
    MAINTENANCE,
    is_in_maintenance,
    is_locked_out,
    running,
)
from tocsin.core.levels import (
    MINIMUM_OFF,
    MINIMUM_ON,
    NO_DATA,
    OutputState,
    View,
    is_sighted,
)
from tocsin.core.rules import Priority

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.counts import Counts
    from tocsin.core.inputs import InputState
    from tocsin.core.plant import GeneratorPlan
    from tocsin.core.site import Output, Site

HOLD_MS = 10_000
"""A charge current must last so long to be that of a running set."""

STALL_MS = 10_000
"""A set whose running contact is open for so long has stopped."""

BLIND_MS = 600_000
"""Without readings for so long a run ends: charge is inhibited then anyhow."""

EXERCISE_WINDOW_MS = HOUR_MS
"""How long after its time of day an exercise run may still begin."""

EXERCISE = "exercise"
QUIET = "quiet-hours"
START_DELAY = "start-delay"
PAUSE = "pause-before-retry"
WARM_UP = "warm-up"
COOL_DOWN = "cool-down"
CHARGE_BACK = "waiting-for-charge-back"
FAILED = "starts-failed"
LONGEST_RUN = "longest-run"

WAITS_FOR = {
    EXERCISE: "the end of the exercise run",
    QUIET: "the end of the quiet hours, or an emergency",
    START_DELAY: "the end of the start delay",
    PAUSE: "the end of the pause between two tries",
    WARM_UP: "the end of the warm-up",
    COOL_DOWN: "the end of the cool-down",
    CHARGE_BACK: "enough charge to have come back",
    FAILED: "a person: look at the set, then reset the alarm",
    LONGEST_RUN: "the cool-down after its longest run",
    LOCKED_OUT: "the lock-out at the set to be released, and to be readable",
    MAINTENANCE: "the maintenance switch to be off, and to be readable",
    MINIMUM_OFF: "the end of its rest",
    MINIMUM_ON: "the end of its shortest run",
    NO_DATA: "readings of every pack",
}
"""The core's own reasons, as what a generator waits for."""


class Phase(StrEnum):
    """Where a set is in its run, as people read it."""

    OFF = "off"
    DELAY = "start delay"
    STARTING = "starting"
    PAUSE = "pausing before the next try"
    WARMING = "warming up"
    RUNNING = "running"
    COOLING = "cooling down"
    LOCKED = "locked out after failed starts"


CLOSED = frozenset({Phase.STARTING, Phase.WARMING, Phase.RUNNING, Phase.COOLING})
"""Phases with the contact closed."""

CONFIRMED = frozenset({Phase.WARMING, Phase.RUNNING, Phase.COOLING})
"""Phases in which the set was seen to run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What is remembered of a set between two moments.

    Attributes:
        phase: Where it is.
        since_ms: When the phase began.
        text: How it came to it, in words.
        exercise: This run is one for its own sake.
        before_ma: The bank's current as the contact closed.
        charging_ms: Since when the current has been that of a running set.
        confirmed_ms: When it was seen to run.
        net_ma_ms: What the bank had gained by then.
        blind_ms: Since when packs have not been read; None while they are.
    """

    phase: Phase = Phase.OFF
    since_ms: int = 0
    text: str = ""
    exercise: bool = False
    before_ma: int | None = None
    charging_ms: int | None = None
    confirmed_ms: int = 0
    net_ma_ms: int = 0
    blind_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look at a set.

    Attributes:
        urgent: Rules that ask for it even in quiet hours.
        asked: Every rule that asks for it.
        is_quiet: Quiet hours, or nobody knows the time.
        exercise_due: It has not run for long, and this is the time of day for it.
    """

    output: Output
    plan: GeneratorPlan
    run: Run
    counts: Counts
    view: View
    urgent: tuple[str, ...]
    asked: tuple[str, ...]
    is_quiet: bool
    exercise_due: bool

    @property
    def ms(self) -> int:
        """Return the moment."""
        return self.view.now_ms

    @property
    def lasted_ms(self) -> int:
        """Return how long the phase has lasted."""
        return self.ms - self.run.since_ms

    @property
    def ran_ms(self) -> int:
        """Return how long the set has been running."""
        return self.ms - self.run.confirmed_ms

    @property
    def wishes(self) -> tuple[str, ...]:
        """Names of what wants it to run now, whether it may or not."""
        return self.asked or ((EXERCISE,) if self.exercise_due else ())

    @property
    def heeded(self) -> tuple[str, ...]:
        """Return the wishes that count in these hours."""
        return self.urgent if self.is_quiet else self.wishes

    def unsafe(self) -> tuple[str, ...]:
        """Return what opens the contact at once, whatever it is doing."""
        view = self.view
        return tuple(
            reason
            for reason, holds in (
                (LOCKED_OUT, is_locked_out(view.inputs, view.site)),
                (MAINTENANCE, is_in_maintenance(view.inputs, view.site)),
            )
            if holds
        )

    def blocked(self) -> tuple[str, ...]:
        """Return why it may not start now; between two tries no rest is needed."""
        if unsafe := self.unsafe():
            return unsafe
        if not is_sighted(self.view.packs, self.view.site):
            return (NO_DATA,)
        if self.rest_end_ms() > self.ms and self.run.phase is not Phase.PAUSE:
            return (MINIMUM_OFF,)
        return () if self.heeded else (QUIET,)

    def rest_end_ms(self) -> int:
        """Return when it has rested enough; -1 if it never ran."""
        stopped_ms = self.counts.stopped_ms
        return -1 if stopped_ms is None else stopped_ms + self.plan.min_rest_ms


def was_phase(was: OutputState) -> Phase:
    """Return the phase that an output's set is in."""
    return Phase.OFF if was.run is None else was.run.phase


def load_is_on(outputs: Sequence[OutputState], site: Site) -> tuple[str, ...]:
    """Return the sets that run and are warm, so that they may carry load."""
    return tuple(
        output.name
        for output, state in zip(site.outputs, outputs, strict=True)
        if was_phase(state) is Phase.RUNNING
    )


def is_running(
    outputs: Sequence[OutputState], inputs: tuple[InputState, ...], site: Site
) -> bool:
    """Return True while a set was seen to run, asked for or not."""
    contact = running(inputs, site)
    by_contact = contact is not None and contact.level is True
    return by_contact or any(was_phase(state) in CONFIRMED for state in outputs)


def look(was: OutputState, output: Output, plan: GeneratorPlan, view: View) -> Look:
    """Return what is to be seen of a set now."""
    alarms = asking(output, view)
    urgent = [
        alarm
        for alarm in alarms
        if (
            view.rule(alarm).name in plan.emergency
            if plan.emergency
            else view.rule(alarm).priority is Priority.HIGH
        )
    ]
    day = day_ms(view.local_ms, view.now_ms)
    quiet = view.site.timing.quiet
    return Look(
        output=output,
        plan=plan,
        run=_noted(was.run or Run(since_ms=was.since_ms), plan, view),
        counts=was.counts,
        view=view,
        urgent=view.names(urgent),
        asked=(*view.names(alarms), *requested(output, view)),
        is_quiet=quiet is not None and (day is None or quiet.cover(day)),
        exercise_due=_is_exercise_due(was.counts, plan, day, view.now_ms),
    )


def _noted(run: Run, plan: GeneratorPlan, view: View) -> Run:
    """Return *run* with what the readings show now: blindness, a charge current."""
    is_blind = not is_sighted(view.packs, view.site)
    if is_blind != (run.blind_ms is not None):
        run = replace(run, blind_ms=view.now_ms if is_blind else None)
    if run.phase is not Phase.STARTING:
        return run
    current_ma = None if is_blind else net_ma(view.packs, view.site)
    least_ma = max(0, run.before_ma or 0) + plan.confirm_ma
    is_charging = current_ma is not None and current_ma >= least_ma
    if is_charging != (run.charging_ms is not None):
        run = replace(run, charging_ms=view.now_ms if is_charging else None)
    return run


def _is_exercise_due(
    counts: Counts, plan: GeneratorPlan, day: int | None, now_ms: int
) -> bool:
    if not plan.exercise_days or day is None:
        return False
    if (day - plan.exercise_at_ms) % DAY_MS >= EXERCISE_WINDOW_MS:
        return False
    return counts.ran_ms is None or now_ms >= stale_ms(counts.ran_ms, plan)


def stale_ms(ran_ms: int, plan: GeneratorPlan) -> int:
    """Return when a run is long enough ago; half a day early is on time."""
    return ran_ms + plan.exercise_days * DAY_MS - DAY_MS // 2


def stalled_ms(now: Look) -> int:
    """Return when the set counts as having stopped by itself."""
    contact = running(now.view.inputs, now.view.site)
    if contact is None or contact.level is not False:
        return NEVER_MS
    return contact.since_ms + STALL_MS


def due_ms(now: Look) -> int:
    """Return when time alone will next change what the set does, or why."""
    run, plan = now.run, now.plan
    phase_ms = {
        Phase.DELAY: plan.start_delay_ms,
        Phase.STARTING: plan.confirm_ms,
        Phase.PAUSE: plan.pause_ms,
        Phase.WARMING: plan.warm_up_ms,
        Phase.COOLING: plan.cool_down_ms,
    }
    due = [_hours_due_ms(now), now.rest_end_ms(), now.view.bank.generator_until_ms]
    if run.phase in phase_ms:
        due.append(run.since_ms + phase_ms[run.phase])
    if run.phase is Phase.STARTING and run.charging_ms is not None:
        due.append(run.charging_ms + HOLD_MS)
    if run.phase in CONFIRMED:
        ends = (plan.min_run_ms, plan.max_run_ms, plan.exercise_run_ms)
        due += [stalled_ms(now), *(run.confirmed_ms + end for end in ends)]
    if run.phase in CONFIRMED and run.blind_ms is not None:
        due.append(run.blind_ms + BLIND_MS)
    return min(each for each in (*due, NEVER_MS) if each > now.ms)


def _hours_due_ms(now: Look) -> int:
    """Return the next edge of the quiet hours or of the time for exercise."""
    day = day_ms(now.view.local_ms, now.ms)
    if day is None:
        return NEVER_MS
    edges: list[int] = []
    if quiet := now.view.site.timing.quiet:
        edges.append(quiet.edge_ms(day))
    if now.plan.exercise_days:
        if now.counts.ran_ms is not None:
            edges.append(stale_ms(now.counts.ran_ms, now.plan) - now.ms)
        begin_ms = now.plan.exercise_at_ms
        end_ms = (begin_ms + EXERCISE_WINDOW_MS) % DAY_MS
        edges += [until_ms(begin_ms, day), until_ms(end_ms, day)]
    return now.ms + min((edge for edge in edges if edge > 0), default=NEVER_MS)
