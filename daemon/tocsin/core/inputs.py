"""Buttons, switches and contacts: debounced, and what follows from each.

A button does what a person's command does. A switch or contact that cannot be read
counts as its careful state, each consequence by itself: a lock-out as locked, a
maintenance switch as on for the generator and the heater and as off for the horn, a
running contact and a read-back as unknown. None of them ever energises anything.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tocsin.core.alarm import NEVER_MS
from tocsin.core.commands import obey
from tocsin.core.events import Command, InputSeen, NoteFact, Verb
from tocsin.core.plant import Input, InputRole

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.core.site import Site
    from tocsin.core.turn import Turn

PART = "inputs"
"""The part of the daemon whose trouble an unreadable input is."""

MAINTENANCE = "maintenance"
LOCKED_OUT = "generator-lock-out"

VERBS = {
    InputRole.ACKNOWLEDGE: Verb.ACKNOWLEDGE,
    InputRole.SILENCE: Verb.SILENCE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class InputState:
    """What the core believes of one input.

    Attributes:
        level: True while active, once it has lasted; None while it is not known.
        since_ms: When *level* began.
        raw: As last seen, before it has lasted; None if it could not be read.
        raw_ms: When *raw* began.
        trouble: Why it cannot be read; empty if it can, or was never tried.
        over: A maintenance switch that was on for longer than it mutes.
        due_ms: When time alone will next change it.
    """

    level: bool | None = None
    since_ms: int = 0
    raw: bool | None = None
    raw_ms: int = 0
    trouble: str = ""
    over: bool = False
    due_ms: int = NEVER_MS


def of_role(
    states: tuple[InputState, ...], site: Site, role: InputRole, output: str = ""
) -> Iterator[tuple[Input, InputState]]:
    """Yield the inputs of *role* (for read-backs, of *output*) with their states."""
    for each, state in zip(site.inputs, states, strict=True):
        if each.role is role and each.output == output:
            yield each, state


def is_locked_out(states: tuple[InputState, ...], site: Site) -> bool:
    """Return True unless every local lock-out is known to be off."""
    locks = of_role(states, site, InputRole.GENERATOR_LOCKOUT)
    return any(state.level is not False for _, state in locks)


def is_in_maintenance(states: tuple[InputState, ...], site: Site) -> bool:
    """Return True unless every maintenance switch is known to be off."""
    switches = of_role(states, site, InputRole.MAINTENANCE)
    return any(state.level is not False for _, state in switches)


def muted_ms(states: tuple[InputState, ...], site: Site) -> tuple[int, int] | None:
    """Return since when and until when maintenance keeps the horn quiet, if it does.

    Only a switch that is seen to be on does, and only for its own time.
    """
    spans = [
        (state.since_ms, state.since_ms + each.mute_ms)
        for each, state in of_role(states, site, InputRole.MAINTENANCE)
        if state.level and not state.over
    ]
    return max(spans, key=lambda span: span[1], default=None)


def running(states: tuple[InputState, ...], site: Site) -> InputState | None:
    """Return the contact that shows whether a set runs; None if there is none."""
    contacts = of_role(states, site, InputRole.GENERATOR_RUNNING)
    return next((state for _, state in contacts), None)


def see(turn: Turn, event: InputSeen) -> None:
    """Take what one input showed, or that it could not be read."""
    i = turn.site.input_at[event.name]
    was = turn.inputs[i]
    if event.level is None:
        new = replace(
            was,
            level=None,
            since_ms=event.at_ms if was.level is not None else was.since_ms,
            raw=None,
            raw_ms=event.at_ms,
            trouble=event.reason or "it cannot be read",
            over=False,
            due_ms=NEVER_MS,
        )
        turn.commanded = True
    elif event.level is was.raw:
        return
    else:
        new = replace(was, raw=event.level, raw_ms=event.at_ms, trouble="")
        new = _planned(new, turn.site.inputs[i])
    turn.inputs[i] = new
    if new.trouble != was.trouble:
        _tell_trouble(turn, event.at_ms)


def _tell_trouble(turn: Turn, at_ms: int) -> None:
    unread = [
        f"{each.name}: {state.trouble}"
        for each, state in zip(turn.site.inputs, turn.inputs, strict=True)
        if state.trouble
    ]
    turn.troubled(PART, "; ".join(unread), at_ms)


def _planned(state: InputState, of: Input) -> InputState:
    if state.raw is not None and state.raw is not state.level:
        return replace(state, due_ms=state.raw_ms + of.debounce_ms)
    if of.role is InputRole.MAINTENANCE and state.level and not state.over:
        return replace(state, due_ms=state.since_ms + of.mute_ms)
    return replace(state, due_ms=NEVER_MS)


def settle(turn: Turn) -> None:
    """Bring every input up to the present: levels that have lasted, time that is up."""
    for i, state in enumerate(turn.inputs):
        if state.due_ms > turn.now_ms:
            continue
        of = turn.site.inputs[i]
        turn.commanded = True
        if state.raw is not None and state.raw is not state.level:
            new = replace(state, level=state.raw, since_ms=turn.now_ms, over=False)
            turn.inputs[i] = _planned(new, of)
            _act(turn, of, was=state.level, now=state.raw)
        else:
            turn.inputs[i] = _planned(replace(state, over=True), of)


def _act(turn: Turn, of: Input, *, was: bool | None, now: bool) -> None:
    """Do what a new level asks for; a button that was never seen up is not pressed."""
    if of.role.is_button:
        if now and was is False:
            verb, by = VERBS[of.role], f"button {of.name}"
            obey(turn, Command(at_ms=turn.now_ms, verb=verb, by=by))
        return
    if of.role is InputRole.READ_BACK or (was is None and not now):
        return
    text = f"{of.role} {of.name} is {'on' if now else 'off'}"
    if of.role is InputRole.MAINTENANCE and now:
        text += (
            ": generator and heater are not called while it is on; the horn is quiet "
            f"for {of.mute_ms // 60_000} min but for new alarms of high priority"
        )
    turn.facts.append(NoteFact(at_ms=turn.now_ms, what="input", text=text))
