"""What the core is told of earlier runs, and of the time of day."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias, assert_never

from tocsin.core.dawn import DAYS
from tocsin.core.events import (
    ChargeSeen,
    Counted,
    LastFull,
    Learned,
    LocalTime,
    ProofDue,
)
from tocsin.core.hours import DAY_MS

if TYPE_CHECKING:
    from tocsin.core.turn import Turn

Recalled: TypeAlias = LastFull | Learned | Counted | ChargeSeen | ProofDue | LocalTime


def recall(turn: Turn, event: Recalled) -> None:
    """Take over what *event* brings from the journal or a file beside it."""
    match event:
        case LastFull():
            turn.bank = replace(turn.bank, full_ms=event.at_ms - event.ago_ms)
            turn.judge_bank(event.at_ms)
        case ProofDue():
            turn.bank = replace(turn.bank, proof_due_ms=event.at_ms + event.in_ms)
            turn.judge_bank(event.at_ms)
        case Learned():
            i = turn.site.pack_at[event.pack]
            # What this run has learned already is of more worth.
            if turn.packs[i].tracker is None:
                turn.packs[i] = replace(turn.packs[i], tracker=event.tracker)
        case Counted():
            was = turn.outputs[turn.site.output_at[event.output]]
            turn.count_as(event.output, was.counts.joined(event.counts))
        case ChargeSeen():
            begins_ms = (*event.begins_ms, *turn.dawn.begins_ms)[-DAYS:]
            turn.dawn = replace(turn.dawn, begins_ms=begins_ms)
            turn.commanded = True
        case LocalTime():
            turn.local_ms = (event.day_ms - event.at_ms) % DAY_MS
            turn.commanded = True
        case _:
            assert_never(event)
