"""The file, for the one thread that writes it."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from tocsin.journal.rows import journal_path
from tocsin.journal.schema import migrate, migrations, version_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from tocsin.journal.rows import Values

    Connect = Callable[[Path], sqlite3.Connection]

BUSY_S = 1.0
"""How long to wait for another process's lock; well under the bound of closing."""

CHECKED_BYTES = 64 * 1024 * 1024
"""Files up to this size are checked whole when they are opened."""

DAMAGE = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})

INSERT = """\
INSERT INTO event (at_ms, wall_ms, boot_id, run_id, kind, subject, detail)
VALUES (?, ?, ?, ?, ?, ?, ?)
"""


class DamagedError(Exception):
    """The file is no sound database any more."""


def connect_writer(path: Path) -> sqlite3.Connection:
    """Return a writing connection: WAL, every commit on the disk before it returns.

    With ``synchronous=NORMAL`` a power cut takes the newest commits with it (SQLite's
    documentation, "PRAGMA synchronous"); a row that was reported must stay.
    """
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode = WAL").fetchone()
        connection.execute("PRAGMA synchronous = FULL")
    except BaseException:
        connection.close()
        raise
    return connection


class Store:
    """Opens the journal of a folder, appends to it, sets a damaged one aside."""

    def __init__(
        self, folder: Path, *, wall_ms: Callable[[], int], connect: Connect
    ) -> None:
        self._path = journal_path(folder)
        self._wall_ms = wall_ms
        self._connect = connect
        self._connection: sqlite3.Connection | None = None
        self._inode = 0
        self._checked_inode = 0

    def open(self) -> sqlite3.Connection:
        """Return the connection; opened anew if the file was replaced or deleted.

        Raises:
            DamagedError: it is no sound database.
            JournalError: it is sound, but not ours or too new for us.
            sqlite3.Error, OSError: it cannot be opened.
        """
        if self._connection is not None:
            if self._inode == _inode(self._path):
                return self._connection
            self.close()
        self._path.parent.mkdir(parents=True, exist_ok=True)
        try:
            connection = self._connect(self._path)
            try:
                self._make_ready(connection)
            except BaseException:
                connection.close()
                raise
        except sqlite3.DatabaseError as exc:
            raise _damage_or(exc) from exc
        self._connection, self._inode = connection, _inode(self._path)
        self._checked_inode = self._inode
        return connection

    def append(self, rows: Sequence[Values]) -> None:
        """Store *rows* in one transaction; after any error none of them is stored.

        Raises:
            DamagedError, JournalError, sqlite3.Error, OSError: as for `open`; the
                connection is closed then.
        """
        connection = self.open()
        if not rows:
            return
        try:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(INSERT, rows)
            connection.execute("COMMIT")
        except sqlite3.DatabaseError as exc:
            self.close()
            raise _damage_or(exc) from exc
        except BaseException:
            self.close()
            raise

    def set_aside(self) -> str:
        """Rename the damaged file, and its log, and return the new name.

        Raises:
            OSError: it cannot be renamed.
        """
        self.close()
        moment = datetime.fromtimestamp(self._wall_ms() / 1000, tz=UTC)
        stem = f"journal-damaged-{moment:%Y%m%dT%H%M%SZ}"
        aside = self._path.with_name(f"{stem}.db")
        again = 1
        while aside.exists():
            again += 1
            aside = self._path.with_name(f"{stem}-{again}.db")
        self._path.rename(aside)
        with suppress(FileNotFoundError):
            _beside(self._path, "-wal").rename(_beside(aside, "-wal"))
        _beside(self._path, "-shm").unlink(missing_ok=True)
        return aside.name

    def close(self) -> None:
        """Close the connection; what was not committed is rolled back."""
        connection, self._connection = self._connection, None
        if connection is not None:
            with closing(connection), suppress(sqlite3.Error):
                if connection.in_transaction:
                    connection.execute("ROLLBACK")

    def _make_ready(self, connection: sqlite3.Connection) -> None:
        version = version_of(connection, str(self._path))
        if self._checked_inode != _inode(self._path):
            self._check(connection)
        steps = [step for step in migrations() if step.version > version]
        migrate(connection, steps, wall_ms=self._wall_ms())

    def _check(self, connection: sqlite3.Connection) -> None:
        """Look for damage that appending alone would never meet.

        SQLite has no checksums: a flipped bit inside a row's text goes unseen.
        """
        if self._path.stat().st_size > CHECKED_BYTES:
            return
        (said,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        if said != "ok":
            raise DamagedError(said)


def _damage_or(exc: sqlite3.DatabaseError) -> Exception:
    """Return DamagedError for what says that the file is damaged, else *exc*."""
    code = getattr(exc, "sqlite_errorcode", None)
    if code is not None and code & 0xFF in DAMAGE:
        return DamagedError(str(exc))
    return exc


def _inode(path: Path) -> int:
    try:
        return os.stat(path).st_ino  # noqa: PTH116 the name is looked up, not opened
    except FileNotFoundError:
        return 0


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)
