"""The first screen: is it all right, how long, what happens by itself, what to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tocsin.core.alarm import SOUNDING, Alarm, AlarmState
from tocsin.core.forecast import FAR_MS, Forecast, Limit
from tocsin.core.inputs import is_in_maintenance
from tocsin.core.rules import Measure, Priority, Role
from tocsin.core.words import PHRASES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Demand
    from tocsin.core.rules import Rule
    from tocsin.core.site import Site

MOST_TO_DO = 3
HOURS_FROM_MIN = 120
HOUR_MIN = 60

PRIORITIES = list(Priority)[::-1]

REACHED = {
    Limit.HIGH: "a cell is full",
    Limit.COLD: "it is too cold to charge",
    Limit.HOT: "it is too hot to charge",
    Limit.HOT_LOAD: "it is too hot to give power",
}
STOPS = {
    Limit.HIGH: Role.CHARGE_PERMIT,
    Limit.COLD: Role.CHARGE_PERMIT,
    Limit.HOT: Role.CHARGE_PERMIT,
    Limit.HOT_LOAD: Role.LOAD_PERMIT,
}

DROPPED = {
    Role.CHARGE_PERMIT: "Charging is held back",
    Role.LOAD_PERMIT: "The load {name} is off",
}
CALLED = {
    Role.HORN: "The horn {name} sounds",
    Role.BEACON: "The beacon {name} is lit",
    Role.GENERATOR_CALL: "The generator is asked to run",
    Role.HEATER_CALL: "The heater is asked to run",
    Role.GENERATOR_LOAD: "The generator carries load",
}
CORE_REASONS = {
    "starting": "the daemon has just started",
    "waiting-for-data": "a pack is not heard",
    "minimum-off-time": "it stays off for its shortest time",
    "minimum-on-time": "it stays on for its shortest time",
    "waiting-for-charge": "charge has to come back first",
    "waiting-for-turn": "others come back before it",
    "earlier-stage-without-effect": "an earlier stage had no effect",
    "self-test": "it tries itself at the start",
    "sounder-test": "somebody tries it",
    "requested": "somebody asked for it",
    "horn-hourly-limit": "it has sounded enough for this hour",
}


@dataclass(frozen=True, slots=True)
class Ahead:
    """The nearest forecast of one limit: of which pack, and what it says."""

    pack: str
    told: Forecast

    @property
    def subject(self) -> str:
        """Return the pack, and the cell or sensor if it is known."""
        return f"{self.pack}/{self.told.part}" if self.told.part else self.pack


def verdict(outcome: Outcome, site: Site) -> dict[str, Any]:
    """Return the first screen's answers, in words.

    ``level`` is "well", "look", "act" or "blind" (we do not know, the worst case).
    ``steps`` are what comes by itself: ``in_s`` from now on, null for what is so now.
    """
    level, headline = _level(outcome, site)
    low = nearest(outcome, site, Limit.LOW)
    return {
        "level": level,
        "headline": headline,
        "time": _time(low),
        "steps": [*_now(outcome.demands, site), *_later(outcome, site, low)],
        "todo": _todo(outcome, site, level),
    }


def nearest(outcome: Outcome, site: Site, limit: Limit) -> Ahead | None:
    """Return the forecast of *limit* that comes first; unknown ones count as worst."""
    every = [
        Ahead(pack.name, told)
        for pack, state in zip(site.bank.packs, outcome.state.packs, strict=True)
        for told in state.foretold()
        if told.limit is limit
    ]
    return min(
        every,
        key=lambda a: -1 if a.told.likely_ms is None else a.told.likely_ms,
        default=None,
    )


def lasting(time_ms: int) -> str:
    """Return a time in words, no finer than it is known."""
    minutes = max(0, round(time_ms / 60_000))
    if minutes < HOURS_FROM_MIN:
        return f"{minutes} min"
    hours, minutes = divmod(round(minutes / 10) * 10, HOUR_MIN)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def reasons(names: Iterable[str], site: Site) -> list[str]:
    """Return reasons of an output for people: what is looked at, and the rule."""
    about = {rule.name: PHRASES[rule.measure].rstrip(",") for rule in site.rules}
    return [
        CORE_REASONS.get(name)
        or (f"{about[name].lower()} ({name})" if name in about else name)
        for name in names
    ]


# --- is it all right ----------------------------------------------------------------


def _level(outcome: Outcome, site: Site) -> tuple[str, str]:
    if unseen := _unseen(outcome, site):
        return "blind", unseen
    standing = _standing(outcome)
    if any(_rule(a, site).priority is Priority.HIGH for a in standing):
        return "act", "Act now"
    if look := _look(outcome, site, len(standing)):
        return "look", look
    return "well", "All is well"


def _look(outcome: Outcome, site: Site, standing: int) -> str:
    """Return what is not as usual, though nobody has to hurry."""
    if outcome.state.proof is not None:
        return "A proof test goes on"
    if is_in_maintenance(outcome.state.inputs, site):
        return "In maintenance"
    if off := [d for d in outcome.demands if d.role in DROPPED and not d.energised]:
        words = _named(DROPPED[off[0].role], off[0])
        return words if len(off) == 1 else f"{words}, and more"
    if standing:
        return f"{'One thing' if standing == 1 else f'{standing} things'} to look at"
    return ""


def _unseen(outcome: Outcome, site: Site) -> str:
    packs = outcome.state.packs
    lost = [
        pack.name
        for pack, state in zip(site.bank.packs, packs, strict=True)
        if not state.online
    ]
    if not lost:
        return ""
    if all(state.sample is None for state in packs):
        return "Not a word from the battery yet"
    if len(lost) == len(packs):
        return "The battery cannot be seen"
    return f"Pack {', '.join(lost)} cannot be seen"


def _standing(outcome: Outcome) -> list[Alarm]:
    return [
        alarm
        for alarm in outcome.state.alarms
        if alarm.state is not AlarmState.NORMAL and not alarm.is_hidden
    ]


def _rule(alarm: Alarm, site: Site) -> Rule:
    return site.rules[alarm.index]


# --- how long -----------------------------------------------------------------------


def _time(low: Ahead | None) -> dict[str, Any]:
    if low is None or low.told.likely_ms is None:
        why = "there is no forecast" if low is None else low.told.reason
        return _told("Time not known", f"How long the power lasts: {why}.")
    early_ms, likely_ms = low.told.early_ms or 0, low.told.likely_ms
    if likely_ms >= FAR_MS:
        at_least = "" if early_ms >= FAR_MS else f", at the soonest {lasting(early_ms)}"
        return _told("More than a day", f"of power as things are{at_least}")
    late_ms = low.told.late_ms
    late = "more than a day" if not late_ms or late_ms >= FAR_MS else lasting(late_ms)
    return _told(
        lasting(likely_ms),
        f"until the battery cuts off, cell {low.told.part} of {low.pack} first; "
        f"between {lasting(early_ms)} and {late}",
    )


def _told(big: str, small: str) -> dict[str, Any]:
    return {"big": big, "small": small}


# --- what happens by itself ---------------------------------------------------------


def _now(demands: Iterable[Demand], site: Site) -> list[dict[str, Any]]:
    """Say what outputs do now that is not as usual, and why."""
    steps: list[dict[str, Any]] = []
    for demand in demands:
        words = DROPPED if demand.role.is_permit else CALLED
        if demand.role not in words or demand.called is demand.role.is_permit:
            continue
        what = _named(words[demand.role], demand)
        why = ", ".join(reasons(demand.because, site))
        steps.append(_step(None, f"{what}: {why}." if why else f"{what}."))
    return steps


def _named(words: str, demand: Demand) -> str:
    """Return *words* with the output's name, where it says more than its role."""
    name = "" if demand.output == demand.role.value else demand.output
    return " ".join(words.format(name=name).split())


