"""Standing checks of outputs: what they show, have worn, and what is said of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.core.events import NoteFact
from tocsin.core.inputs import of_role
from tocsin.core.plant import InputRole
from tocsin.core.rules import Measure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.levels import OutputState
    from tocsin.core.site import Output
    from tocsin.core.turn import Turn

FULL_PERMILLE = 1_000


def wear(turn: Turn, was: tuple[OutputState, ...]) -> None:
    """Count an operation of every relay that has just been energised since *was*.

    A proof test moves real relays, so what they are held at counts.
    """
    begun = [
        new.energised and not old.energised
        for old, new in zip(was, turn.held(), strict=True)
    ]
    if not any(begun):
        return
    turn.outputs = _worn(turn.outputs, begun)
    if turn.proof is not None:
        worn = _worn(turn.proof.outputs, begun)
        turn.proof = replace(turn.proof, outputs=worn)


def _worn(
    outputs: tuple[OutputState, ...], begun: Sequence[bool]
) -> tuple[OutputState, ...]:
    return tuple(
        replace(
            state,
            counts=replace(state.counts, operations=state.counts.operations + 1),
        )
        if has_begun
        else state
        for state, has_begun in zip(outputs, begun, strict=True)
    )


def note(
    output: Output, was: OutputState, new: OutputState, at_ms: int
) -> NoteFact | None:
    """Return what a generator or heater has just begun to do, in words."""
    now, before = new.run or new.heat, was.run or was.heat
    if now is None or not now.text:
        return None
    if before is not None and (now.since_ms, now.text) == (
        before.since_ms,
        before.text,
    ):
        return None
    text = f"{output.name}: {now.text}"
    return NoteFact(at_ms=at_ms, what=output.role.value, text=text)


def judge(turn: Turn) -> bool:
    """Let the rules on outputs and on the maintenance switch see what they look at.

    True if an alarm is not what it was, so that outputs must be decided anew.
    """
    is_changed = False
    for key in turn.site.standing:
        for i in turn.site.alarms_of[key]:
            alarm = turn.alarms[i]
            rule = turn.site.rules[alarm.index]
            value = standing_value(turn, rule.measure, key[1])
            turn.put(i, alarm.seen(rule, value, turn.now_ms))
            is_changed |= turn.alarms[i] is not alarm
    return is_changed


def standing_value(turn: Turn, measure: Measure, subject: str) -> int | None:
    """Return what *measure* of an output or an input is now; None if nobody knows."""
    if measure is Measure.MAINTENANCE_OVER:
        return int(turn.inputs[turn.site.input_at[subject]].over)
    at = turn.site.output_at[subject]
    output, state = turn.site.outputs[at], turn.held()[at]
    match measure:
        case Measure.FAILED_STARTS:
            return int(state.counts.locked)
        case Measure.RELAY_WEAR:
            return state.counts.operations * FULL_PERMILLE // output.rated_operations
        case _:
            return _disagrees(turn, subject, state, measure)


def _disagrees(
    turn: Turn, subject: str, state: OutputState, measure: Measure
) -> int | None:
    """Return 1 if a read-back shows another level than the commanded one.

    None if one cannot be read: then nobody knows.
    """
    seen = [
        each.level
        for _, each in of_role(
            tuple(turn.inputs), turn.site, InputRole.READ_BACK, subject
        )
    ]
    if None in seen:
        return None
    wrong = measure is Measure.STUCK_CLOSED
    return int(state.energised is not wrong and wrong in seen)
