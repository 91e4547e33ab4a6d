"""The tables of the history file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.history.kinds import HistoryError

if TYPE_CHECKING:
    import sqlite3

APPLICATION_ID = int.from_bytes(b"Tohi", "big")
VERSION = 1

TABLES = f"""\
-- Which values a block holds, in order, separated by blanks.
CREATE TABLE layout (id INTEGER PRIMARY KEY, names TEXT NOT NULL UNIQUE) STRICT;

-- Samples of one pack, of a time no longer than `Tier.block_ms`; ms since 1970.
CREATE TABLE block (
    id INTEGER PRIMARY KEY,
    tier INTEGER NOT NULL,
    pack TEXT NOT NULL,
    from_ms INTEGER NOT NULL,
    to_ms INTEGER NOT NULL,
    rows INTEGER NOT NULL,
    layout_id INTEGER NOT NULL REFERENCES layout,
    data BLOB NOT NULL
) STRICT;
CREATE INDEX block_by_time ON block (tier, pack, from_ms, to_ms, layout_id);

-- The newest block of the next finer tier that went into this tier's.
CREATE TABLE thinned (
    pack TEXT NOT NULL,
    tier INTEGER NOT NULL,
    block_id INTEGER NOT NULL,
    PRIMARY KEY (pack, tier)
) STRICT;

-- The limits in force from a time on.
CREATE TABLE site (
    wall_ms INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL,
    detail TEXT NOT NULL
) STRICT;

PRAGMA application_id = {APPLICATION_ID:d};
PRAGMA user_version = {VERSION:d};
"""


def is_ready(connection: sqlite3.Connection, name: str) -> bool:
    """Return False for a file that has no tables yet.

    Raises:
        HistoryError: a newer Tocsin wrote the file, or another program did.
        sqlite3.Error: it cannot be read.
    """
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if owner != APPLICATION_ID and (tables or version):
        raise HistoryError(f"{name} is a database of another program, no history")
    if version > VERSION:
        raise HistoryError(
            f"{name} was written by a newer Tocsin: it has schema {version}, this "
            f"version knows up to {VERSION}. Install the newer one, or move the file "
            "away to begin a new history"
        )
    return bool(version)
