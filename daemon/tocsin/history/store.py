"""The history file, for the one thread that writes it."""

from __future__ import annotations

import json
import os
import sqlite3
from contextlib import closing, contextmanager, suppress
from itertools import groupby
from typing import TYPE_CHECKING, Any

from tocsin.history.kinds import FILE_NAME, HistoryError, Tier
from tocsin.history.schema import TABLES, is_ready
from tocsin.history.thin import bucket_blocks, buckets, piece

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from tocsin.history.thin import Block
    from tocsin.ports import HistorySpec

BUSY_S = 0.5
DAMAGE = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
MEGABYTE = 1_000_000

SPARE_PAGES = 256
"""Free pages inside the file that the next hour needs, roughly."""

DROPPED_AT_ONCE = 200
"""Most blocks dropped in one go where room is short, a tenth of them otherwise."""

LATE_MS = 3_600_000
"""So long after its end a block's time is thinned though nothing came after it."""

SHRINKING = (Tier.MINUTE, Tier.RAW, Tier.QUARTER)
"""Where room is short: minutes go before the last hours, those before the years."""


class Store:
    """Opens the history of a folder, appends, thins, drops; sets a damaged one aside.

    Nothing is worth keeping at the cost of the journal's room on the disk: below the
    reserve of *spec* the file does not grow.
    """

    def __init__(self, folder: Path, spec: HistorySpec) -> None:
        self.path = folder / FILE_NAME
        self._spec = spec
        self._connection: sqlite3.Connection | None = None
        self._inode = 0
        self._layouts: dict[str, int] = {}

    def append(self, blocks: Sequence[Block]) -> None:
        """Store *blocks* in one transaction, on the disk when this returns.

        Raises:
            HistoryError: the file is damaged, of another program or too new, or there
                is no room that is not the journal's.
            sqlite3.Error, OSError: it cannot be written; none of them is stored.
        """
        with self._writing() as connection:
            self._leave_reserve(connection)
            for block in blocks:
                self._insert(connection, block)

    def note_limits(self, wall_ms: int, sha256: str, detail: Mapping[str, Any]) -> None:
        """Store which limits are in force from now on, unless they are already.

        Raises:
            HistoryError, sqlite3.Error, OSError: as for `append`.
        """
        text = json.dumps(detail)
        with self._writing() as connection:
            was = connection.execute(
                "SELECT detail FROM site ORDER BY wall_ms DESC LIMIT 1"
            ).fetchone()
            if was is None or was[0] != text:
                connection.execute(
                    "INSERT OR REPLACE INTO site VALUES (?, ?, ?)",
                    (wall_ms, sha256, text),
                )

    def thin(self, now_ms: int) -> None:
        """Work out the buckets of every hour and day that is over.

        Raises:
            HistoryError, sqlite3.Error, OSError: as for `append`.
        """
        for fine, coarse in ((Tier.RAW, Tier.MINUTE), (Tier.MINUTE, Tier.QUARTER)):
            for pack in self._packs():
                while self._thin_one(pack, fine, coarse, now_ms):
                    pass

    def drop(self, now_ms: int) -> None:
        """Drop what is older than *spec* says, and the oldest where it is too much.

        Raises:
            HistoryError, sqlite3.Error, OSError: as for `append`.
        """
        spec = self._spec
        ages = {
            Tier.RAW: spec.raw_ms,
            Tier.MINUTE: spec.minute_ms,
            Tier.QUARTER: spec.quarter_ms,
        }
        with self._writing() as connection:
            for tier, age_ms in ages.items():
                connection.execute(
                    "DELETE FROM block WHERE tier = ? AND to_ms < ? AND ("
                    "tier = ? OR id <= (SELECT block_id FROM thinned "
                    "WHERE thinned.pack = block.pack AND thinned.tier = ?))",
                    (tier, now_ms - age_ms, Tier.QUARTER, _next(tier)),
                )
        while self.used_bytes() > spec.max_mb * MEGABYTE:
            with self._writing() as connection:
                if not self._drop_oldest(connection):
                    return

    def used_bytes(self) -> int:
        """Return how much of the file is in use.

        Raises:
            HistoryError, sqlite3.Error, OSError: as for `append`.
        """
        connection = self._opened()
        sizes = [
            connection.execute(f"PRAGMA {what}").fetchone()[0]
            for what in ("page_count", "freelist_count", "page_size")
        ]
        return int((sizes[0] - sizes[1]) * sizes[2])

    def set_aside(self) -> None:
        """Rename a damaged file, over an earlier one: two would only fill the disk.

        Raises:
            OSError: it cannot be renamed.
        """
        self.close()
        self.path.replace(self.path.with_name("history-damaged.db"))
        for suffix in ("-wal", "-shm"):
            self.path.with_name(self.path.name + suffix).unlink(missing_ok=True)

    def close(self) -> None:
        """Close the file; what was not committed is rolled back."""
        connection, self._connection = self._connection, None
        self._layouts.clear()
        if connection is not None:
            with suppress(sqlite3.Error), closing(connection):
                if connection.in_transaction:
                    connection.execute("ROLLBACK")

    # --- inside -----------------------------------------------------------------------

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction. After any error the file is closed and opened anew."""
        try:
            connection = self._opened()
            connection.execute("BEGIN IMMEDIATE")
            yield connection
            connection.execute("COMMIT")
        except BaseException as exc:
            self.close()
            code = getattr(exc, "sqlite_errorcode", None)
            if code is not None and code & 0xFF in DAMAGE:
                raise DamagedError(str(exc)) from exc
            raise

    def _opened(self) -> sqlite3.Connection:
        if self._connection is not None:
            if _inode(self.path) == self._inode:
                return self._connection
            self.close()
        self.path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None)
        try:
            if not is_ready(connection, str(self.path)):
                connection.executescript(f"BEGIN;{TABLES}COMMIT;")
            connection.execute("PRAGMA journal_mode = WAL").fetchone()
            connection.execute("PRAGMA synchronous = FULL")
        except BaseException:
            connection.close()
            raise
        self._connection, self._inode = connection, _inode(self.path)
        return connection

    def _insert(self, connection: sqlite3.Connection, block: Block) -> int | None:
        names = " ".join(block.names)
        if names not in self._layouts:
            connection.execute(
                "INSERT INTO layout (names) VALUES (?) ON CONFLICT DO NOTHING", (names,)
            )
            (self._layouts[names],) = connection.execute(
                "SELECT id FROM layout WHERE names = ?", (names,)
            ).fetchone()
        return connection.execute(
            "INSERT INTO block (tier, pack, from_ms, to_ms, rows, layout_id, data) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                block.tier,
                block.pack,
                block.from_ms,
                block.to_ms,
                block.rows,
                self._layouts[names],
                block.data,
            ),
        ).lastrowid

    def _leave_reserve(self, connection: sqlite3.Connection) -> None:
        """Make room inside the file where the disk is nearly full."""
        disk = os.statvfs(self.path.parent)
        if disk.f_bavail * disk.f_frsize >= self._spec.reserve_mb * MEGABYTE:
            return
        while connection.execute("PRAGMA freelist_count").fetchone()[0] < SPARE_PAGES:
            if not self._drop_oldest(connection):
                raise HistoryError(
                    f"less than {self._spec.reserve_mb:g} MB are free on the disk, "
                    "and they are left to the journal"
                )

    def _drop_oldest(self, connection: sqlite3.Connection) -> bool:
        """Drop the oldest blocks of the tier that is missed least."""
        for tier in SHRINKING:
            dropped = connection.execute(
                "DELETE FROM block WHERE id IN (SELECT id FROM block WHERE tier = ?1 "
                "ORDER BY from_ms LIMIT (SELECT max(1, min(?2, count(*) / 10)) "
                "FROM block WHERE tier = ?1))",
                (tier, DROPPED_AT_ONCE),
            ).rowcount
            if dropped:
                return True
        return False

    def _packs(self) -> list[str]:
        found = self._opened().execute("SELECT DISTINCT pack FROM block")
        return [pack for (pack,) in found.fetchall()]

    def _thin_one(self, pack: str, fine: Tier, coarse: Tier, now_ms: int) -> bool:
        """Thin the oldest block's worth that is over; False if there is none."""
        with self._writing() as connection:
            row = connection.execute(
                "SELECT block_id FROM thinned WHERE pack = ? AND tier = ?",
                (pack, coarse),
            ).fetchone()
            rows = connection.execute(
                "SELECT block.id, from_ms, rows, names, data FROM block "
                "JOIN layout ON layout.id = layout_id "
                "WHERE tier = ? AND pack = ? AND block.id > ? ORDER BY block.id",
                (fine, pack, 0 if row is None else row[0]),
            )
            groups = groupby(rows, lambda r: r[1] // coarse.block_ms)
            number, group = next(groups, (None, None))
            if number is None or group is None:
                return False
            mine = list(group)
            end_ms = (number + 1) * coarse.block_ms
            if next(groups, None) is None and end_ms + LATE_MS > now_ms:
                return False
            pieces = [piece(fine, each[1:]) for each in mine]
            for block in bucket_blocks(pack, coarse, buckets(pieces, coarse)):
                self._insert(connection, block)
            connection.execute(
                "INSERT OR REPLACE INTO thinned VALUES (?, ?, ?)",
                (pack, coarse, mine[-1][0]),
            )
            return True


class DamagedError(HistoryError):
    """The file is no sound database any more."""


def _next(tier: Tier) -> Tier:
    return Tier.MINUTE if tier is Tier.RAW else Tier.QUARTER


def _inode(path: Path) -> int:
    with suppress(OSError):
        return path.stat().st_ino
    return 0
