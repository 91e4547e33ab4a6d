"""A person's wishes. None of them ever energises a permit."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.core.alarm import Alarm, Trigger
from tocsin.core.events import Command, CommandFact, Verb
from tocsin.core.rules import Measure, Role

if TYPE_CHECKING:
    from tocsin.core.turn import Turn

SILENCE_MS = 600_000
LONGEST_SILENCE_MS = 3_600_000
"""Ten minutes unless told otherwise, an hour at most; common practice, no source."""

GENERATOR_MS = 3_600_000
LONGEST_GENERATOR_MS = 43_200_000
"""An hour unless told otherwise, twelve at most; common practice, no source."""

NEEDS_REASON = frozenset({Verb.SHELVE, Verb.REMOVE})
NEEDS_ALARM = frozenset(
    {Verb.SHELVE, Verb.UNSHELVE, Verb.REMOVE, Verb.RETURN, Verb.RESET}
)


def obey(turn: Turn, command: Command) -> None:
    """Do what *command* asks, or refuse it; either way it is a fact."""
    turn.commanded = True
    refused = _refusal(turn, command)
    if refused:
        _answer(turn, command, refused, accepted=False)
        return
    if command.verb in OF_OUTPUTS:
        _answer(turn, command, OF_OUTPUTS[command.verb](turn, command), accepted=True)
        return
    changed = 0
    for i, alarm in enumerate(turn.alarms):
        if not _is_meant(turn, alarm, command):
            continue
        new = _told(alarm, command).planned(turn.site.rules[alarm.index])
        changed += new != alarm
        turn.put(i, new)
    if command.verb is Verb.RESET:
        changed += _freed(turn, command)
    if changed and command.verb is Verb.RESET:
        turn.bank = replace(turn.bank, reset_ms=command.at_ms)
    outcome = f"{changed} changed" if changed else "nothing to change"
    _answer(turn, command, outcome, accepted=changed > 0)


def _freed(turn: Turn, command: Command) -> int:
    """Free the sets that failed starts have locked out; return how many."""
    rule = next(r for r in turn.site.rules if r.name == command.alarm)
    if rule.measure is not Measure.FAILED_STARTS:
        return 0
    outputs = zip(turn.site.outputs, turn.held(), strict=True)
    locked = [o.name for o, state in outputs if state.counts.locked]
    meant = [name for name in locked if command.subject in {"", name}]
    for name in meant:
        turn.freed(name)
    return len(meant)


def _answer(turn: Turn, command: Command, outcome: str, *, accepted: bool) -> None:
    turn.facts.append(
        CommandFact(
            at_ms=command.at_ms,
            verb=command.verb,
            alarm=command.alarm,
            subject=command.subject,
            by=command.by,
            reason=command.reason,
            accepted=accepted,
            outcome=outcome,
        )
    )


def _refusal(turn: Turn, command: Command) -> str:
    known = {subject for _, subject in turn.site.subjects}
    rule = next((r for r in turn.site.rules if r.name == command.alarm), None)
    verb, for_ms = command.verb, command.for_ms
    checks = (
        (command.alarm and rule is None, f"there is no alarm {command.alarm!r}"),
        (
            verb in NEEDS_ALARM and not command.alarm,
            f"{verb} needs the name of an alarm",
        ),
        (
            verb in NEEDS_REASON and not command.reason.strip(),
            f"{verb} needs a reason",
        ),
        (
            command.subject and command.subject not in known,
            f"there is no subject {command.subject!r}",
        ),
        (
            verb is Verb.SILENCE and not 0 <= for_ms <= LONGEST_SILENCE_MS,
            f"silence lasts at most {LONGEST_SILENCE_MS // 60_000} min",
        ),
        (
            verb is Verb.GENERATOR_REQUEST and not 0 <= for_ms <= LONGEST_GENERATOR_MS,
            f"a request lasts at most {LONGEST_GENERATOR_MS // 60_000} min",
        ),
        (
            verb in NEEDS_OUTPUT and not _has(turn, NEEDS_OUTPUT.get(verb)),
            f"there is no output of role {NEEDS_OUTPUT.get(verb)}",
        ),
        (verb is Verb.SOUNDER_TEST and _is_heard(turn), "the horn is called already"),
    )
    wrong = next((text for is_wrong, text in checks if is_wrong), "")
    if wrong or rule is None or verb is not Verb.SHELVE:
        return wrong
    if rule.max_shelve_ms == 0:
        return f"{rule.name} cannot be shelved"
    if not 0 < for_ms <= rule.max_shelve_ms:
        return f"{rule.name} is shelved for 1 to {rule.max_shelve_ms // 60_000} min"
    return ""


def _is_meant(turn: Turn, alarm: Alarm, command: Command) -> bool:
    name = turn.site.rules[alarm.index].name
    return command.alarm in {"", name} and command.subject in {"", alarm.subject}


def _silence(turn: Turn, command: Command) -> str:
    lasts_ms = command.for_ms or SILENCE_MS
    turn.bank = replace(
        turn.bank,
        silenced_ms=command.at_ms,
        silenced_until_ms=command.at_ms + lasts_ms,
    )
    return f"silent for {lasts_ms // 1000} s; a new alarm sounds all the same"


def _test(turn: Turn, command: Command) -> str:
    turn.bank = replace(turn.bank, sounder_test_ms=command.at_ms)
    return "one burst of the horn"


def _request(turn: Turn, command: Command) -> str:
    lasts_ms = command.for_ms or GENERATOR_MS
    until_ms = command.at_ms + lasts_ms
    turn.bank = replace(turn.bank, generator_until_ms=until_ms)
    return f"requested for {lasts_ms // 1000} s, within the output's own times"


def _release(turn: Turn, command: Command) -> str:
    was_asked = turn.bank.generator_until_ms > command.at_ms
    turn.bank = replace(turn.bank, generator_until_ms=0)
    return "requested no longer" if was_asked else "nobody had requested it"


def _has(turn: Turn, role: Role | None) -> bool:
    return any(output.role is role for output in turn.site.outputs)


def _is_heard(turn: Turn) -> bool:
    return any(
        output.role is Role.HORN and state.called
        for output, state in zip(turn.site.outputs, turn.outputs, strict=True)
    )


OF_OUTPUTS = {
    Verb.SILENCE: _silence,
    Verb.SOUNDER_TEST: _test,
    Verb.GENERATOR_REQUEST: _request,
    Verb.GENERATOR_RELEASE: _release,
}
"""Verbs that concern no single alarm."""

NEEDS_OUTPUT = {
    Verb.SOUNDER_TEST: Role.HORN,
    Verb.GENERATOR_REQUEST: Role.GENERATOR_CALL,
    Verb.GENERATOR_RELEASE: Role.GENERATOR_CALL,
}


def _told(alarm: Alarm, command: Command) -> Alarm:  # noqa: PLR0911 one return a verb
    at_ms = command.at_ms
    match command.verb:
        case Verb.ACKNOWLEDGE:
            return alarm.moved(Trigger.ACKNOWLEDGED, at_ms)
        case Verb.RESET if not alarm.active:
            return alarm.moved(Trigger.RESET, at_ms)
        case Verb.SHELVE:
            return replace(alarm, shelved_until_ms=at_ms + command.for_ms)
        case Verb.UNSHELVE if alarm.shelved_until_ms is not None:
            return replace(alarm, shelved_until_ms=None).judged_afresh(at_ms)
        case Verb.REMOVE:
            return replace(alarm, in_service=False)
        case Verb.RETURN if not alarm.in_service:
            return replace(alarm, in_service=True).judged_afresh(at_ms)
        case _:
            return alarm
