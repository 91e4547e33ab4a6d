"""What the collector asks of a database."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.fleet.told import Aside, Event, State, Summary


class StoreError(Exception):
    """The database does not do what is asked; the text says why, in one line.

    Attributes:
        is_passing: Waiting may help; otherwise a person must do something.
    """

    def __init__(self, why: str, *, is_passing: bool) -> None:
        super().__init__(why)
        self.is_passing = is_passing


@dataclass(slots=True)
class Batch:
    """What is stored at once, or not at all."""

    events: list[Event] = field(default_factory=list)
    summaries: list[Summary] = field(default_factory=list)
    states: list[State] = field(default_factory=list)
    asides: list[Aside] = field(default_factory=list)

    def __bool__(self) -> bool:
        """Return True if there is something to store."""
        return bool(self.events or self.summaries or self.states or self.asides)


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What became of a batch.

    Attributes:
        events: That were not there yet.
        asides: What the database would not take as it was, and was set aside.
    """

    events: int = 0
    asides: int = 0


class Stores(Protocol):
    """A database. Every call may take long, so they run on a thread of their own."""

    def write(self, batch: Batch) -> Written:
        """Store *batch*; on return it is safe.

        Raises:
            StoreError: nothing of it is.
        """
        ...

    def close(self) -> None:
        """Let go of the connection; the next call makes another."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """What is known of one site.

    Attributes:
        silent_s: Since its last sign of life; None if there never was one.
        summary: The newest; None if there never was one.
        missing: Events that the site numbered, and nobody brought.
    """

    site: str
    name: str
    state: str
    silent_s: float | None
    summary: Mapping[str, Any] | None
    missing: int
