"""A trace through the core. No clock: time is the trace's own."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from tocsin.core.engine import Outcome, step
from tocsin.core.events import (
    Event,
    InputSeen,
    Learned,
    LocalTime,
    Reading,
    ReadingFailed,
    Tick,
)
from tocsin.core.forecast import Limit
from tocsin.core.plant import InputRole
from tocsin.core.state import fresh
from tocsin.trace import TraceError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from tocsin.core.events import Fact
    from tocsin.core.forecast import Forecast
    from tocsin.core.forecast.pack import Tracker
    from tocsin.core.site import Site
    from tocsin.trace import Row

FORECAST_EVERY_MS = 10_000


@dataclass(slots=True)
class Played:
    """How far a replay has come.

    Attributes:
        rows: Rows read.
        first_ms, last_ms: Times of the first and the newest row; None before one.
        outcome: Of the newest step.
    """

    rows: int = 0
    first_ms: int | None = None
    last_ms: int | None = None
    outcome: Outcome | None = None

    @property
    def trace_s(self) -> float:
        """Return how many seconds of trace were played."""
        if self.first_ms is None or self.last_ms is None:
            return 0.0
        return (self.last_ms - self.first_ms) / 1000


@dataclass(frozen=True, slots=True)
class Told:
    """One forecast as of *at_ms*."""

    at_ms: int
    pack: str
    forecast: Forecast


def play(
    rows: Iterable[Row],
    site: Site,
    played: Played,
    *,
    forecasts: bool = False,
    starts_at_ms: int = 0,
    known: Mapping[str, Tracker] = MappingProxyType({}),
) -> Iterator[Fact | Told]:
    """Yield what becomes true as *rows* are played; *played* keeps the score.

    With *forecasts*, what is foretold as well. *starts_at_ms* is the local time of day
    of the first row. A trace has no inputs: switches and buttons are off, and what a
    contact would show is not known. *known* is what an earlier run has learned, by
    pack, in the times of *rows*.

    Raises:
        TraceError: a row speaks of a pack that the site does not have.
    """
    state, sieve = None, Sieve()
    for row in rows:
        if row.pack not in site.pack_at:
            packs = ", ".join(site.pack_at)
            raise TraceError(
                f"row {played.rows + 1} is of pack {row.pack!r}; the site has {packs}"
            )
        if state is None:
            state = fresh(site, now_ms=row.at_ms)
            played.first_ms = row.at_ms
            for event in _begin(site, row.at_ms, starts_at_ms, known):
                begun = step(state, event, site)
                yield from begun.facts
                state = begun.state
        outcome = step(state, _event(row), site)
        state = outcome.state
        played.rows += 1
        played.last_ms, played.outcome = row.at_ms, outcome
        yield from outcome.facts
        if forecasts:
            yield from sieve.new(outcome, site)


def _begin(
    site: Site, at_ms: int, starts_at_ms: int, known: Mapping[str, Tracker]
) -> list[Event]:
    """Return what a core is told before the first row."""
    return [
        Tick(at_ms=at_ms),
        LocalTime(at_ms=at_ms, day_ms=starts_at_ms),
        *(
            InputSeen(at_ms=at_ms, name=each.name, level=False)
            for each in site.inputs
            if each.role not in {InputRole.READ_BACK, InputRole.GENERATOR_RUNNING}
        ),
        *(Learned(at_ms=at_ms, pack=name, tracker=known[name]) for name in known),
    ]


def _event(row: Row) -> Event:
    if row.sample is None:
        return ReadingFailed(at_ms=row.at_ms, pack=row.pack, reason=row.missing)
    return Reading(at_ms=row.at_ms, pack=row.pack, sample=row.sample)


@dataclass(slots=True)
class Sieve:
    """Picks the forecasts to print: of each limit the pack that gets there first.

    At most one row a limit every `FORECAST_EVERY_MS` of trace, and only after a pack
    has looked ahead anew.
    """

    said_ms: int | None = None
    looked: tuple[float, ...] = ()

    def new(self, outcome: Outcome, site: Site) -> list[Told]:
        """Return what to print now, one a limit, or nothing."""
        packs = outcome.state.packs
        looked = tuple(p.tracker.looked_s if p.tracker else 0.0 for p in packs)
        now_ms = outcome.state.now_ms
        is_soon = self.said_ms is not None and (
            now_ms - self.said_ms < FORECAST_EVERY_MS
        )
        if looked == self.looked or is_soon:
            return []
        self.looked, self.said_ms = looked, now_ms
        told = [
            Told(now_ms, pack.name, forecast)
            for pack, state in zip(site.bank.packs, packs, strict=True)
            for forecast in state.foretold()
        ]
        return [_first(told, limit) for limit in Limit]


def _first(told: list[Told], limit: Limit) -> Told:
    """Return the forecast that comes first; one that is not known, last."""
    mine = [each for each in told if each.forecast.limit is limit]
    known = [each for each in mine if each.forecast.likely_ms is not None]
    return min(known or mine, key=lambda each: each.forecast.likely_ms or 0)
