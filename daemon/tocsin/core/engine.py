"""``step``: the only way the core changes.

Pure and deterministic; time comes only with events. Between the last event and this
one, everything that was due by time alone is done in its order and at its own moment,
so a late shell writes the same journal as a punctual one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.core import commands, extras, inputs, outputs, proof
from tocsin.core.alarm import NEVER_MS
from tocsin.core.events import (
    CertificatesSeen,
    Command,
    Demand,
    Event,
    Fact,
    InputSeen,
    ProofBegin,
    ProofEnd,
    Reading,
    ReadingFailed,
    Tick,
    Trouble,
)
from tocsin.core.recall import recall
from tocsin.core.site import CERTIFICATES
from tocsin.core.turn import Turn

if TYPE_CHECKING:
    from tocsin.core.site import Site
    from tocsin.core.state import State


class ClockWentBackwardsError(ValueError):
    """The shell broke its promise that events come in order of time."""

    def __init__(self, *, now_ms: int, at_ms: int) -> None:
        super().__init__(f"event at {at_ms} ms, but the core is at {now_ms} ms")
        self.now_ms = now_ms
        self.at_ms = at_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What the shell must do next: hold these levels, tell these facts, wake then.

    Attributes:
        wake_at_ms: Before it, time alone changes nothing; None if it never does.
    """

    state: State
    demands: tuple[Demand, ...]
    facts: tuple[Fact, ...]
    wake_at_ms: int | None


def step(state: State, event: Event, site: Site) -> Outcome:
    """Return the outcome of *event*. Same arguments, same outcome.

    Raises:
        ClockWentBackwardsError: *event* is older than *state*.
        KeyError: a reading of a pack, or a word of an input or output, that the site
            does not have.
    """
    if event.at_ms < state.now_ms:
        raise ClockWentBackwardsError(now_ms=state.now_ms, at_ms=event.at_ms)
    turn = Turn(site, state)
    turn.pass_time(event.at_ms)
    _tell(turn, event)
    turn.settle(event.at_ms)
    turn.pass_time(event.at_ms)
    due_ms = turn.due_ms()
    return Outcome(
        state=turn.state(),
        demands=outputs.demands(turn.outputs, turn.proof, site),
        facts=tuple(turn.facts),
        wake_at_ms=None if due_ms == NEVER_MS else due_ms,
    )


def _tell(turn: Turn, event: Event) -> None:
    match event:
        case Tick():
            pass
        case Reading() | ReadingFailed() if event.pack in turn.site.extra_at:
            extras.hear(turn, event)
        case Reading():
            turn.read(event.pack, event.sample, event.at_ms)
        case ReadingFailed():
            turn.failed(event.pack, event.reason, event.at_ms, state="failing")
        case Trouble():
            turn.troubled(event.part, event.reason, event.at_ms)
        case CertificatesSeen():
            turn.troubled(CERTIFICATES, event.text, event.at_ms, value=event.left_ms)
        case InputSeen():
            inputs.see(turn, event)
        case Command():
            commands.obey(turn, event)
        case ProofBegin() | ProofEnd():
            proof.obey(turn, event)
        case _:
            recall(turn, event)
