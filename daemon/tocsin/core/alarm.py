"""The life of one alarm: a table of transitions, and delays around it.

States, words and transitions follow ANSI/ISA-18.2-2016 and IEC 62682. Two facts are
kept apart: whether the condition is *active* (after its delays), and the alarm's
*base* state (A to F of the standard). Shelving, suppression by design and removal
from service (G, H, I) lie over the base state: they hide it, the condition is still
evaluated beneath, and on leaving them it is judged afresh: normal or unacknowledged,
never silently acknowledged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum, StrEnum, auto
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tocsin.core.rules import Rule

NEVER_MS = 1 << 62
"""A moment that does not come."""


class AlarmState(StrEnum):
    """The words of ISA-18.2 / IEC 62682; letters A to I in this order."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class Trigger(Enum):
    """What moves an alarm between the base states."""

    RAISED = auto()
    RETURNED = auto()  # the condition is gone, and the alarm does not latch
    RETURNED_LATCHING = auto()  # the condition is gone, and it does
    ACKNOWLEDGED = auto()
    RESET = auto()
    REALARMED = auto()  # acknowledged, but active for too long since


_A, _B, _C, _D, _E, _F = list(AlarmState)[:6]

TRANSITIONS: dict[tuple[AlarmState, Trigger], AlarmState] = {
    (_A, Trigger.RAISED): _B,
    (_B, Trigger.ACKNOWLEDGED): _C,
    (_B, Trigger.RETURNED): _D,
    (_B, Trigger.RETURNED_LATCHING): _E,
    (_C, Trigger.RETURNED): _A,
    (_C, Trigger.RETURNED_LATCHING): _F,
    (_C, Trigger.REALARMED): _B,
    (_D, Trigger.ACKNOWLEDGED): _A,
    (_D, Trigger.RAISED): _B,
    (_E, Trigger.ACKNOWLEDGED): _F,
    (_E, Trigger.RAISED): _B,
    # A latched cause that comes back is a new occurrence, so it sounds again.
    (_F, Trigger.RAISED): _B,
    (_F, Trigger.RESET): _A,
}
"""Every legal move; any other pair leaves the state as it is."""

HIDDEN = frozenset(
    {AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE}
)
"""What lies over the base state."""

