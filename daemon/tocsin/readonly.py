"""Opening a database of ours for reading: from any process, changing nothing."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from contextlib import ExitStack

BUSY_S = 1.0

CANNOT_SHARE = frozenset({sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY})
NO_SIDE_FILE = frozenset(
    {
        *(sqlite3.SQLITE_IOERR_SHMOPEN, sqlite3.SQLITE_IOERR_SHMSIZE),
        *(sqlite3.SQLITE_IOERR_SHMMAP, sqlite3.SQLITE_IOERR_WRITE),
        sqlite3.SQLITE_FULL,
    }
)
"""What a disk without a free page answers where a side file is to be made."""


def connected(path: Path, stack: ExitStack) -> sqlite3.Connection:
    """Return a reading connection that *stack* closes.

    A database with a write-ahead log needs a side file to be read in company. Where
    none can be made (a read-only copy, a full disk), nobody else writes either: the
    file is read as it is, or with its log from a copy of both.

    Raises:
        sqlite3.Error, OSError: it cannot be read.
    """
    try:
        return _checked(path, "mode=ro", stack)
    except sqlite3.OperationalError as exc:
        code = exc.sqlite_errorcode
        if code & 0xFF not in CANNOT_SHARE and code not in NO_SIDE_FILE:
            raise
    log = path.with_name(f"{path.name}-wal")
    if not log.exists() or log.stat().st_size == 0:
        return unshared(path, stack)
    copy = Path(stack.enter_context(tempfile.TemporaryDirectory())) / path.name
    shutil.copyfile(path, copy)
    shutil.copyfile(log, copy.with_name(log.name))
    return _checked(copy, "mode=rw", stack)


def unshared(path: Path, stack: ExitStack) -> sqlite3.Connection:
    """Return a connection to a database that nobody writes; it needs no side file.

    Raises:
        sqlite3.Error, OSError: it cannot be read.
    """
    return _checked(path, "immutable=1", stack)


def _checked(path: Path, how: str, stack: ExitStack) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?{how}"
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None)
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except BaseException:
        connection.close()
        raise
    stack.callback(connection.close)
    return connection
