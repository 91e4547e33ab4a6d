"""Sources beside the packs' own: heard, lost and compared, and what they lend."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.core.events import Reading, ReadingFailed, SourceFact
from tocsin.core.merge import apart, lent_to, refusal, said, whole
from tocsin.core.model import Value
from tocsin.core.rules import Measure, Rule, Scope, Unit
from tocsin.core.site import COMPARED

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tocsin.core.alarm import Alarm
    from tocsin.core.measures import PackState
    from tocsin.core.merge import Apart, ExtraState, Known
    from tocsin.core.model import Extra, Lent, Sample
    from tocsin.core.site import Site
    from tocsin.core.turn import Turn

SHOWN_IN = {
    Value.CURRENT: Unit.MA,
    Value.VOLTAGE: Unit.MV,
    Value.SOC: Unit.PERMILLE,
}

RESTS_ON = {
    Measure.CHARGE_CURRENT: Value.CURRENT,
    Measure.DISCHARGE_CURRENT: Value.CURRENT,
    Measure.CHARGE_OVER_ALLOWED: Value.CURRENT,
    Measure.UNCHANGED: Value.CURRENT,
    Measure.LOW_CELL_TIME: Value.CURRENT,
    Measure.LOW_CELL_TIME_EARLY: Value.CURRENT,
    Measure.HIGH_CELL_TIME: Value.CURRENT,
    Measure.COLD_TIME: Value.CURRENT,
    Measure.HOT_TIME: Value.CURRENT,
    Measure.HOT_LOAD_TIME: Value.CURRENT,
    Measure.SURGE_RISK: Value.CURRENT,
    Measure.STRING_SHARE: Value.CURRENT,
    Measure.SINCE_FULL: Value.CURRENT,
    Measure.SUM_ERROR: Value.VOLTAGE,
}
"""Measures that cannot be taken without a value that an extra source may give."""


def due_ms(turn: Turn) -> Iterable[int]:
    """Yield when each source that is heard will be stale."""
    return (
        state.heard_ms + turn.site.timing.stale_ms
        for state in turn.extras
        if state.online
    )


def hear(turn: Turn, event: Reading | ReadingFailed) -> None:
    """Take what a source says, or note with its reason that it said nothing."""
    at = turn.site.extra_at[event.pack]
    if isinstance(event, ReadingFailed):
        _fail(turn, at, event.reason, event.at_ms, state="failing")
    elif reason := refusal(event.sample, turn.site.extras[at], turn.site):
        _fail(turn, at, reason, event.at_ms, state="refused")
    else:
        _take(turn, at, event.sample, event.at_ms)


def _take(turn: Turn, at: int, sample: Sample, at_ms: int) -> None:
    extra, old = turn.site.extras[at], turn.extras[at]
    turn.extras[at] = replace(
        old, heard_ms=at_ms, online=True, trouble="", sample=said(sample, extra)
    )
    if old.trouble or not old.online:
        _tell(turn, extra, "online", "", at_ms)
    for i in turn.site.alarms_of.get((Scope.EXTRA, extra.name), ()):
        rule = turn.site.rules[turn.alarms[i].index]
        if rule.is_age:
            turn.put(i, turn.alarms[i].seen(rule, 0, at_ms))
    merge(turn, at_ms)


def _fail(turn: Turn, at: int, reason: str, at_ms: int, *, state: str) -> None:
    """Note that a poll gave nothing; the first of a row is a fact."""
    old = turn.extras[at]
    if old.trouble != reason:
        turn.extras[at] = replace(old, trouble=reason)
    if not old.trouble:
        _tell(turn, turn.site.extras[at], state, reason, at_ms)


def lose(turn: Turn, *, is_lost: bool) -> None:
    """Forget what is stale, and take back what it, or a lost pack, had lent."""
    stale_ms = turn.site.timing.stale_ms
    for at, state in enumerate(turn.extras):
        if state.online and turn.now_ms >= state.heard_ms + stale_ms:
            turn.extras[at] = replace(state, online=False, sample=None)
            reason = state.trouble or f"no good reading for {stale_ms / 1000:g} s"
            _tell(turn, turn.site.extras[at], "lost", reason, turn.now_ms)
            is_lost = True
    if is_lost:
        merge(turn, turn.now_ms)


def lent(turn: Turn, i: int, sample: Sample, at_ms: int) -> tuple[Lent, ...]:
    """Return what pack *i*, which says *sample* now, is lent by others."""
    if not turn.site.lends:
        return ()
    packs = list(turn.packs)
    packs[i] = replace(packs[i], heard_ms=at_ms, online=True, sample=sample, lent=())
    return lent_to(i, packs, turn.extras, turn.site)


def merge(turn: Turn, at_ms: int) -> None:
    """Bring what every pack is lent up to date, and compare the sources anew."""
    site = turn.site
    if not site.lends:
        return
    for i, pack in enumerate(turn.packs):
        now = lent_to(i, turn.packs.row(), turn.extras, site)
        own = pack.own
        if now == pack.lent or own is None:
            continue
        new = replace(pack, sample=whole(own, now), lent=now)
        turn.packs[i] = new
        if new.sample != pack.sample and new.online:
            turn.judge_pack(site.bank.packs[i].name, new, at_ms)
    for at in range(len(site.extras)):
        _compare(turn, at, at_ms)


def _compare(turn: Turn, at: int, at_ms: int) -> None:
    """Hold source *at* against others once all of them have spoken anew.

    One reading against an older one would show a load that came in between, or hide
    an error behind it.
    """
    extra, state = turn.site.extras[at], turn.extras[at]
    packs = turn.packs.row()
    every = apart(at, Value, packs, turn.extras, turn.site)
    if any(each.at_ms <= state.compared_ms for each in every):
        return
    if every:
        turn.extras[at] = replace(state, compared_ms=at_ms)
    for i in turn.site.alarms_of.get((Scope.EXTRA, extra.name), ()):
        rule = turn.site.rules[turn.alarms[i].index]
        if not rule.is_age:
            found = disagreement(at, rule.measure, packs, turn.extras, turn.site)
            value = None if found is None else found.permille
            turn.put(i, turn.alarms[i].seen(rule, value, at_ms))


def disagreement(
    at: int,
    measure: Measure,
    packs: Sequence[PackState],
    extras: Sequence[ExtraState],
    site: Site,
) -> Apart | None:
    """Return where source *at* is furthest from others; None if that is not known."""
    values = [value for value in Value if COMPARED[value] is measure]
    found = apart(at, values, packs, extras, site)
    return max(found, key=lambda each: each.permille, default=None)


def taken(turn: Turn, measure: Measure, name: str) -> tuple[str, int | None]:
    """Return what *measure* is of source *name* now, and of which value of it."""
    at = turn.site.extra_at[name]
    if measure.is_age:
        return name, turn.now_ms - turn.extras[at].heard_ms
    found = disagreement(at, measure, turn.packs.row(), turn.extras, turn.site)
    return (name, None) if found is None else (f"{name}/{found.value}", found.permille)


def where(turn: Turn, alarm: Alarm) -> tuple[str, int | None]:
    """Return the subject of an extra source's alarm, and the value that it shows."""
    measure = turn.site.rules[alarm.index].measure
    subject, value = taken(turn, measure, alarm.subject)
    return subject, value if measure.is_age else alarm.value


