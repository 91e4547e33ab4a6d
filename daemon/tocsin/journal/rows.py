"""What a row is, and how a fact becomes one."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, assert_never

from tocsin.core.events import (
    AlarmFact,
    CommandFact,
    Fact,
    NoteFact,
    OutputFact,
    SourceFact,
)
from tocsin.wire import fact_json

if TYPE_CHECKING:
    from pathlib import Path

FILE_NAME = "journal.db"


class JournalError(Exception):
    """There is no journal to read, or it is one that must not be touched."""


class Stamps(Protocol):
    """What a row says of the run that wrote it."""

    @property
    def boot_id(self) -> str:
        """Identity of this boot of the machine."""
        ...

    @property
    def run_id(self) -> str:
        """Identity of this run of the daemon."""
        ...

    def wall_ms(self) -> int:
        """Return the time of day in ms since 1970; asked from two threads."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of the journal.

    Attributes:
        id: 1 for the first row of a file, then without a gap.
        at_ms: The daemon's monotonic time; comparable within one *boot_id* only.
        wall_ms: The time of day, ms since 1970; for people, and may jump.
        kind: "alarm", "output", "source", "command" or "note".
        subject: A pack, cell, output or part; for a note, what it is about.
        detail: The JSON object of `tocsin.wire.fact_json`.
    """

    id: int
    at_ms: int
    wall_ms: int
    boot_id: str
    run_id: str
    kind: str
    subject: str
    detail: str


@dataclass(slots=True, kw_only=True)
class Entry:
    """A fact on its way to the file.

    Attributes:
        is_told: It was already passed on as not durable, and waits for a retry.
    """

    fact: Fact
    wall_ms: int
    is_told: bool = False

    @property
    def is_alarm(self) -> bool:
        """Return True for the rows that go first when there is no room for all."""
        return isinstance(self.fact, AlarmFact)


Values = tuple[int, int, str, str, str, str, str]
"""The columns of a row after its id, in the order of the table."""


def values(entry: Entry, stamps: Stamps) -> Values:
    """Return the columns of the row of *entry*."""
    told = fact_json(entry.fact)
    return (
        entry.fact.at_ms,
        entry.wall_ms,
        stamps.boot_id,
        stamps.run_id,
        told["kind"],
        _storable(_subject(entry.fact)),
        json.dumps(told),
    )


def journal_path(folder: Path) -> Path:
    """Return where the journal of *folder* is."""
    return folder / FILE_NAME


def _subject(fact: Fact) -> str:
    match fact:
        case AlarmFact() | CommandFact():
            return fact.subject
        case OutputFact():
            return fact.output
        case SourceFact():
            return fact.pack
        case NoteFact():
            return fact.what
        case _:
            assert_never(fact)


def _storable(text: str) -> str:
    """Escape lone surrogates (from undecodable arguments): UTF-8 has none."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
