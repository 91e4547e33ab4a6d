"""Alarms in words: what, how much, what happens by itself, what a person can do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.alarm import Alarm, AlarmState
from tocsin.core.forecast import FAR_MS
from tocsin.core.rules import Measure, Role, Unit

if TYPE_CHECKING:
    from tocsin.core.rules import Rule
    from tocsin.core.site import Site

PHRASES = {
    Measure.LOWEST_CELL: "Lowest cell",
    Measure.HIGHEST_CELL: "Highest cell",
    Measure.HIGHEST_CELL_AHEAD: "Highest cell, if it goes on rising,",
    Measure.CELL_SPREAD: "Spread between cells",
    Measure.COLDEST: "Coldest sensor",
    Measure.HOTTEST: "Hottest sensor",
    Measure.CHARGE_CURRENT: "Charge current",
    Measure.DISCHARGE_CURRENT: "Discharge current",
    Measure.CHARGE_OVER_ALLOWED: "Charge current above what the cold allows",
    Measure.SUM_ERROR: "Pack voltage against the sum of its cells",
    Measure.DATA_AGE: "Age of the newest reading",
    Measure.UNCHANGED: "Time that every value has stood still under load",
    Measure.BEAT_AGE: "Time that the pack's own counter has stood still",
    Measure.MISSING: "Guarded values that the pack does not say",
    Measure.REFUSES_CHARGE: "The battery's own protection refuses charge",
    Measure.REFUSES_DISCHARGE: "The battery's own protection has cut the load off",
    Measure.PROTECTOR_WARNING: "Warnings of the battery's own protection",
    Measure.LOW_CELL_TIME: "Time to the low cut-off",
    Measure.LOW_CELL_TIME_EARLY: "Shortest likely time to the low cut-off",
    Measure.HIGH_CELL_TIME: "Time to the high cut-off",
    Measure.COLD_TIME: "Time until the protection refuses charge for the cold",
    Measure.HOT_TIME: "Time until the hottest sensor is too hot to charge",
    Measure.HOT_LOAD_TIME: "Time until the hottest sensor is too hot to discharge",
    Measure.SURGE_RISK: "Chance that a burst of load seen lately would cut off now",
    Measure.STRING_SHARE: "String current away from an equal share",
    Measure.SINCE_FULL: "Time since the last full charge",
    Measure.EXTRA_AGE: "Age of what this source said last",
    Measure.DISAGREEMENT: "Two sources apart, of what is allowed",
    Measure.COUNTER_DISAGREEMENT: "Two charge counters apart, of what is allowed",
    Measure.PROOF_OVERDUE: "Time since the next proof test was due",
    Measure.TROUBLE: "A part of the daemon cannot do its work",
    Measure.CERTIFICATE_LEFT: "Until the first certificate ends",
    Measure.STATE_OF_CHARGE: "Charge of the pack by its own counter",
    Measure.FAILED_STARTS: "The generator did not start and is locked out",
    Measure.STUCK_CLOSED: "Commanded off, but its read-back is closed",
    Measure.STUCK_OPEN: "Commanded on, but its read-back is open",
    Measure.RELAY_WEAR: "Operations of the relay, of its rated life",
    Measure.MAINTENANCE_OVER: "The maintenance switch is still on",
}

SAID_WITHOUT_NUMBER = frozenset(
    {
        *(Measure.REFUSES_CHARGE, Measure.REFUSES_DISCHARGE, Measure.TROUBLE),
        *(Measure.FAILED_STARTS, Measure.STUCK_CLOSED, Measure.STUCK_OPEN),
        Measure.MAINTENANCE_OVER,
    }
)


def message(
    rule: Rule, alarm: Alarm, site: Site, *, detail: str = "", ahead: str = ""
) -> str:
    """Return what a person should read when *alarm* has just changed its state.

    *detail* stands for the value; *ahead* says what a forecast knows besides.
    """
    match alarm.state:
        case AlarmState.NORMAL | AlarmState.RETURNED:
            return f"{_what(rule, alarm, detail)}: back behind its limit."
        case AlarmState.ACKNOWLEDGED | AlarmState.LATCHED_ACKNOWLEDGED:
            return f"{_what(rule, alarm, detail)}: acknowledged."
        case AlarmState.LATCHED_UNACKNOWLEDGED:
            return f"{_what(rule, alarm, detail)}: gone, kept until someone resets it."
        case AlarmState.SHELVED | AlarmState.SUPPRESSED | AlarmState.OUT_OF_SERVICE:
            is_there = "present" if alarm.active else "not present"
            return f"{_what(rule, alarm, detail)}: {alarm.state}, {is_there} now."
        case AlarmState.UNACKNOWLEDGED:
            says = (_what(rule, alarm, detail) + _limit(rule) + ".",)
            by_itself = _by_itself(rule, site)
            return " ".join(s for s in (*says, by_itself, rule.action, ahead) if s)


def _what(rule: Rule, alarm: Alarm, detail: str) -> str:
    where = alarm.where or alarm.subject
    phrase = f"{PHRASES[rule.measure]} ({where})"
    if detail:
        return f"{phrase}: {detail}"
    if alarm.value is None or rule.measure in SAID_WITHOUT_NUMBER:
        return phrase
    if rule.measure.unit is Unit.MINUTES and alarm.value >= FAR_MS:
        return f"{phrase}: more than a day"
    return f"{phrase}: {rule.measure.unit.text(alarm.value)}"


def _limit(rule: Rule) -> str:
    if rule.measure in SAID_WITHOUT_NUMBER:
        return ""
    return f", limit {rule.measure.unit.text(rule.trip_at)}"


def _by_itself(rule: Rule, site: Site) -> str:
    """Say what the rule's outputs do, of those that this site has."""
    done: list[str] = []
    roles = {output.role for output in site.outputs}
    for action in rule.actions:
        if action.role not in roles:
            continue
        match action.role:
            case Role.CHARGE_PERMIT:
                done.append("charging is inhibited")
            case Role.LOAD_PERMIT:
                done.append(_loads(rule, action.stage, site))
            case Role.GENERATOR_CALL:
                done.append("the generator is asked to start")
            case Role.HEATER_CALL:
                done.append("the heater is asked for")
            case Role.HORN | Role.BEACON | Role.HEARTBEAT | Role.GENERATOR_LOAD:
                pass
    text = ", ".join(one for one in done if one)
    return f"By itself: {text}." if text else ""


def _loads(rule: Rule, stage: int, site: Site) -> str:
    loads = [o for o in site.outputs if o.role is Role.LOAD_PERMIT]
    reached = [o.stage for o in loads if not stage or o.stage <= stage]
    if not reached:
        return ""
    which = f"load stage {max(reached)} is" if stage else "all load stages are"
    if not rule.is_data_loss:
        return f"{which} dropped"
    holds = [o.hold_ms for o in loads]
    return f"{which} kept for {min(holds) // 1000} s more, then dropped"
