"""Reading a journal: from any process, while the daemon writes, or from a copy."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from tocsin.journal.rows import JournalError, Row, journal_path
from tocsin.journal.schema import version_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

BUSY_S = 5.0

SELECT = """\
SELECT id, at_ms, wall_ms, boot_id, run_id, kind, subject, detail FROM event
"""
FULL_CHARGE = "full-charge"


def read(
    folder: Path,
    *,
    since_ms: int | None = None,
    until_ms: int | None = None,
    kinds: Iterable[str] = (),
    last: int | None = None,
    after_id: int = 0,
) -> list[Row]:
    """Return the rows of the journal in *folder*, oldest first.

    Args:
        folder: Where the journal is.
        since_ms: Time of day of the first row wanted, ms since 1970.
        until_ms: Rows are wanted up to this time of day.
        kinds: Only these kinds; empty means all.
        last: Only so many, the newest.
        after_id: Only rows with a larger id.

    Raises:
        JournalError: there is no journal, or it cannot be read.
    """
    wanted = tuple(kinds)
    wheres: list[tuple[str, tuple[object, ...]]] = [("id > ?", (after_id,))]
    if since_ms is not None:
        wheres.append(("wall_ms >= ?", (since_ms,)))
    if until_ms is not None:
        wheres.append(("wall_ms <= ?", (until_ms,)))
    if wanted:
        wheres.append((f"kind IN ({','.join('?' * len(wanted))})", wanted))
    where = " AND ".join(text for text, _ in wheres)
    values = [value for _, each in wheres for value in each]
    query = f"{SELECT} WHERE {where} ORDER BY id DESC LIMIT ?"
    with _opened(folder) as connection:
        found = connection.execute(query, (*values, -1 if last is None else last))
        return [_row(values) for values in reversed(found.fetchall())]


def last_full_ms(folder: Path) -> int | None:
    """Return when the bank was last full, ms since 1970; None if never seen.

    Raises:
        JournalError: there is no journal, or it cannot be read.
    """
    with _opened(folder) as connection:
        found = connection.execute(
            "SELECT wall_ms FROM event WHERE kind = 'note' AND subject = ? "
            "ORDER BY id DESC LIMIT 1",
            (FULL_CHARGE,),
        ).fetchone()
    return None if found is None else int(found[0])


def _row(values: tuple[int, int, int, str, str, str, str, str]) -> Row:
    row_id, at_ms, wall_ms, boot_id, run_id, kind, subject, detail = values
    return Row(
        id=row_id,
        at_ms=at_ms,
        wall_ms=wall_ms,
        boot_id=boot_id,
        run_id=run_id,
        kind=kind,
        subject=subject,
        detail=detail,
    )


@contextmanager
def _opened(folder: Path) -> Iterator[sqlite3.Connection]:
    path = journal_path(folder)
    try:
        if not path.is_file():
            raise JournalError(f"there is no journal in {folder}")
        with _connected(path) as connection:
            if version_of(connection, str(path)) == 0:
                raise JournalError(f"{path} holds no rows yet")
            yield connection
    except (sqlite3.Error, OSError) as exc:
        raise JournalError(f"{path} cannot be read: {exc}") from exc


@contextmanager
def _connected(path: Path) -> Iterator[sqlite3.Connection]:
    """Open read-only; where even that needs to write beside the file, open a copy.

    SQLite's documentation, "Write-Ahead Logging", "Read-Only Databases".
    """
    try:
        connection = _connect(path)
    except sqlite3.OperationalError:
        with tempfile.TemporaryDirectory(prefix="tocsin-journal-") as folder:
            for suffix in ("", "-wal"):
                beside = path.with_name(path.name + suffix)
                if beside.exists():
                    shutil.copyfile(beside, Path(folder, beside.name))
            with closing(_connect(Path(folder, path.name))) as copied:
                yield copied
        return
    with closing(connection):
        yield connection


def _connect(path: Path) -> sqlite3.Connection:
    uri = f"file:{quote(str(path.absolute()))}?mode=ro"
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S)
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except BaseException:
        connection.close()
        raise
    return connection