def outlook(
    rule: Rule,
    at: int,
    packs: Sequence[PackState],
    extras: Sequence[ExtraState],
    site: Site,
) -> str:
    """Return what to say besides of an alarm of source *at*."""
    if not rule.is_age:
        found = disagreement(at, rule.measure, packs, extras, site)
        return "" if found is None else _both(found)
    lacking = [
        (value, name)
        for value in site.extras[at].values
        for pack, name in zip(packs, site.pack_at, strict=True)
        if reaches(site.extras[at], name, site)
        and pack.sample is not None
        and value.of(pack.sample) is None
    ]
    return " ".join(
        blind(value, [name for of, name in lacking if of is value], site)
        for value in dict.fromkeys(value for value, _ in lacking)
    )


def blind(value: Value, packs: Sequence[str], site: Site) -> str:
    """Return which rules cannot work on *packs* while nobody says *value* of them."""
    rules = [rule.name for rule in site.rules if RESTS_ON.get(rule.measure) is value]
    names, many = ", ".join(packs), "s" if len(packs) == 1 else ""
    text = f"Nothing else say{many} the {value} of {names}"
    if rules:
        text += f"; without it these rules are blind there: {', '.join(rules)}"
    if value is Value.CURRENT:
        text += "; charge is not counted and no minutes are told"
    return f"{text}."


def reaches(extra: Extra, pack: str, site: Site) -> bool:
    """Return True if what *extra* says may be lent to *pack*."""
    string = site.bank.packs[site.pack_at[pack]].string
    return extra.of not in site.pack_at or extra.of in {pack, string}


def _both(found: Apart) -> str:
    one, other = (_said(each, found.value) for each in (found.one, found.other))
    return f"{one}, {other}."


def _said(known: Known, value: Value) -> str:
    verb = "say" if ", " in known.by else "says"
    return f"{known.by} {verb} {SHOWN_IN[value].text(known.number)}"


def _tell(turn: Turn, extra: Extra, state: str, reason: str, at_ms: int) -> None:
    turn.facts.append(
        SourceFact(
            at_ms=at_ms, pack=extra.name, state=state, reason=reason, is_extra=True
        )
    )
