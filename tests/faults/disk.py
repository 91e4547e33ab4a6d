"""The file layer: a folder in memory whose disk is slow, full, failing or torn.

The journal's own writer and SQLite work on it. What a power cut leaves of a commit
that was not reported is any mixture of old and new 512-byte sectors of the log; what
was reported had been synced before (SQLite's documentation, "Atomic Commit In SQLite"
and "PRAGMA synchronous": FULL in write-ahead mode).
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

from tocsin.journal.store import connect_writer

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from tests.faults.loop import Time
    from tests.faults.tally import Tally

QUICK_S = 0.004
SECTOR = 512


class KilledError(BaseException):
    """The process is no more."""


class Disk:
    """The disk of one machine.

    Attributes:
        folder: Where the daemon of now has its journal.
        slow_s: How long each sync takes; 0 for a healthy disk.
        is_full, is_failing: Every write is refused.
        cuts: The kind of write in which the next kill happens; empty for none.
        waited_s: How long the loop itself waited for the disk.
        on_cut: Called once the power is cut.
    """

    def __init__(
        self, time: Time, home: Path, chance: random.Random, tally: Tally
    ) -> None:
        self._time = time
        self._home = home
        self._chance = chance
        self._tally = tally
        self._runs = 0
        self.folder = home / "run-0"
        self.folder.mkdir()
        self.slow_s = 0.0
        self.is_full = self.is_failing = False
        self.is_dead = self.is_away = False
        self.took_s = self.waited_s = 0.0
        self.cuts = ""
        self.on_cut: Callable[[], None] = lambda: None

    # --- as a thread or the loop uses it ----------------------------------------------

    @contextmanager
    def away(self) -> Iterator[None]:
        """Count what follows as work of another thread."""
        before, self.is_away, self.took_s = self.is_away, True, 0.0
        try:
            yield
        finally:
            self.is_away = before

    def elsewhere(self, work: Callable[[], Any]) -> float:
        """Do *work* of another thread and return how long the disk took over it."""
        with self.away():
            work()
        return max(self.took_s, 0.0005)

    @property
    def sync_s(self) -> float:
        """Return how long the next write will take."""
        if self.slow_s:
            self._tally.faults["slow disk"] += 1
        return self.slow_s or QUICK_S

    def write(self, what: str) -> None:
        """Take a write, or refuse it.

        Raises:
            OSError: full, failing, or the process is dead.
            KilledError: the power was cut just before.
        """
        if self.is_dead:
            raise OSError(5, "the process is dead")
        if self.cuts == what:
            self.cut()
        took_s = self.sync_s
        if self.is_away:
            self.took_s += took_s
        else:
            self._time.now_s += took_s
            self.waited_s += took_s
        if self.is_full:
            self._tally.faults["full disk"] += 1
            raise OSError(28, "No space left on device")
        if self.is_failing:
            self._tally.faults["failing disk"] += 1
            raise OSError(5, "Input/output error")

    # --- power cuts -------------------------------------------------------------------

    def cut(self, log: bytes | None = None) -> None:
        """Cut the power: only what is in the files now is left, with *log* as its log.

        Raises:
            KilledError: always.
        """
        self.cuts = ""
        self.leave(log)
        self.on_cut()
        raise KilledError

    def leave(self, log: bytes | None = None) -> None:
        """Copy what is on the disk to where the next run finds it."""
        self._runs += 1
        left, self.folder = self.folder, self._home / f"run-{self._runs}"
        shutil.copytree(left, self.folder, ignore=shutil.ignore_patterns("*-shm"))
        if log is not None:
            (self.folder / "journal.db-wal").write_bytes(log)
        self.is_dead = True

    def revive(self) -> None:
        """Begin the next run; nothing of the last one is left but its files."""
        self.is_dead = False
        for each in self._home.glob("run-*"):
            if each != self.folder:
                shutil.rmtree(each)

    def torn(self, old: bytes, new: bytes) -> bytes:
        """Return what a cut in mid-write left of a log: some sectors old, some new."""
        sectors = range(0, len(new), SECTOR)
        changed = [
            at for at in sectors if old[at : at + SECTOR] != new[at : at + SECTOR]
        ]
        lost = [at for at in changed if self._chance.random() < 0.5]
        lost = lost or changed[-1:]
        made = bytearray(new)
        for at in lost:
            was = old[at : at + SECTOR]
            made[at : at + len(new[at : at + SECTOR])] = was.ljust(
                len(new[at : at + SECTOR]), b"\0"
            )
        if lost and lost[-1] + SECTOR >= len(new) and len(new) > len(old):
            del made[max(len(old), lost[-1]) :]
        return bytes(made)

    # --- what the journal and the small files use -------------------------------------

    def connect(self, path: Path) -> Any:
        """Return the journal's connection; `tocsin.journal.store.Connect`."""
        if self.is_dead:
            raise OSError(5, "the process is dead")
        return Connection(connect_writer(path), self, path)

    def saving(self, save: Callable[..., None]) -> Callable[..., None]:
        """Return *save* of a small file, on this disk."""

        def saved(where: Path, what: Any) -> None:
            if self.cuts == "file":
                with suppress(OSError):
                    half = where if where.suffix else where / "mqtt.json"
                    text = what if isinstance(what, str) else '{"mark": nul'
                    begun = half.with_name(f"{half.name}.new")
                    begun.write_text(text[: len(text) // 2])
                    self._tally.faults["torn write"] += 1
            self.write("file")
            save(where, what)

        return saved


class Connection:
    """SQLite's connection, as far as the writer uses it."""

    def __init__(self, real: sqlite3.Connection, disk: Disk, path: Path) -> None:
        self._real = real
        self._disk = disk
        self._path = path
        self._log = path.with_name(f"{path.name}-wal")

    @property
    def in_transaction(self) -> bool:
        """Return whether a transaction is open."""
        return self._real.in_transaction

    def execute(self, sql: str, values: Sequence[Any] = ()) -> Any:
        """Run one statement; beginning and committing meet the disk."""
        if sql.startswith("BEGIN"):
            self._write("begin")
        if sql == "COMMIT":
            return self._commit()
        return self._real.execute(sql, values)

    def executemany(self, sql: str, rows: Sequence[Any]) -> Any:
        """Insert rows; a cut may come between two of them."""
        half = len(rows) // 2
        done = self._real.executemany(sql, rows[:half])
        self._write("rows")
        return self._real.executemany(sql, rows[half:]) if rows[half:] else done

    def _write(self, what: str) -> None:
        try:
            self._disk.write(what)
        except OSError as exc:
            text = "database or disk is full" if exc.errno == 28 else "disk I/O error"
            raise sqlite3.OperationalError(text) from exc

    def _commit(self) -> Any:
        disk = self._disk
        if disk.cuts not in {"commit", "after commit"}:
            return self._real.execute("COMMIT")
        old, stamp = self._bytes(), self._path.stat().st_mtime_ns
        done = self._real.execute("COMMIT")
        new = self._bytes()
        if disk.cuts == "commit" and self._path.stat().st_mtime_ns == stamp and new:
            disk._tally.faults["torn write"] += 1
            disk.cut(disk.torn(old, new))
        disk.cut()
        return done

    def _bytes(self) -> bytes:
        try:
            return self._log.read_bytes()
        except FileNotFoundError:
            return b""

    def close(self) -> None:
        """Close it."""
        self._real.close()
