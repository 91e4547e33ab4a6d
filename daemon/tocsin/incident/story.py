"""What the journal tells as spans: which alarm was up when, which output dropped."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tocsin.core.alarm import AlarmState
from tocsin.core.events import Proving
from tocsin.core.rules import Measure, Role

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from tocsin.journal import Row

UP = frozenset(
    {
        *(AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.SHELVED),
        *(AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE),
    }
)
"""States in which the condition is there, or hidden by someone."""

RESTARTS = frozenset({"start", "stop"})
"""Notes of the daemon after which nothing is known until something is told."""

SIDES: dict[str, tuple[Measure, ...]] = {
    "low": (
        *(Measure.LOWEST_CELL, Measure.LOW_CELL_TIME, Measure.LOW_CELL_TIME_EARLY),
        *(Measure.SURGE_RISK, Measure.REFUSES_DISCHARGE),
    ),
    "high": (
        *(Measure.HIGHEST_CELL, Measure.HIGHEST_CELL_AHEAD, Measure.HIGH_CELL_TIME),
        Measure.REFUSES_CHARGE,
    ),
    "cold": (Measure.COLDEST, Measure.COLD_TIME, Measure.CHARGE_OVER_ALLOWED),
    "hot": (Measure.HOTTEST,),
    "data": (
        *(Measure.DATA_AGE, Measure.UNCHANGED, Measure.BEAT_AGE, Measure.MISSING),
        Measure.SUM_ERROR,
    ),
}
"""Measures that speak of the same danger."""


@dataclass(frozen=True, slots=True)
class Told:
    """One thing that became true at *at_ms*; *detail* as `fact_json` makes it."""

    at_ms: int
    detail: Mapping[str, Any]

    @property
    def kind(self) -> str:
        """Return "alarm", "output", "source", "command" or "note"."""
        return str(self.detail["kind"])

    @property
    def is_proof(self) -> bool:
        """Return True if a proof test made it: it is no danger, though outputs move."""
        return self.detail.get("proving") == Proving.CAUSE


@dataclass(frozen=True, slots=True)
class Span:
    """From when to when something was so; *to_ms* None if it still is.

    Attributes:
        name: Of the alarm or output.
        subject: Of the alarm, as it was when raised; of an output its role.
        why: Of an output its reasons.
    """

    name: str
    subject: str
    from_ms: int
    to_ms: int | None
    why: tuple[str, ...] = ()

    def is_at(self, at_ms: int) -> bool:
        """Return True while it is so, its first and last moment included."""
        return self.from_ms <= at_ms and (self.to_ms is None or at_ms <= self.to_ms)

    @property
    def pack(self) -> str:
        """Return the pack that the subject is of."""
        return self.subject.partition("/")[0]


@dataclass(frozen=True, slots=True)
class Rules:
    """The limits in force, as `tocsin.history.sampling.limits_json` made them."""

    document: Mapping[str, Any]

    def of(self, alarm: str) -> Mapping[str, Any] | None:
        """Return the rule of *alarm*; None if it is not known."""
        every: Sequence[Mapping[str, Any]] = self.document["rules"]
        return next((rule for rule in every if rule["rule"] == alarm), None)

    def measure(self, alarm: str) -> Measure | None:
        """Return what *alarm* looks at; None if it is not known."""
        rule = self.of(alarm)
        return None if rule is None else Measure(rule["measure"])

    def side(self, alarm: str) -> str:
        """Return which danger *alarm* speaks of; empty for none of `SIDES`."""
        measure = self.measure(alarm)
        return next((side for side, of in SIDES.items() if measure in of), "")

    def on_side(self, side: str) -> Iterator[Mapping[str, Any]]:
        """Yield the rules that speak of one danger."""
        for rule in self.document["rules"]:
            if Measure(rule["measure"]) in SIDES.get(side, ()):
                yield rule


def told_of(rows: Iterable[Row]) -> list[Told]:
    """Return rows of the journal, by the time of day, as they were written."""
    return [Told(row.wall_ms, json.loads(row.detail)) for row in rows]


def alarm_spans(told: Iterable[Told]) -> list[Span]:
    """Return when each alarm was up, the first raised first."""
    begun: dict[tuple[str, str], Span] = {}
    done: list[Span] = []
    for one in told:
        if one.kind != "alarm" or one.is_proof:
            if one.detail.get("what") in RESTARTS:
                done += [_ended(span, one.at_ms) for span in begun.values()]
                begun.clear()
            continue
        said = one.detail
        key = (said["alarm"], said["subject"].partition("/")[0])
        if said["state"] in UP:
            if key not in begun:
                begun[key] = Span(said["alarm"], said["subject"], one.at_ms, None)
        elif key in begun:
            done.append(_ended(begun.pop(key), one.at_ms))
    return sorted([*done, *begun.values()], key=lambda span: span.from_ms)


def output_spans(told: Iterable[Told]) -> list[Span]:
    """Return when each permit was dropped and each call made, with the reasons."""
    begun: dict[str, Span] = {}
    done: list[Span] = []
    for one in told:
        if one.kind != "output":
            if one.detail.get("what") in RESTARTS:
                done += [_ended(span, one.at_ms) for span in begun.values()]
                begun.clear()
            continue
        said = one.detail
        is_acting = said["energised"] is not Role(said["role"]).is_permit
        name, was = said["output"], begun.get(said["output"])
        if is_acting:
            why = tuple(dict.fromkeys((*(was.why if was else ()), *said["because"])))
            from_ms = was.from_ms if was else one.at_ms
            begun[name] = Span(name, said["role"], from_ms, None, why)
        elif was is not None:
            done.append(_ended(begun.pop(name), one.at_ms))
    return sorted([*done, *begun.values()], key=lambda span: span.from_ms)


def _ended(span: Span, at_ms: int) -> Span:
    return Span(span.name, span.subject, span.from_ms, at_ms, span.why)
