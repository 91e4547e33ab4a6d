"""Bringing a file to the schema this version knows; migrations are .sql files."""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING

from tocsin.journal.rows import JournalError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

APPLICATION_ID = int.from_bytes(b"Tocs", "big")


@dataclass(frozen=True, slots=True, kw_only=True)
class Migration:
    """One step of the schema; *version* is the one it leads to, counted from 1."""

    version: int
    name: str
    text: str


def migrations() -> tuple[Migration, ...]:
    """Return the migrations that ship with this package, in order."""
    found = sorted(
        (f for f in files("tocsin.journal").joinpath("sql").iterdir()),
        key=lambda f: f.name,
    )
    return tuple(
        Migration(
            version=int(f.name.split("_")[0]),
            name=f.name,
            text=f.read_text(encoding="utf-8"),
        )
        for f in found
        if f.name.endswith(".sql")
    )


def newest_version() -> int:
    """Return the version that the newest migration leads to."""
    return migrations()[-1].version


def version_of(connection: sqlite3.Connection, name: str) -> int:
    """Return the schema version of the open file; 0 for a file without tables.

    Raises:
        JournalError: a newer Tocsin wrote the file, or another program did.
        sqlite3.Error: it cannot be read.
    """
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if owner != APPLICATION_ID and (tables or version):
        raise JournalError(f"{name} is a database of another program, no journal")
    known = newest_version()
    if version > known:
        raise JournalError(
            f"{name} was written by a newer Tocsin: it has schema {version}, this "
            f"version knows up to {known}. Install the newer one, or move the file "
            "away to begin a new journal"
        )
    return int(version)


def migrate(
    connection: sqlite3.Connection, steps: Sequence[Migration], *, wall_ms: int
) -> None:
    """Apply each of *steps*, and record it, in one transaction a step."""
    for step in steps:
        connection.execute("BEGIN IMMEDIATE")
        try:
            # Another process may have done it while this one waited for the lock.
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            if version < step.version:
                _apply(connection, step, wall_ms)
            connection.execute("COMMIT")
        finally:
            if connection.in_transaction:
                connection.execute("ROLLBACK")


def _apply(connection: sqlite3.Connection, step: Migration, wall_ms: int) -> None:
    for statement in _statements(step.text):
        connection.execute(statement)
    sha256 = hashlib.sha256(step.text.encode()).hexdigest()
    connection.execute(
        "INSERT INTO migration (version, name, sha256, wall_ms) VALUES (?, ?, ?, ?)",
        (step.version, step.name, sha256, wall_ms),
    )
    connection.execute(f"PRAGMA user_version = {step.version:d}")


def _statements(text: str) -> Iterator[str]:
    """Split a script: the module's own way of running one would commit first."""
    statement = ""
    for line in text.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
    if statement.strip():
        yield statement
