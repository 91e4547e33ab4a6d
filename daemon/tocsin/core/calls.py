"""Calls: horn, beacon, generator and heater are energised to ask for something."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.core.alarm import HIDDEN, NEVER_MS, SOUNDING, Alarm, AlarmState
from tocsin.core.horn import (
    FAULT,
    PATTERNS,
    TEST,
    TEST_MS,
    URGENT,
    WARNING,
    HornPattern,
    sound,
)
from tocsin.core.hours import DAY_MS, HOUR_MS, day_ms, until_ms
from tocsin.core.inputs import (
    LOCKED_OUT,
    MAINTENANCE,
    is_in_maintenance,
    is_locked_out,
    muted_ms,
)
from tocsin.core.levels import (
    MINIMUM_OFF,
    MINIMUM_ON,
    OVER_CAP,
    REQUESTED,
    SELF_TEST,
    TESTED,
    OutputState,
    View,
    set_to,
)
from tocsin.core.rules import Measure, Priority, Role

if TYPE_CHECKING:
    from tocsin.core.site import Output

LIT = frozenset(AlarmState) - HIDDEN - {AlarmState.NORMAL}
"""States that keep a beacon on: until acknowledged and gone."""


def call(was: OutputState, output: Output, view: View) -> OutputState:
    """Return a beacon's, generator's or heater's new state."""
    now_ms, due_ms = view.now_ms, NEVER_MS
    if output.role is Role.BEACON:
        why = view.names(a for a in _heeded(output, view) if a.state in LIT)
    else:
        why = (*view.names(asking(output, view)), *requested(output, view))
        if (why or was.called) and (off := _withheld(output, view)):
            return set_to(was, energised=False, why=(*why, *off), now_ms=now_ms)
        if REQUESTED in why:
            due_ms = view.bank.generator_until_ms
    if why and not was.called:
        quiet_ms = was.since_ms + output.min_off_ms
        if now_ms < quiet_ms:
            return set_to(
                was, energised=False, why=(MINIMUM_OFF,), now_ms=now_ms, due_ms=quiet_ms
            )
    if not why and was.called:
        on_ms = was.since_ms + output.min_on_ms
        if now_ms < on_ms:
            return set_to(
                was, energised=True, why=(MINIMUM_ON,), now_ms=now_ms, due_ms=on_ms
            )
    return set_to(was, energised=bool(why), why=why, now_ms=now_ms, due_ms=due_ms)


def asking(output: Output, view: View) -> list[Alarm]:
    """Return the alarms that a generator or heater is called for."""
    return [
        alarm
        for alarm in view.holding
        if not alarm.is_put_aside and _asks_for(alarm, output, view)
    ]


def requested(output: Output, view: View) -> tuple[str, ...]:
    """Return the wish of a person for the generator, for as long as it lasts."""
    is_asked = view.now_ms < view.bank.generator_until_ms
    return (REQUESTED,) * (is_asked and output.role is Role.GENERATOR_CALL)


def _withheld(output: Output, view: View) -> tuple[str, ...]:
    """Return why nobody may be taken by surprise by this call, at once."""
    locked = output.role is Role.GENERATOR_CALL and is_locked_out(
        view.inputs, view.site
    )
    is_mended = is_in_maintenance(view.inputs, view.site)
    return (LOCKED_OUT,) * locked + (MAINTENANCE,) * is_mended


def _asks_for(alarm: Alarm, output: Output, view: View) -> bool:
    rule = view.rule(alarm)
    if output.rules:
        return rule.name in output.rules
    return any(action.role is output.role for action in rule.actions)


def _heeded(output: Output, view: View) -> list[Alarm]:
    """Return the alarms that a horn or beacon is for."""
    return [
        alarm
        for alarm in view.raised
        if alarm.base is not AlarmState.NORMAL
        and (
            view.rule(alarm).name in output.rules
            if output.rules
            else view.rule(alarm).priority is not Priority.LOW
        )
    ]


