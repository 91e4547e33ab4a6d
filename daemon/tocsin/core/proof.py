"""Proof tests: a limit driven through its rule to its outputs by a virtual reading.

The virtual reading stands beside the live one; the worse of the two counts, so it can
only ever make things safer. It feeds an alarm of its own, with the rule's real delays,
and outputs are decided a second time with that alarm among the real ones. Live alarms,
counters and the forecast never see it. It is withdrawn at once when a real limit is
passed, a source is lost, its time is over, or whoever proves has gone. As-found values
and controlled overrides: the proof-test principles of the InstMC functional safety
group; the times here: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.core import extras, measures
from tocsin.core.alarm import Alarm, AlarmState
from tocsin.core.bank import bank_value
from tocsin.core.events import (
    AlarmFact,
    ProofBegin,
    ProofEnd,
    ProofFact,
    Proving,
)
from tocsin.core.outputs import decided
from tocsin.core.proof_state import Proof, is_over, merged
from tocsin.core.rules import Measure, Priority, Scope
from tocsin.core.standing import standing_value
from tocsin.core.words import message

if TYPE_CHECKING:
    from tocsin.core.levels import OutputState, View
    from tocsin.core.rules import Rule
    from tocsin.core.turn import Turn

LONGEST_MS = 3_600_000
SHORTEST_MS = 1_000
PRESSING = (Priority.LOW, Priority.MEDIUM, Priority.HIGH)
"""The least first."""


def worse(rule: Rule, live: int | None, virtual: int) -> int:
    """Return the more severe of a live and a virtual value of the measure of *rule*."""
    if live is None:
        return virtual
    return max(live, virtual) if rule.rises else min(live, virtual)


def obey(turn: Turn, event: ProofBegin | ProofEnd) -> None:
    """Do what an event of a proof test asks for."""
    match event:
        case ProofBegin():
            begin(turn, event)
        case ProofEnd():
            withdraw(turn, event.reason)


def begin(turn: Turn, event: ProofBegin) -> None:
    """Put a virtual reading beside the live one, or refuse; either way it is a fact."""
    index, subject = _meant(turn, event)
    why = _refusal(turn, event, index, subject)
    if why or index is None:
        _refuse(turn, event, why)
        return
    rule, before = turn.site.rules[index], turn.proof
    turn.proof = Proof(
        index=index,
        subject=subject,
        by=event.by,
        begun_ms=event.at_ms,
        until_ms=event.at_ms + event.for_ms,
        virtual=rule.trip_at,
        live=_live(turn, rule, subject),
        known=_crossing(turn),
        alarm=Alarm(index=index, subject=subject, since_ms=event.at_ms),
        outputs=_owing_nothing(turn.outputs) if before is None else before.outputs,
    )
    _tell(turn, turn.proof, "begun", f"for {event.for_ms / 1000:g} s at most")
    if rule.measure.scope is Scope.SELF:
        _cross(turn, turn.proof, event.at_ms)


def withdraw(turn: Turn, reason: str) -> None:
    """Withdraw the virtual reading; outputs find back at their own pace."""
    proof = turn.proof
    if proof is None or proof.alarm is None:
        return
    was = proof.alarm
    turn.proof = replace(proof, alarm=None, ended=reason)
    if was.base is not AlarmState.NORMAL:
        text = f"Proof test: the virtual reading is withdrawn, {reason}."
        _tell_alarm(turn, was, replace(was, base=AlarmState.NORMAL), text)
    _tell(turn, turn.proof, "ended", reason)


def heard(turn: Turn, pack: str, at_ms: int) -> None:
    """Take the virtual reading where a live one has just been taken."""
    proof = turn.proof
    if proof is None or proof.alarm is None or proof.crossed_ms is not None:
        return
    scope = turn.site.rules[proof.index].measure.scope
    if scope is not Scope.PACK or proof.subject == pack:
        _cross(turn, proof, at_ms)


def watch(turn: Turn) -> None:
    """Bring the virtual alarm up to now, or withdraw it if it must not go on."""
    proof = turn.proof
    if proof is None or proof.alarm is None:
        return
    crossing = _crossing(turn)
    if why := _yields_to(turn, proof, crossing):
        withdraw(turn, f"yielding: {why}")
        return
    if turn.now_ms >= proof.until_ms:
        seconds = (proof.until_ms - proof.begun_ms) / 1000
        withdraw(turn, f"its time of {seconds:g} s is over")
        return
    if proof.known - crossing:
        turn.proof = proof = replace(proof, known=proof.known & crossing)
    _age(turn, proof)


def drive(turn: Turn, view: View) -> None:
    """Decide outputs a second time, as if the virtual reading were true."""
    proof = turn.proof
    if proof is None:
        return
    if proof.alarm is not None and proof.alarm.base is not AlarmState.NORMAL:
        view = replace(
            view,
            raised=(*view.raised, proof.alarm),
            holding=(*view.holding, proof.alarm),
        )
    outputs, _ = decided(proof.outputs, view)
    turn.proof = proof = replace(proof, outputs=_owing_nothing(outputs))
    if is_over(turn.outputs, proof, turn.site):
        # The times they really moved may make them wait, from this very moment on.
        found = merged(turn.outputs, proof, turn.site)
        turn.outputs, _ = decided(found, replace(view, before_ms=view.now_ms))
        turn.proof = None


def _owing_nothing(outputs: tuple[OutputState, ...]) -> tuple[OutputState, ...]:
    """Return outputs that wait for no charge: a test draws nothing.

    What a real reason waits for is kept with the live outputs, and a permit needs both.
    """
    return tuple(
        replace(output, needs_charge=False) if output.needs_charge else output
        for output in outputs
    )


def is_on(turn: Turn) -> bool:
    """Return True while a virtual reading counts."""
    return turn.proof is not None and turn.proof.alarm is not None


def _meant(turn: Turn, event: ProofBegin) -> tuple[int | None, str]:
    """Return the rule's index and the subject; an empty one is the rule's first."""
    subjects = [
        (index, subject)
        for index, subject in turn.site.subjects
        if turn.site.rules[index].name == event.alarm
    ]
    if not subjects:
        return None, event.subject
    return subjects[0][0], event.subject or subjects[0][1]


def _refusal(turn: Turn, event: ProofBegin, index: int | None, subject: str) -> str:
    if index is None:
        return f"there is no alarm {event.alarm!r}"
    rule = turn.site.rules[index]
    own = [alarm for alarm in turn.alarms if alarm.index == index]
    live = next((alarm for alarm in own if alarm.subject == subject), None)
    pressing = _pressing(turn, rule)
    checks = (
        (live is None, f"{rule.name} has no subject {subject!r}"),
        (is_on(turn), "another proof test is going on"),
        (
            not SHORTEST_MS <= event.for_ms <= LONGEST_MS,
            f"a step lasts 1 to {LONGEST_MS // 1000} s",
        ),
        (
            not turn.packs.are_sighted,
            "not every pack is read, so nothing may be tried",
        ),
        (
            live is not None and live.is_put_aside,
            f"{rule.name} is shelved or out of service",
        ),
        (
            live is not None and live.state is not AlarmState.NORMAL,
            f"{rule.name} is {live.state if live else ''} for real",
        ),
        (
            any(_is_crossing(turn, alarm) for alarm in own),
            f"the live value is past the limit of {rule.name}",
        ),
        (bool(pressing), f"a real alarm is there: {pressing}"),
    )
    return next((text for is_so, text in checks if is_so), "")


def _pressing(turn: Turn, rule: Rule) -> str:
    """Return the real alarm that nobody should be kept from by a test of *rule*."""
    least = max(PRESSING.index(rule.priority), PRESSING.index(Priority.MEDIUM))
    for alarm in turn.alarms:
        other = turn.site.rules[alarm.index]
        if alarm.active and PRESSING.index(other.priority) >= least:
            return f"{other.name} of {alarm.where or alarm.subject}"
    return ""


def _live(turn: Turn, rule: Rule, subject: str) -> int | None:
    what, site = rule.measure, turn.site
    match what.scope:
        case Scope.PACK:
            pack = turn.packs[site.pack_at[subject]]
            return measures.measure(what, pack, site, turn.now_ms)[0]
        case Scope.STRING:
            return turn.packs.shares_permille().get(subject)
        case Scope.BANK:
            return bank_value(what, turn.bank, turn.now_ms)
        case Scope.EXTRA:
            return extras.taken(turn, what, subject)[1]
        case Scope.SELF:
            # Dates are told once in a while, and to the live alarm alone.
            is_trouble = what is Measure.TROUBLE
            return int(bool(turn.troubles.get(subject))) if is_trouble else None
        case Scope.OUTPUT | Scope.INPUT:
            return standing_value(turn, what, subject)


def _cross(turn: Turn, proof: Proof, at_ms: int) -> None:
    rule = turn.site.rules[proof.index]
    live = _live(turn, rule, proof.subject)
    if proof.alarm is None:
        return
    # For the age of a source this is the last reading that is heard of.
    alarm = proof.alarm.seen(rule, worse(rule, live, proof.virtual), at_ms)
    turn.proof = replace(proof, alarm=alarm, live=live, crossed_ms=at_ms)
    _tell(turn, turn.proof, "crossed", "the virtual reading was taken")


def _age(turn: Turn, proof: Proof) -> None:
    was = proof.alarm
    if was is None or was.due_ms > turn.now_ms:
        return
    rule, value = turn.site.rules[proof.index], proof.virtual
    if rule.measure.is_age and proof.crossed_ms is not None:
        value = turn.now_ms - proof.crossed_ms
    new = was.aged(rule, turn.now_ms, proof.subject, value)
    turn.proof = replace(proof, alarm=new)
    if new.state is not was.state:
        text = f"Proof test, not real: {message(rule, new, turn.site)}"
        _tell_alarm(turn, was, new, text)


def _crossing(turn: Turn) -> frozenset[int]:
    """Return the positions of live alarms that are past their limit, delay or not."""
    return frozenset(
        i for i, alarm in enumerate(turn.alarms) if _is_crossing(turn, alarm)
    )


def _is_crossing(turn: Turn, alarm: Alarm) -> bool:
    if alarm.active or alarm.edge_ms is None:
        return alarm.active
    return not turn.site.rules[alarm.index].measure.is_age


def _yields_to(turn: Turn, proof: Proof, crossing: frozenset[int]) -> str:
    """Return what is real and matters more than the test, if anything does."""
    for pack, state in zip(turn.site.bank.packs, turn.packs, strict=True):
        if not state.online:
            return f"{pack.name} is lost"
    proved = turn.site.rules[proof.index]
    least = PRESSING.index(proved.priority)
    for i in sorted(crossing - proof.known):
        rule, alarm = turn.site.rules[turn.alarms[i].index], turn.alarms[i]
        is_own = alarm.index == proof.index
        if is_own or rule.actions or PRESSING.index(rule.priority) >= least:
            return f"{rule.name} of {alarm.where or alarm.subject} is real"
    return ""


def _refuse(turn: Turn, event: ProofBegin, why: str) -> None:
    rules = turn.site.rules
    units = [rule.measure.unit for rule in rules if rule.name == event.alarm]
    turn.facts.append(
        ProofFact(
            at_ms=event.at_ms,
            state="refused",
            alarm=event.alarm,
            subject=event.subject,
            by=event.by,
            virtual=None,
            live=None,
            unit=units[0] if units else rules[0].measure.unit,
            text=why,
        )
    )


def _tell(turn: Turn, proof: Proof, state: str, text: str) -> None:
    rule = turn.site.rules[proof.index]
    turn.facts.append(
        ProofFact(
            at_ms=turn.now_ms,
            state=state,
            alarm=rule.name,
            subject=proof.subject,
            by=proof.by,
            virtual=proof.virtual,
            live=proof.live,
            unit=rule.measure.unit,
            text=text,
        )
    )


def _tell_alarm(turn: Turn, was: Alarm, new: Alarm, text: str) -> None:
    rule = turn.site.rules[new.index]
    turn.facts.append(
        AlarmFact(
            at_ms=turn.now_ms,
            alarm=rule.name,
            subject=new.subject,
            priority=rule.priority,
            state=new.state.value,
            was=was.state.value,
            value=new.value,
            unit=rule.measure.unit,
            message=text,
            proving=Proving.CAUSE,
        )
    )