def _later(outcome: Outcome, site: Site, low: Ahead | None) -> list[dict[str, Any]]:
    steps = _towards_empty(outcome, site, low)
    for limit, words in REACHED.items():
        ahead = nearest(outcome, site, limit)
        likely_ms = None if ahead is None else ahead.told.likely_ms
        if ahead is None or likely_ms is None or likely_ms >= FAR_MS:
            continue
        has_permit = any(o.role is STOPS[limit] for o in site.outputs)
        stops = "charging" if STOPS[limit] is Role.CHARGE_PERMIT else "every load"
        then = (
            f"{stops} is held back" if has_permit else f"the protection stops {stops}"
        )
        steps.append(_step(likely_ms, f"{words} ({ahead.subject}); {then}"))
    return sorted(steps, key=lambda step: step["in_s"])


def _towards_empty(
    outcome: Outcome, site: Site, low: Ahead | None
) -> list[dict[str, Any]]:
    if low is None or low.told.likely_ms is None or low.told.likely_ms >= FAR_MS:
        return []
    active = {a.index for a in outcome.state.alarms if a.active}
    steps = [_step(low.told.likely_ms, "the battery's own protection cuts off")]
    for i, rule in enumerate(site.rules):
        told_ms = {
            Measure.LOW_CELL_TIME: low.told.likely_ms,
            Measure.LOW_CELL_TIME_EARLY: low.told.early_ms,
        }.get(rule.measure)
        if told_ms is None or i in active:
            continue
        if what := _does(rule, site):
            steps.append(_step(max(0, told_ms - rule.trip_at), what))
    return steps


def _does(rule: Rule, site: Site) -> str:
    """Return what a rule does, of what this site has."""
    done: list[str] = []
    for action in rule.actions:
        names = [
            output.name
            for output in site.outputs
            if output.role is action.role
            and (not action.stage or output.stage <= action.stage)
        ]
        if not names:
            continue
        match action.role:
            case Role.LOAD_PERMIT:
                done.append(f"switched off: {', '.join(names)}")
            case Role.GENERATOR_CALL:
                done.append("the generator is asked to run")
            case Role.HEATER_CALL:
                done.append("the heater is asked to run")
            case Role.CHARGE_PERMIT:
                done.append("charging is held back")
            case Role.HORN | Role.BEACON | Role.HEARTBEAT | Role.GENERATOR_LOAD:
                pass
    if not rule.actions:
        has_horn = any(o.role in {Role.HORN, Role.BEACON} for o in site.outputs)
        done.append("you are called" if has_horn else "an alarm is raised")
    return ", ".join(done)


def _step(in_ms: int | None, what: str) -> dict[str, Any]:
    in_s = None if in_ms is None else round(in_ms / 60_000) * 60
    return {"in_s": in_s, "in": "" if in_ms is None else lasting(in_ms), "what": what}


# --- what to do ---------------------------------------------------------------------


def _todo(outcome: Outcome, site: Site, level: str) -> list[str]:
    standing = sorted(
        _standing(outcome),
        key=lambda a: (
            PRIORITIES.index(_rule(a, site).priority),
            a.state not in SOUNDING,
            -a.since_ms,
        ),
    )
    wanted = [_rule(a, site).action for a in standing if a.holds]
    wanted += [
        "Look at what came and went, and acknowledge it."
        for a in standing
        if not a.holds
    ][:1]
    if not wanted and level == "blind":
        wanted = ["See that the battery and its cable to this machine are on."]
    return list(dict.fromkeys(text for text in wanted if text))[:MOST_TO_DO]
