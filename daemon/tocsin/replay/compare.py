"""One trace under two sets of limits: what each would have done."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tocsin.core.alarm import AlarmState
from tocsin.core.events import AlarmFact, OutputFact
from tocsin.core.rules import Measure, Role
from tocsin.replay.play import Played, Told, play

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from tocsin.core.events import Fact
    from tocsin.core.model import Sample
    from tocsin.core.site import Site
    from tocsin.trace import Row

UP = frozenset(
    {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.SUPPRESSED}
)
ONSET_MS = 1_800_000
"""A limit of the protection that is passed again within this is the same cut-off."""

AHEAD = {
    "low": {
        *(Measure.LOWEST_CELL, Measure.LOW_CELL_TIME, Measure.LOW_CELL_TIME_EARLY),
        Measure.SURGE_RISK,
    },
    "high": {
        *(Measure.HIGHEST_CELL, Measure.HIGHEST_CELL_AHEAD, Measure.HIGH_CELL_TIME),
    },
    "cold": {Measure.COLDEST, Measure.COLD_TIME},
}
"""Measures whose alarms announce that a limit of the protection is near."""


@dataclass(frozen=True, slots=True)
class Reached:
    """A pack went past a limit of its own protection, as recorded.

    Attributes:
        lead_ms: From the first alarm about it that was still up; None without any.
        by: That alarm's rule.
    """

    at_ms: int
    pack: str
    limit: str
    lead_ms: int | None
    by: str


@dataclass(slots=True)
class Tally:
    """What one set of limits does with a trace.

    Attributes:
        raised: How often each alarm was raised.
        up_ms: How long each was up, all packs together.
        acting_ms: How long each permit was dropped by a rule, each call made.
        roles: Of each output.
        reached: Where the protection would have cut off, and the lead each time.
        played: How far the trace went.
    """

    raised: dict[str, int] = field(default_factory=dict)
    up_ms: dict[str, int] = field(default_factory=dict)
    acting_ms: dict[str, int] = field(default_factory=dict)
    roles: dict[str, str] = field(default_factory=dict)
    reached: list[Reached] = field(default_factory=list)
    played: Played = field(default_factory=Played)


def tally(rows: Iterable[Row], site: Site, *, starts_at_ms: int = 0) -> Tally:
    """Play *rows* under the limits of *site* and count; *starts_at_ms* as in `play`.

    The trace stays as it was recorded: a load that other limits would have shed goes on
    drawing in it, so cut-offs and later alarms are those of the recorded day.

    Raises:
        TraceError: as `play`.
    """
    counted = _Counting(site)
    done = counted.tally
    watched = counted.watched(rows)
    for fact in play(watched, site, done.played, starts_at_ms=starts_at_ms):
        if not isinstance(fact, Told):
            counted.take(fact)
    counted.end()
    return done


def compared(names: tuple[str, str], tallies: tuple[Tally, Tally]) -> dict[str, Any]:
    """Return both side by side, for a program; minutes and counts are pairs."""
    one, other = tallies

    def pair(of: str, *, is_time: bool) -> dict[str, list[float]]:
        both: tuple[Mapping[str, int], ...] = (getattr(one, of), getattr(other, of))
        size = 60_000 if is_time else 1
        return {
            name: [round(each.get(name, 0) / size, 2) for each in both]
            for name in sorted({*both[0], *both[1]})
        }

    return {
        "kind": "comparison",
        "sites": list(names),
        "rows": one.played.rows,
        "trace_s": one.played.trace_s,
        "alarms_raised": pair("raised", is_time=False),
        "alarm_min": pair("up_ms", is_time=True),
        "roles": {**one.roles, **other.roles},
        "output_min": pair("acting_ms", is_time=True),
        "shed_min": [_minutes(each, Role.LOAD_PERMIT) for each in tallies],
        "charge_refused_min": [_minutes(each, Role.CHARGE_PERMIT) for each in tallies],
        "cut_offs": [[_reached_json(r) for r in each.reached] for each in tallies],
    }


def _minutes(one: Tally, role: Role) -> float:
    total = sum(
        time_ms for name, time_ms in one.acting_ms.items() if one.roles[name] == role
    )
    return round(total / 60_000, 2)


def _reached_json(one: Reached) -> dict[str, Any]:
    return {
        "t_s": one.at_ms / 1000,
        "pack": one.pack,
        "limit": one.limit,
        "lead_s": None if one.lead_ms is None else one.lead_ms / 1000,
        "by": one.by or None,
    }


class _Counting:
    """Counts while a trace is played."""

    def __init__(self, site: Site) -> None:
        self.tally = Tally()
        self._site = site
        self._rules = {rule.name: rule for rule in site.rules}
        self._up: dict[tuple[str, str], int] = {}
        self._acting: dict[str, int] = {}
        self._past: dict[tuple[str, str], int] = {}
        for output in site.outputs:
            if output.role is not Role.HEARTBEAT:
                self.tally.roles[output.name] = output.role.value
                self.tally.acting_ms[output.name] = 0

    def watched(self, rows: Iterable[Row]) -> Iterator[Row]:
        """Yield *rows*, looking at each sample once the core has had its say."""
        for row in rows:
            yield row
            if row.sample is not None:
                self._look(row.at_ms, row.pack, row.sample)

    def take(self, fact: Fact) -> None:
        """Count a fact."""
        if isinstance(fact, AlarmFact):
            self._alarm(fact)
        elif isinstance(fact, OutputFact) and fact.output in self.tally.acting_ms:
            self._output(fact)

    def end(self) -> None:
        """Count what goes on to the end of the trace."""
        last_ms = self.tally.played.last_ms
        for key in list(self._up):
            self._lower(key, last_ms or 0)
        for name in list(self._acting):
            self._stop(name, last_ms or 0)

    def _alarm(self, fact: AlarmFact) -> None:
        key = (fact.alarm, fact.subject.partition("/")[0])
        if fact.state not in UP:
            self._lower(key, fact.at_ms)
        elif key not in self._up:
            self._up[key] = fact.at_ms
            raised = self.tally.raised
            raised[fact.alarm] = raised.get(fact.alarm, 0) + 1

    def _lower(self, key: tuple[str, str], at_ms: int) -> None:
        if (since_ms := self._up.pop(key, None)) is not None:
            up_ms = self.tally.up_ms
            up_ms[key[0]] = up_ms.get(key[0], 0) + at_ms - since_ms

    def _output(self, fact: OutputFact) -> None:
        is_acting = fact.energised is not fact.role.is_permit
        if fact.role.is_permit:
            # Waiting after a start is no refusal; waiting after a rule's drop is.
            was_dropped = fact.output in self._acting
            is_acting &= was_dropped or not self._rules.keys().isdisjoint(fact.because)
        if is_acting:
            self._acting.setdefault(fact.output, fact.at_ms)
        else:
            self._stop(fact.output, fact.at_ms)

    def _stop(self, name: str, at_ms: int) -> None:
        if (since_ms := self._acting.pop(name, None)) is not None:
            self.tally.acting_ms[name] += at_ms - since_ms

    def _look(self, at_ms: int, pack: str, sample: Sample) -> None:
        for limit in _past_limits(sample, self._site):
            last_ms = self._past.get((pack, limit))
            self._past[pack, limit] = at_ms
            if last_ms is None or at_ms - last_ms > ONSET_MS:
                self.tally.reached.append(self._reached(at_ms, pack, limit))

    def _reached(self, at_ms: int, pack: str, limit: str) -> Reached:
        ahead = [
            (since_ms, alarm)
            for (alarm, subject), since_ms in self._up.items()
            if subject == pack and self._rules[alarm].measure in AHEAD[limit]
        ]
        if not ahead:
            return Reached(at_ms, pack, limit, None, "")
        since_ms, alarm = min(ahead)
        return Reached(at_ms, pack, limit, at_ms - since_ms, alarm)


def _past_limits(sample: Sample, site: Site) -> Iterator[str]:
    if sample.cells_mv and min(sample.cells_mv) <= site.low_cut_mv:
        yield "low"
    if sample.cells_mv and max(sample.cells_mv) >= site.high_cut_mv:
        yield "high"
    if sample.temps_dc and min(sample.temps_dc) <= site.cold_charge_dc:
        yield "cold"
