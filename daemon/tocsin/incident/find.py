"""What counts as an incident, and which ones a journal holds."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Any

from tocsin.core.alarm import AlarmState
from tocsin.core.rules import Measure, Role
from tocsin.incident.story import Rules, Told, alarm_spans

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from tocsin.incident.story import Span

JOIN_MS = 900_000
"""Triggers closer together than this belong to one incident."""

LATELY_MS = 600_000
"""A warning that had returned so long before still warned of what came."""


class Grade(IntEnum):
    """How bad it was; what was worst gives the incident its name."""

    WARNED = 1  # an alarm of high priority
    LOST = 2  # a pack's data was lost
    INHIBITED = 3  # a charge permit was dropped by a rule
    SHED = 4  # a load permit was dropped by a rule
    REFUSED = 5  # the battery's own protection refused charge
    CUT_OFF = 6  # it cut the loads off


NAMES = {
    Grade.WARNED: "high alarm",
    Grade.LOST: "source lost",
    Grade.INHIBITED: "charge inhibited",
    Grade.SHED: "loads shed",
    Grade.REFUSED: "charge refused by the battery",
    Grade.CUT_OFF: "cut-off by the battery",
}

ABOUT = """\
An incident is any of these: the battery's own protection cut off the loads or refused
charge; a load permit or a charge permit was dropped by a rule; a pack's data was lost;
an alarm of high priority was raised. What comes within a quarter of an hour of another
belongs to it; the worst of them gives the incident its name.
"""


@dataclass(frozen=True, slots=True)
class Trigger:
    """One thing that makes an incident.

    Attributes:
        subject: The cell, pack or sensor behind it.
        causes: Names of the alarms behind it.
    """

    at_ms: int
    grade: Grade
    subject: str
    causes: tuple[str, ...]
    told: Told


@dataclass(frozen=True, slots=True)
class Incident:
    """Triggers that belong together, in order; *main* is the first of the worst."""

    triggers: tuple[Trigger, ...]

    @property
    def main(self) -> Trigger:
        """Return the first of the worst triggers."""
        return max(self.triggers, key=lambda t: (t.grade, -t.at_ms))

    @property
    def from_ms(self) -> int:
        """Return when the first trigger came."""
        return self.triggers[0].at_ms

    @property
    def to_ms(self) -> int:
        """Return when the last one came."""
        return self.triggers[-1].at_ms

    @property
    def name(self) -> str:
        """Return what it is called."""
        return NAMES[self.main.grade]


def incidents(told: Sequence[Told], rules: Rules) -> list[Incident]:
    """Return the incidents that *told* holds, oldest first."""
    found: list[list[Trigger]] = []
    for trigger in _triggers(told, rules):
        if found and trigger.at_ms - found[-1][-1].at_ms <= JOIN_MS:
            found[-1].append(trigger)
        else:
            found.append([trigger])
    return [Incident(tuple(each)) for each in found]


def nearest(found: Sequence[Incident], at_ms: int) -> Incident | None:
    """Return the incident around *at_ms*, or the one that begins or ends nearest."""
    return min(
        found,
        key=lambda each: max(each.from_ms - at_ms, at_ms - each.to_ms, 0),
        default=None,
    )


def side_of(incident: Incident, rules: Rules, told: Sequence[Told]) -> str:
    """Return which danger it was about, a key of `SIDES`; empty if unknown."""
    main = incident.main
    if main.grade is Grade.LOST:
        return "data"
    if main.grade in {Grade.REFUSED, Grade.CUT_OFF}:
        # Its own word for why is not kept: what else was up there says it.
        pack = main.subject.partition("/")[0]
        for span in reversed(alarm_spans(told)):
            measure = rules.measure(span.name)
            is_protector = measure in {
                Measure.REFUSES_CHARGE,
                Measure.REFUSES_DISCHARGE,
            }
            is_there = span.pack == pack and _is_lately(span, main.at_ms)
            side = rules.side(span.name)
            if is_there and not is_protector and side not in {"", "data"}:
                return side
    return next((side for side in map(rules.side, main.causes) if side), "")


def first_warning(
    incident: Incident, rules: Rules, told: Sequence[Told]
) -> Span | None:
    """Return the first alarm about the same danger and pack that led up to it."""
    main, side = incident.main, side_of(incident, rules, told)
    pack = main.subject.partition("/")[0]
    return next(
        (
            span
            for span in alarm_spans(told)
            if rules.side(span.name) == side
            and span.pack == pack
            and span.from_ms <= main.at_ms
            and _is_lately(span, main.at_ms)
        ),
        None,
    )


def _is_lately(span: Span, at_ms: int) -> bool:
    end_ms = at_ms if span.to_ms is None else span.to_ms
    return span.from_ms <= at_ms and end_ms >= at_ms - LATELY_MS


def _triggers(told: Sequence[Told], rules: Rules) -> Iterator[Trigger]:
    up: dict[str, str] = {}
    permitted: dict[str, bool] = {}
    for one in told:
        said = one.detail
        if one.kind == "alarm":
            if said["state"] == AlarmState.UNACKNOWLEDGED and not one.is_proof:
                up[said["alarm"]] = said["subject"]
                if said["was"] == AlarmState.NORMAL and (grade := _grade(said, rules)):
                    yield Trigger(
                        one.at_ms, grade, said["subject"], (said["alarm"],), one
                    )
        elif one.kind == "source" and said["state"] == "lost":
            yield Trigger(one.at_ms, Grade.LOST, said["pack"], (), one)
        elif one.kind == "output" and Role(said["role"]).is_permit:
            name = said["output"]
            causes = tuple(c for c in said["because"] if rules.of(c) is not None)
            was_permitted = permitted.get(name, True)
            permitted[name] = said["energised"]
            if causes and was_permitted and not (said["energised"] or one.is_proof):
                is_load = said["role"] == Role.LOAD_PERMIT
                grade = Grade.SHED if is_load else Grade.INHIBITED
                subject = next((up[c] for c in causes if c in up), "")
                yield Trigger(one.at_ms, grade, subject, causes, one)


def _grade(said: Mapping[str, Any], rules: Rules) -> Grade | None:
    match rules.measure(said["alarm"]):
        case Measure.REFUSES_DISCHARGE:
            return Grade.CUT_OFF
        case Measure.REFUSES_CHARGE:
            return Grade.REFUSED
        case _:
            return Grade.WARNED if said["priority"] == "high" else None
