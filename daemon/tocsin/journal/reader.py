"""The journal's reading half: from any process, and without changing a row."""

from __future__ import annotations

import json
import sqlite3
import time
from contextlib import ExitStack, contextmanager, suppress
from typing import TYPE_CHECKING

from tocsin.journal.rows import (
    DAMAGE,
    LARGEST,
    SMALLEST,
    JournalError,
    Row,
    journal_path,
)
from tocsin.journal.schema import version_of
from tocsin.readonly import connected, unshared

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

PAGE = 1_000
"""Rows fetched at a time: a long read would keep the writer's log from shrinking."""

FOLLOW_S = 0.5

FULL_CHARGE = "full-charge"
"""The note by which the core says that every pack is full."""

NEXT_PAGE = """\
SELECT id, run_id, seq, boot_id, at_ms, wall_ms, kind, subject, detail FROM event
WHERE id > :after AND wall_ms >= :since AND wall_ms <= :until
    AND (:all OR kind IN (SELECT value FROM json_each(:kinds)))
ORDER BY id LIMIT :page
"""
BEFORE_LAST = """\
SELECT coalesce(min(id) - 1, (SELECT max(id) FROM event), 0) FROM (
    SELECT id FROM event WHERE wall_ms >= :since AND wall_ms <= :until
        AND (:all OR kind IN (SELECT value FROM json_each(:kinds)))
    ORDER BY id DESC LIMIT :last
)
"""


def read(
    folder: Path,
    *,
    since_ms: int | None = None,
    until_ms: int | None = None,
    kinds: Sequence[str] = (),
    last: int | None = None,
    after_id: int = 0,
) -> Iterator[Row]:
    """Yield the rows of the journal of *folder*, oldest first.

    Args:
        folder: Where the journal lies; read only.
        since_ms: Only rows of this time of day, in ms since 1970, or later.
        until_ms: Only rows of this time of day or earlier.
        kinds: Only rows of these kinds; empty means all.
        last: Only the newest so many of them.
        after_id: Only rows with a larger id.

    Raises:
        JournalError: there is no journal, it is damaged, or it is not for us to read.
    """
    with _opened(folder) as connection:
        if connection is None:
            return
        wanted = {
            "since": SMALLEST if since_ms is None else since_ms,
            "until": LARGEST if until_ms is None else until_ms,
            "all": not kinds,
            "kinds": json.dumps(kinds),
        }
        if last is not None:
            newest = connection.execute(BEFORE_LAST, {**wanted, "last": last})
            after_id = max(after_id, newest.fetchone()[0])
        wanted["page"] = PAGE
        while rows := connection.execute(
            NEXT_PAGE, {**wanted, "after": after_id}
        ).fetchall():
            yield from (_row(row) for row in rows)
            after_id = rows[-1][0]


def follow(
    folder: Path,
    *,
    since_ms: int | None = None,
    kinds: Sequence[str] = (),
    last: int | None = None,
    pause: Callable[[], None] | None = None,
) -> Iterator[Row]:
    """Yield rows as `read` does, and then each new one, for ever.

    A journal that is replaced is followed from the beginning of the new one; while
    there is none, or it cannot be read, it is waited for.

    Args:
        folder: As for `read`, and likewise the next three.
        since_ms: Only rows of this time of day or later.
        kinds: Only rows of these kinds.
        last: Begin with only the newest so many; 0 for only what is to come.
        pause: Called between two looks; by default it sleeps.

    Raises:
        JournalError: there is nothing to read at the start.
    """
    path, after_id = journal_path(folder), 0
    inode = _inode(path)
    for row in read(folder, since_ms=since_ms, kinds=kinds, last=last):
        after_id = row.id
        yield row
    if last == 0:
        with _opened(folder) as connection:
            after_id = _newest_id(connection)
    while True:
        time.sleep(FOLLOW_S) if pause is None else pause()
        if (now := _inode(path)) not in {0, inode}:
            inode, after_id = now, 0
        with suppress(JournalError):
            for row in read(folder, since_ms=since_ms, kinds=kinds, after_id=after_id):
                after_id = row.id
                yield row


def last_full_ms(folder: Path) -> int | None:
    """Return the time of day at which the bank was last full, in ms since 1970.

    None if the journal does not know. A bank that stays full is dated by when it
    became full.

    Raises:
        JournalError: as for `read`, except that a missing journal knows nothing.
    """
    if not _is_there(journal_path(folder)):
        return None
    with _opened(folder) as connection:
        if connection is None:
            return None
        row = connection.execute(
            "SELECT wall_ms FROM event WHERE kind = 'note' AND subject = ? "
            "ORDER BY id DESC LIMIT 1",
            (FULL_CHARGE,),
        ).fetchone()
        return None if row is None else int(row[0])


def quick_check(folder: Path) -> tuple[int, str]:
    """Return how many rows the journal has, and what its own check finds wrong.

    The text is empty for a sound one. Unlike `read` it leaves no side file behind
    where no daemon runs.

    Raises:
        JournalError: there is no journal, or it is not for us to read.
    """
    path = journal_path(folder)
    if not _is_there(path):
        raise JournalError(f"there is no journal in {folder}; has the daemon run?")
    is_left = not path.with_name(f"{path.name}-wal").exists()
    with ExitStack() as stack:
        try:
            connection = (unshared if is_left else connected)(path, stack)
            said = [row[0] for row in connection.execute("PRAGMA quick_check")]
            if said != ["ok"]:
                return 0, f"its own check finds: {'; '.join(said[:3])}"
            if not version_of(connection, str(path)):
                return 0, ""
            (rows,) = connection.execute("SELECT count(*) FROM event").fetchone()
            return int(rows), ""
        except sqlite3.DatabaseError as exc:
            if exc.sqlite_errorcode & 0xFF in DAMAGE:
                return 0, f"it is no sound database: {exc}"
            raise JournalError(f"{path} cannot be read: {exc}") from exc
        except OSError as exc:
            raise JournalError(f"{path} cannot be read: {exc}") from exc


@contextmanager
def _opened(folder: Path) -> Iterator[sqlite3.Connection | None]:
    """Open the journal for reading; None for one that has no tables yet."""
    path = journal_path(folder)
    if not _is_there(path):
        raise JournalError(f"there is no journal in {folder}; has the daemon run?")
    with ExitStack() as stack:
        try:
            connection = connected(path, stack)
            yield connection if version_of(connection, str(path)) else None
        except (sqlite3.Error, OSError) as exc:
            raise JournalError(f"{path} cannot be read: {exc}") from exc


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError as exc:
        raise JournalError(f"{path} cannot be read: {exc.strerror}") from exc


def _row(row: tuple[int, str, int, str, int, int, str, str, str]) -> Row:
    number, run_id, seq, boot_id, at_ms, wall_ms, kind, subject, detail = row
    return Row(
        id=number,
        run_id=run_id,
        seq=seq,
        boot_id=boot_id,
        at_ms=at_ms,
        wall_ms=wall_ms,
        kind=kind,
        subject=subject,
        detail=detail,
    )


def _newest_id(connection: sqlite3.Connection | None) -> int:
    if connection is None:
        return 0
    (newest,) = connection.execute("SELECT max(id) FROM event").fetchone()
    return int(newest or 0)


def _inode(path: Path) -> int:
    try:
        return path.stat().st_ino
    except OSError:
        return 0