LATCHED = frozenset({_E, _F})
SOUNDING = frozenset({_B, _E})
"""States whose alarm asks for a person's attention."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One rule on one subject.

    Attributes:
        index: Of the rule in the site's table.
        subject: Pack, string, part or "bank".
        active: The condition, after its delays.
        active_ms: When it last became so; a latch keeps it.
        edge_ms: When the raw condition turned against *active*; None if it did not.
        base: One of the states A to F.
        since_ms: When *base* began.
        where: The full subject, cell included, as it was when raised.
        value: Of the measure, when the condition last turned or began to.
        due_ms: When time alone will next change this alarm.
    """

    index: int
    subject: str
    active: bool = False
    active_ms: int = 0
    edge_ms: int | None = None
    base: AlarmState = AlarmState.NORMAL
    since_ms: int = 0
    where: str = ""
    value: int | None = None
    shelved_until_ms: int | None = None
    suppressed: bool = False
    in_service: bool = True
    due_ms: int = NEVER_MS

    @property
    def state(self) -> AlarmState:
        """Return the state to show: the base state, or what lies over it."""
        if not self.in_service:
            return AlarmState.OUT_OF_SERVICE
        if self.suppressed and self.base is not AlarmState.NORMAL:
            return AlarmState.SUPPRESSED
        if self.shelved_until_ms is not None:
            return AlarmState.SHELVED
        return self.base

    @property
    def holds(self) -> bool:
        """Return True while its rule's permits stay dropped, hidden or not."""
        return self.active or self.base in LATCHED

    @property
    def is_at_rest(self) -> bool:
        """Return True while its condition neither holds nor begins to."""
        return self.edge_ms is None and not self.active

    @property
    def is_raised(self) -> bool:
        """Return True while it is active or not back to normal."""
        return self.active or self.base is not AlarmState.NORMAL

    @property
    def is_hidden(self) -> bool:
        """Return True while something lies over the base state."""
        return self.state is not self.base

    @property
    def is_put_aside(self) -> bool:
        """Return True while a person hides it; suppression by design is no person's."""
        return self.shelved_until_ms is not None or not self.in_service

    def moved(self, trigger: Trigger, at_ms: int) -> Alarm:
        """Return the alarm after *trigger*, by the table."""
        base = TRANSITIONS.get((self.base, trigger), self.base)
        return self if base is self.base else replace(self, base=base, since_ms=at_ms)

    def seen(
        self, rule: Rule, value: int | None, at_ms: int, *, gate_open: bool = True
    ) -> Alarm:
        """Return the alarm after its measure was taken at *at_ms*.

        A value of None is worse than any: a pending or active alarm goes on, and one
        about to return does not. A closed gate is as good as a cleared value.
        """
        if rule.is_age:
            return self._heard(rule, at_ms)
        if not gate_open:
            against = self.active
        elif value is None:
            against = self.edge_ms is not None and not self.active
        elif self.active:
            against = rule.is_cleared(value)
        else:
            against = rule.is_beyond(value)
        if against == (self.edge_ms is not None):
            return self
        return self._edged(rule, value, at_ms if against else None)

    def _heard(self, rule: Rule, at_ms: int) -> Alarm:
        """Age is against an inactive alarm from the moment of each reading."""
        if self.active and self.edge_ms is not None:
            return self
        return self._edged(rule, 0, at_ms)

    def _edged(self, rule: Rule, value: int | None, edge_ms: int | None) -> Alarm:
        """Return the alarm with another edge, and what is due because of it."""
        due_ms = self._due_ms(rule, edge_ms)
        return replace(self, value=value, edge_ms=edge_ms, due_ms=due_ms)

    def planned(self, rule: Rule) -> Alarm:
        """Return the alarm with its next due moment worked out."""
        due = self._due_ms(rule, self.edge_ms)
        return self if due == self.due_ms else replace(self, due_ms=due)

    def _due_ms(self, rule: Rule, edge_ms: int | None) -> int:
        due = self._turn_ms(rule, edge_ms)
        if self.shelved_until_ms is not None:
            due = min(due, self.shelved_until_ms)
        if rule.realarm_ms and self.base is AlarmState.ACKNOWLEDGED:
            due = min(due, self.since_ms + rule.realarm_ms)
        return due

    def _turn_ms(self, rule: Rule, edge_ms: int | None) -> int:
        """Return when *active* will turn if nothing else is seen."""
        if edge_ms is None:
            return NEVER_MS
        if self.active:
            return edge_ms + rule.off_delay_ms
        age_ms = rule.trip_at if rule.is_age else 0
        return edge_ms + rule.on_delay_ms + age_ms

    def aged(self, rule: Rule, now_ms: int, where: str, value: int | None) -> Alarm:
        """Return the alarm after time alone came to *now_ms*, one turn at most.

        *where* and *value* are the worst part of the subject and the measure now.
        """
        alarm = self
        if alarm.shelved_until_ms is not None and now_ms >= alarm.shelved_until_ms:
            alarm = replace(alarm, shelved_until_ms=None).judged_afresh(now_ms)
        if alarm._turn_ms(rule, alarm.edge_ms) <= now_ms:  # noqa: SLF001 its own kind
            alarm = replace(alarm, value=value)
            if rule.is_age and value is not None:
                alarm = alarm.turned_by_age(rule, now_ms, where, value)
            else:
                alarm = alarm.turned(rule, now_ms, where)
        realarm_ms = alarm.since_ms + rule.realarm_ms
        if rule.realarm_ms and alarm.active and now_ms >= realarm_ms:
            alarm = alarm.moved(Trigger.REALARMED, now_ms)
        return alarm.planned(rule)

    def turned_by_age(self, rule: Rule, at_ms: int, where: str, age_ms: int) -> Alarm:
        """Return the alarm of a source turned; its age counts from the last reading.

        A source that fell silent again before it could return does not.
        """
        if self.active and rule.is_beyond(age_ms):
            return replace(self, edge_ms=None)
        new = self.turned(rule, at_ms, where)
        return new if new.active else replace(new, edge_ms=at_ms - age_ms)

    def turned(self, rule: Rule, at_ms: int, where: str) -> Alarm:
        """Return the alarm with *active* the other way round."""
        if self.active:
            back = Trigger.RETURNED_LATCHING if rule.latching else Trigger.RETURNED
            edge_ms = at_ms if rule.is_age else None
            gone = replace(self, active=False, edge_ms=edge_ms)
            return gone.moved(back, at_ms)
        come = replace(self, active=True, active_ms=at_ms, edge_ms=None, where=where)
        return come.moved(Trigger.RAISED, at_ms)

    def judged_afresh(self, at_ms: int) -> Alarm:
        """Return the alarm as it comes out of hiding: unacknowledged or normal."""
        if self.active:
            base = AlarmState.UNACKNOWLEDGED
        elif self.base in LATCHED:
            base = AlarmState.LATCHED_UNACKNOWLEDGED
        else:
            base = AlarmState.NORMAL
        return replace(self, base=base, since_ms=at_ms)
