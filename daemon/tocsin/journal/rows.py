"""What a row is, and how a fact becomes one."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, assert_never

from tocsin.core.events import (
    AlarmFact,
    CommandFact,
    Fact,
    NoteFact,
    OutputFact,
    ProofFact,
    SourceFact,
)
from tocsin.wire import fact_json

if TYPE_CHECKING:
    from pathlib import Path

FILE_NAME = "journal.db"
DAMAGE = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
SMALLEST, LARGEST = -(2**63), 2**63 - 1


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
        """Identity of this run; no two journals ever share one."""
        ...

    def wall_ms(self) -> int:
        """Return the time of day in ms since 1970; asked from two threads."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of the journal.

    Attributes:
        id: 1 for the first row of a file, then without a gap.
        run_id, seq: The run that wrote it, and a number unique within that run; a
            number that is missing is a row that could not be kept.
        at_ms: The daemon's monotonic time; comparable within one *boot_id* only.
        wall_ms: The time of day, ms since 1970; for people, and may jump.
        kind: "alarm", "output", "source", "command", "note" or "proof".
        subject: A pack, cell, output or part; for a note, what it is about.
        detail: The JSON object of `tocsin.wire.fact_json`.
    """

    id: int
    run_id: str
    seq: int
    boot_id: str
    at_ms: int
    wall_ms: int
    kind: str
    subject: str
    detail: str


Values = tuple[str, int, str, int, int, str, str, str]
"""The columns of a row after its id, in the order of the table."""


@dataclass(slots=True, kw_only=True)
class Entry:
    """A fact on its way to the file.

    Attributes:
        seq: Unique within one run, so that a row that was stored although its commit
            seemed to fail is not stored twice; a gap shows a row that was lost.
        row: What the writer made of it, once.
        is_tried: A write of it failed, and it may be in the file all the same.
        is_durable: What to report of it; None while that is not known. Belongs to
            the event loop's thread.
    """

    seq: int
    fact: Fact
    wall_ms: int
    row: Values | None = None
    is_tried: bool = False
    is_durable: bool | None = None

    @property
    def is_alarm(self) -> bool:
        """Return True for the rows that go first when there is no room for all."""
        return isinstance(self.fact, AlarmFact)


def values(entry: Entry, stamps: Stamps) -> Values:
    """Return the columns of the row of *entry*.

    Raises:
        OverflowError: a number is larger than SQLite's.
    """
    if max(abs(entry.fact.at_ms), abs(entry.wall_ms)) > LARGEST:
        raise OverflowError(f"no time: {entry.fact.at_ms}, {entry.wall_ms}")
    told = fact_json(entry.fact)
    return (
        stamps.run_id,
        entry.seq,
        stamps.boot_id,
        entry.fact.at_ms,
        entry.wall_ms,
        told["kind"],
        _storable(_subject(entry.fact)),
        json.dumps(dict(told)),
    )


def journal_path(folder: Path) -> Path:
    """Return where the journal of *folder* is."""
    return folder / FILE_NAME


def _subject(fact: Fact) -> str:
    match fact:
        case AlarmFact() | CommandFact() | ProofFact():
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
