"""What the core remembers of a proof test, while it lasts and until its effect ends."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tocsin.core.levels import OVER_CAP, OutputState
from tocsin.core.rules import Role

if TYPE_CHECKING:
    from tocsin.core.alarm import Alarm
    from tocsin.core.site import Output, Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """A virtual reading of one rule on one subject, and what the outputs make of it.

    Attributes:
        index: Of the rule in the site's table.
        until_ms: When it ends by itself.
        virtual: What is put in place of the live value, in the measure's unit.
        live: What was measured when it began; None where nothing is.
        known: Positions of the live alarms whose condition was there already.
        alarm: The rule's alarm, fed with the worse of live and virtual, beside the
            live one and never in its place; None once the virtual reading is withdrawn.
        crossed_ms: When it was first fed so; None before.
        outputs: What outputs would be if the virtual reading were true.
        ended: Why it was withdrawn.
    """

    index: int
    subject: str
    by: str
    begun_ms: int
    until_ms: int
    virtual: int
    live: int | None
    known: frozenset[int]
    alarm: Alarm | None
    outputs: tuple[OutputState, ...]
    crossed_ms: int | None = None
    ended: str = ""

    @property
    def due_ms(self) -> int:
        """Return when time alone will next change it."""
        due_ms = min(output.due_ms for output in self.outputs)
        if self.alarm is not None:
            due_ms = min(due_ms, self.until_ms, self.alarm.due_ms)
        return due_ms


def held(
    live: tuple[OutputState, ...], proof: Proof | None, site: Site
) -> tuple[OutputState, ...]:
    """Return what each output is held at.

    A permit needs both: a proof can neither energise one nor keep one energised.
    """
    if proof is None:
        return live
    return tuple(map(_held, site.outputs, live, proof.outputs))


def _held(output: Output, live: OutputState, proved: OutputState) -> OutputState:
    if output.role is Role.HORN:
        # What a test sounded takes nothing from the hour's sound of a real alarm.
        return live if live.called and OVER_CAP in proved.because else proved
    if not output.role.is_permit or not live.because:
        return proved
    why = tuple(dict.fromkeys((*live.because, *proved.because)))
    is_on = live.energised and proved.energised
    return replace(proved, energised=is_on, called=is_on, because=why)


def differs(one: OutputState, other: OutputState) -> bool:
    """Return True if a proof test is why *one* is not as *other* would be."""
    return (one.called, one.because) != (other.called, other.because)


def is_over(live: tuple[OutputState, ...], proof: Proof, site: Site) -> bool:
    """Return True once a withdrawn reading has no effect left on any output."""
    return proof.alarm is None and all(
        output.role is Role.HORN or one.called == other.called
        for output, one, other in zip(site.outputs, live, proof.outputs, strict=True)
    )


def merged(
    live: tuple[OutputState, ...], proof: Proof, site: Site
) -> tuple[OutputState, ...]:
    """Return the outputs after a proof: real reasons, and the times they really moved.

    So a permit stays off, and a call on or off, for its minimum time all the same.
    """
    return tuple(map(_merged, site.outputs, live, proof.outputs))


def _merged(output: Output, live: OutputState, proved: OutputState) -> OutputState:
    if output.role is Role.HORN:
        return live
    if not output.role.is_permit:
        return proved
    since_ms = max(live.since_ms, proved.since_ms)
    return live if since_ms == live.since_ms else replace(live, since_ms=since_ms)
