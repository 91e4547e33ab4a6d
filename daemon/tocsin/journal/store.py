"""The file, for the one thread that writes it."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from tocsin.journal.rows import DAMAGE, JournalError, journal_path
from tocsin.journal.schema import migrate, migrations, version_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from tocsin.journal.rows import Values

    Connect = Callable[[Path], sqlite3.Connection]

BUSY_S = 0.5
"""How long to wait for another process's lock; well under the bound of closing."""

CHECKED_BYTES = 16 * 1024 * 1024
"""Files up to this size are checked whole when they are opened."""

MOST_ASIDE = 8
"""A disk that damages file after file must not be filled with them as well."""

INSERT = """\
INSERT INTO event (run_id, seq, boot_id, at_ms, wall_ms, kind, subject, detail)
VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""
INSERT_MISSING = f"{INSERT} ON CONFLICT (run_id, seq) DO NOTHING"


class DamagedError(Exception):
    """The file is no sound database any more."""


class ReplacedError(Exception):
    """The open file was deleted, or another one bears its name now."""


def connect_writer(path: Path) -> sqlite3.Connection:
    """Return a connection in which transactions begin and end only as told."""
    return sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)


class Store:
    """Opens the journal of a folder, appends to it, sets a damaged one aside."""

    def __init__(
        self,
        folder: Path,
        *,
        wall_ms: Callable[[], int],
        connect: Connect = connect_writer,
    ) -> None:
        self.path = journal_path(folder)
        self._wall_ms = wall_ms
        self._connect = connect
        self._connection: sqlite3.Connection | None = None
        self._log = _beside(self.path, "-wal")
        self._file = self._checked = self._log_file = (0, 0)
        self._size = 0
        self._is_cut = False

    def open(self) -> sqlite3.Connection:
        """Return the connection to the file of this name, which is opened if need be.

        Raises:
            ReplacedError: the open file is not the one of this name any more.
            DamagedError: it is no sound database.
            JournalError: it is sound, but not ours or too new for us.
            sqlite3.Error, OSError: it cannot be opened.
        """
        if self._connection is not None and self._is_as_left(self._connection):
            return self._connection
        self.path.parent.mkdir(parents=True, exist_ok=True)
        try:
            self._refuse_untouched()
            connection = self._connect(self.path)
            try:
                self._make_ready(connection)
            except BaseException:
                connection.close()
                raise
        except sqlite3.DatabaseError as exc:
            raise _damage_or(exc) from exc
        self._connection = connection
        self._file, self._size = _identity(self.path)
        self._log_file = _identity(self._log)[0]
        self._checked, self._is_cut = self._file, False
        return connection

    def append(self, rows: Sequence[Values], *, is_retry: bool = False) -> None:
        """Store *rows* in one transaction.

        After an error none of them is stored, except that an error of the commit
        itself may come after the fact: *is_retry* skips rows that are there already.

        Raises:
            ReplacedError, DamagedError, JournalError, sqlite3.Error, OSError: as for
                `open`; the connection is closed then.
        """
        connection = self.open()
        if not rows:
            return
        try:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(INSERT_MISSING if is_retry else INSERT, rows)
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
            JournalError: too many lie there already.
            OSError: it cannot be renamed.
        """
        self.close()
        folder = self.path.parent
        if len([*folder.glob("journal-damaged-*.db")]) >= MOST_ASIDE:
            raise JournalError(
                f"the journal is damaged again, and {MOST_ASIDE} damaged ones lie in "
                f"{folder} already; look at the disk, and move them away"
            )
        moment = datetime.fromtimestamp(self._wall_ms() / 1000, tz=UTC)
        stem = f"journal-damaged-{moment:%Y%m%dT%H%M%SZ}"
        aside = self.path.with_name(f"{stem}.db")
        again = 1
        while aside.exists():
            again += 1
            aside = self.path.with_name(f"{stem}-{again}.db")
        self.path.rename(aside)
        self._is_cut = False
        with suppress(FileNotFoundError):
            self._log.rename(_beside(aside, "-wal"))
        _beside(self.path, "-shm").unlink(missing_ok=True)
        return aside.name

    def close(self) -> None:
        """Close the connection; what was not committed is rolled back."""
        connection, self._connection = self._connection, None
        if connection is not None:
            with closing(connection), suppress(sqlite3.Error):
                if connection.in_transaction:
                    connection.execute("ROLLBACK")

    def _is_as_left(self, connection: sqlite3.Connection) -> bool:
        """Return False, with it closed, if others meddled and it must be opened anew.

        Raises:
            ReplacedError: the file was deleted, or another one bears its name now.
        """
        file, size = _identity(self.path)
        if file != self._file:
            self._leave_behind()
            what = "replaced" if any(file) else "deleted"
            raise ReplacedError(f"the journal file was {what} while it was in use")
        if size < self._size:
            self.close()
            self._is_cut, self._checked = True, (0, 0)
            return False
        if _identity(self._log)[0] != self._log_file:
            # Rows go to a log without a name: bring them into the file while we can.
            connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
            self.close()
            return False
        self._size = size
        return True

    def _leave_behind(self) -> None:
        """Close a file that is gone, and drop its log.

        SQLite leaves the log of a moved database alone, and would then apply it to
        whichever file bears the name next ("How To Corrupt An SQLite Database File").
        """
        self.close()
        if _identity(self._log)[0] == self._log_file:
            self._log.unlink(missing_ok=True)
            _beside(self.path, "-shm").unlink(missing_ok=True)

    def _refuse_untouched(self) -> None:
        """Look at an existing file without a writer's side effects.

        The last writer to close a database folds its log into it, wanted or not.

        Raises:
            JournalError: it is not ours, or too new for us.
        """
        if _identity(self.path)[1] == 0:
            return
        uri = f"{self.path.absolute().as_uri()}?mode=ro"
        with (
            # An unfinished rollback can be judged only by a writer, later.
            suppress(sqlite3.OperationalError),
            closing(sqlite3.connect(uri, uri=True, timeout=BUSY_S)) as connection,
        ):
            version_of(connection, str(self.path))

    def _make_ready(self, connection: sqlite3.Connection) -> None:
        """Check, bring up to date, and make every commit wait for the disk.

        With ``synchronous=NORMAL`` a power cut takes the newest commits with it
        (SQLite's documentation, "PRAGMA synchronous"); what was reported must stay.
        """
        version = version_of(connection, str(self.path))
        if self._is_cut and version == 0:
            raise DamagedError("it was emptied")
        connection.execute("PRAGMA cell_size_check = ON")
        if self._checked != _identity(self.path)[0]:
            self._check(connection)
        connection.execute("PRAGMA journal_mode = WAL").fetchone()
        connection.execute("PRAGMA synchronous = FULL")
        steps = [step for step in migrations() if step.version > version]
        migrate(connection, steps, wall_ms=self._wall_ms())

    def _check(self, connection: sqlite3.Connection) -> None:
        """Look for damage that appending alone would never meet.

        SQLite has no checksums: a flipped bit inside a row's text goes unseen.
        """
        if _identity(self.path)[1] > CHECKED_BYTES and not self._is_cut:
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


def _identity(path: Path) -> tuple[tuple[int, int], int]:
    """Return (device, inode) of the file of this name, and its size; 0 for none."""
    try:
        found = os.stat(path)  # noqa: PTH116 the name is looked up, not opened
    except FileNotFoundError:
        return (0, 0), 0
    return (found.st_dev, found.st_ino), found.st_size


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)
