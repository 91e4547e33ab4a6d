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
from tocsin.core.levels import (
    MINIMUM_OFF,
    MINIMUM_ON,
    OVER_CAP,
    REQUESTED,
    TESTED,
    OutputState,
    View,
    set_to,
)
from tocsin.core.rules import Measure, Priority, Role

if TYPE_CHECKING:
    from tocsin.core.site import Output

HOUR_MS = 3_600_000

LIT = frozenset(AlarmState) - HIDDEN - {AlarmState.NORMAL}
"""States that keep a beacon on: until acknowledged and gone."""


def call(was: OutputState, output: Output, view: View) -> OutputState:
    """Return a beacon's, generator's or heater's new state."""
    if output.role is Role.BEACON:
        asking = [a for a in _heeded(output, view) if a.state in LIT]
    else:
        asking = [
            alarm
            for alarm in view.holding
            if not alarm.is_put_aside and _asks_for(alarm, output, view)
        ]
    why, now_ms = view.names(asking), view.now_ms
    due_ms = NEVER_MS
    if output.role is Role.GENERATOR_CALL and now_ms < view.bank.generator_until_ms:
        why, due_ms = (*why, REQUESTED), view.bank.generator_until_ms
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
    tested_ms = None if bank.sounder_test_ms is None else now_ms - bank.sounder_test_ms
    if heard:
        why = view.names(heard)
        level, edge_ms = _sounding(heard, view)
    elif tested_ms is not None and tested_ms < TEST_MS:
        why = (TESTED,)
        level, edge_ms = sound(TEST, tested_ms)
        edge_ms = min(edge_ms, TEST_MS - tested_ms)
    else:
        return set_to(was, energised=False, why=(), now_ms=now_ms, due_ms=due_ms)
    left_ms = view.site.timing.horn_cap_ms - was.sounded_ms
    if left_ms <= 0:
        level, edge_ms, why = False, was.hour_ms + HOUR_MS - now_ms, (*why, OVER_CAP)
    elif level:
        edge_ms = min(edge_ms, left_ms)
    called = set_to(was, energised=True, why=why, now_ms=now_ms)
    return replace(called, energised=level, due_ms=min(due_ms, now_ms + edge_ms))


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
