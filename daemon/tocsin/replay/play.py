"""A trace through the core. No clock: time is the trace's own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.core.engine import Outcome, step
from tocsin.core.events import Event, Reading, ReadingFailed, Tick
from tocsin.core.state import fresh
from tocsin.replay.trace import TraceError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from tocsin.core.events import Fact
    from tocsin.core.site import Site
    from tocsin.replay.trace import Row


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


def play(rows: Iterable[Row], site: Site, played: Played) -> Iterator[Fact]:
    """Yield what becomes true as *rows* are played; *played* keeps the score.

    Raises:
        TraceError: a row speaks of a pack that the site does not have.
    """
    state = None
    for row in rows:
        if row.pack not in site.pack_at:
            packs = ", ".join(site.pack_at)
            raise TraceError(
                f"row {played.rows + 1} is of pack {row.pack!r}; the site has {packs}"
            )
        if state is None:
            state = fresh(site, now_ms=row.at_ms)
            played.first_ms = row.at_ms
            begun = step(state, Tick(at_ms=row.at_ms), site)
            yield from begun.facts
            state = begun.state
        outcome = step(state, _event(row), site)
        state = outcome.state
        played.rows += 1
        played.last_ms, played.outcome = row.at_ms, outcome
        yield from outcome.facts


def _event(row: Row) -> Event:
    if row.sample is None:
        return ReadingFailed(at_ms=row.at_ms, pack=row.pack, reason=row.missing)
    return Reading(at_ms=row.at_ms, pack=row.pack, sample=row.sample)