def horn(was: OutputState, output: Output, view: View) -> OutputState:
    """Return a horn's new state: which pattern, where in it, and the hourly limit."""
    asking = [alarm for alarm in _heeded(output, view) if alarm.state in SOUNDING]
    was = _counted(was, view)
    bank, now_ms = view.bank, view.now_ms
    heard = [
        alarm
        for alarm in asking
        if alarm.since_ms > bank.silenced_ms or now_ms >= bank.silenced_until_ms
    ]
    due_ms = bank.silenced_until_ms if len(heard) < len(asking) else NEVER_MS
    if muted := muted_ms(view.inputs, view.site):
        # The end of this is due where the switch is watched.
        heard = [
            alarm
            for alarm in heard
            if alarm.since_ms > muted[0] and view.rule(alarm).priority is Priority.HIGH
        ]
    if not heard:
        return _tested(was, output, view, due_ms, may_begin=not asking and not muted)
    was = replace(was, test_ms=None)
    why = view.names(heard)
    level, edge_ms = _sounding(heard, view)
    left_ms = view.site.timing.horn_cap_ms - was.sounded_ms
    if left_ms <= 0:
        level, edge_ms, why = False, was.hour_ms + HOUR_MS - now_ms, (*why, OVER_CAP)
    elif level:
        edge_ms = min(edge_ms, left_ms)
    called = set_to(was, energised=True, why=why, now_ms=now_ms)
    return replace(called, energised=level, due_ms=min(due_ms, now_ms + edge_ms))


def _tested(
    was: OutputState, output: Output, view: View, due_ms: int, *, may_begin: bool
) -> OutputState:
    """Return a horn that no alarm sounds: quiet, or in a test.

    A self-test begins at its time of day alone, never in quiet hours, and not while an
    alarm is silenced: whoever asked for quiet gets it. A person may try it any time.
    """
    now_ms, at_ms, asked_ms = view.now_ms, output.test_at_ms, view.bank.sounder_test_ms
    is_asked = asked_ms is not None and now_ms - asked_ms < TEST_MS
    if is_asked:
        was = replace(was, test_ms=asked_ms)
    elif was.test_ms is not None and (not may_begin or now_ms - was.test_ms >= TEST_MS):
        was = replace(was, test_ms=None)
    day = day_ms(view.local_ms, now_ms)
    if was.test_ms is None and at_ms is not None and day is not None:
        due_ms = min(due_ms, now_ms + until_ms(at_ms, day))
        quiet = view.site.timing.quiet
        is_time = day == at_ms and not (quiet is not None and quiet.cover(day))
        if is_time and may_begin and _is_test_due(was, output, now_ms):
            counts = replace(was.counts, tested_ms=now_ms)
            was = replace(was, test_ms=now_ms, counts=counts)
    if was.test_ms is None:
        return set_to(was, energised=False, why=(), now_ms=now_ms, due_ms=due_ms)
    level, edge_ms = sound(TEST, now_ms - was.test_ms)
    edge_ms = min(now_ms + edge_ms, was.test_ms + TEST_MS)
    why = (TESTED if is_asked else SELF_TEST,)
    called = set_to(was, energised=True, why=why, now_ms=now_ms)
    return replace(called, energised=level, due_ms=min(due_ms, edge_ms))


def _is_test_due(was: OutputState, output: Output, now_ms: int) -> bool:
    """Return True half a day early as well: a clock that was set is no day less."""
    tested_ms, every_ms = was.counts.tested_ms, output.test_days * DAY_MS
    return tested_ms is None or now_ms - tested_ms >= every_ms - DAY_MS // 2


def _counted(was: OutputState, view: View) -> OutputState:
    """Count the sound since the last moment, in hours from the daemon's start."""
    hour_ms = view.now_ms - view.now_ms % HOUR_MS
    sounded_ms = was.sounded_ms if hour_ms == was.hour_ms else 0
    if was.energised:
        sounded_ms += view.now_ms - max(view.before_ms, hour_ms)
    if (hour_ms, sounded_ms) == (was.hour_ms, was.sounded_ms):
        return was
    return replace(was, hour_ms=hour_ms, sounded_ms=sounded_ms)


def _sounding(heard: list[Alarm], view: View) -> tuple[bool, int]:
    """Return the level now and ms to the next edge of the most urgent pattern."""
    patterns = [(_pattern(alarm, view), alarm.since_ms) for alarm in heard]
    best = min((p for p, _ in patterns), key=PATTERNS.index)
    started_ms = max(since for pattern, since in patterns if pattern is best)
    return sound(best, view.now_ms - started_ms)


def _pattern(alarm: Alarm, view: View) -> HornPattern:
    rule = view.rule(alarm)
    if rule.priority is Priority.HIGH:
        return URGENT
    is_fault = rule.is_data_loss or rule.measure is Measure.TROUBLE
    return FAULT if is_fault else WARNING
