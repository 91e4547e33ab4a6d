"""What a machine said is on its disk, and what really is. No machine in here."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import subprocess
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tocsin import clock, history, journal, kept, learned
from tocsin.history import reader

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from tocsin.core.site import Site
    from tocsin.journal import Row

DATABASES = ("journal.db", "history.db")
FSCK_FINE = (0, 1)
"""e2fsck(8): nothing wrong, or what was wrong is corrected."""


@dataclass
class Said:
    """What was reported, from the lines of guest/told.py.

    Attributes:
        rows: Digests of journal rows, in order.
        kept: (pack, ms) of samples in the history.
        saved: By file, digests of every text that was written, in order.
        looks: What each run saw before it began.
    """

    rows: list[str] = field(default_factory=list)
    kept: list[tuple[str, int]] = field(default_factory=list)
    saved: dict[str, list[str]] = field(default_factory=dict)
    looks: list[dict[str, object]] = field(default_factory=list)
    _half: bytes = b""

    def hear(self, data: bytes) -> None:
        """Take what came; a line that was cut off was never said."""
        *lines, self._half = (self._half + data).split(b"\n")
        for line in lines:
            word, _, rest = line.decode("ascii", "replace").partition(" ")
            match word:
                case "row":
                    self.rows.append(rest)
                case "kept":
                    pack, _, at_ms = rest.partition(" ")
                    self.kept.append((pack, int(at_ms)))
                case "saved":
                    name, _, text = rest.partition(" ")
                    self.saved.setdefault(name, []).append(text)
                case "look":
                    self.looks.append(json.loads(rest))
                case _:
                    pass

    def cut(self) -> None:
        """Forget half a line: the power went."""
        self._half = b""

    def owed(self) -> Owed:
        """Return that everything said up to now must be there."""
        saved = {name: len(texts) for name, texts in self.saved.items()}
        return Owed(len(self.rows), len(self.kept), saved)


@dataclass(frozen=True)
class Owed:
    """How much of what was `Said` must be on the disk: the first so many of each."""

    rows: int
    kept: int
    saved: Mapping[str, int]


@dataclass(frozen=True)
class Left:
    """What a disk held after a cut.

    Attributes:
        damage: What is broken, in words; empty when nothing is.
        lost_rows, lost_samples: How many that were owed are missing.
        older_files: How many small files are whole, but of an earlier time than owed.
    """

    damage: tuple[str, ...]
    lost_rows: int
    lost_samples: int
    older_files: int


def digest(value: object) -> str:
    """Return the digest by which guest/told.py names a row or a text."""
    return hashlib.sha256(json.dumps(value).encode()).hexdigest()[:16]


def row_digest(row: Row) -> str:
    """Return the digest of a stored row, all its columns but the number."""
    return digest(
        (
            *(row.run_id, row.seq, row.boot_id, row.at_ms),
            *(row.wall_ms, row.kind, row.subject, row.detail),
        )
    )


def dumped(disk: Path, folder: Path) -> list[str]:
    """Repair *disk* as a boot would, copy its files to *folder*, return complaints.

    This is e2fsck's and debugfs' reading of the file system, not the kernel's.
    """
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    done = subprocess.run(
        ["e2fsck", "-fy", disk], check=False, capture_output=True, text=True
    )
    if done.returncode not in FSCK_FINE:
        return [f"e2fsck says {done.returncode}: {done.stdout[-300:]}"]
    copy = f"rdump / {folder}"
    subprocess.run(["debugfs", "-R", copy, disk], check=False, capture_output=True)
    return []


def examined(folder: Path, site: Site, said: Said, owed: Owed) -> Left:
    """Compare the files in *folder* with what was said and is owed."""
    damage = [f"{p.name} was set aside" for p in folder.glob("*damaged*")]
    for name in DATABASES:
        damage += _integrity(folder / name)
    found = Counter[str]()
    samples = set[tuple[str, int]]()
    try:
        if owed.rows:
            found.update(map(row_digest, journal.read(folder)))
        if owed.kept:
            every = reader.samples(folder, since_ms=0, until_ms=2**62)
            samples = {(one.pack, one.at_ms) for one in every}
    except (journal.JournalError, history.HistoryError, sqlite3.Error) as exc:
        damage.append(f"it cannot be read: {exc}")
    if found and max(found.values()) > 1:
        damage.append("a row is there twice")
    damage += _unreadable(folder, site)
    return Left(
        damage=tuple(damage),
        lost_rows=len(set(said.rows[: owed.rows]) - set(found)),
        lost_samples=len(set(said.kept[: owed.kept]) - samples),
        older_files=sum(
            _is_older(folder / name, said.saved[name], number)
            for name, number in owed.saved.items()
        ),
    )


def _integrity(path: Path) -> list[str]:
    if not path.exists() or not path.stat().st_size:
        return []
    try:
        with closing(sqlite3.connect(path)) as connection:
            rows = connection.execute("PRAGMA integrity_check").fetchall()
    except sqlite3.DatabaseError as exc:
        return [f"{path.name}: {exc}"]
    return [] if rows == [("ok",)] else [f"{path.name}: {rows[0][0]}"]


def _unreadable(folder: Path, site: Site) -> list[str]:
    """Return what the daemon itself would say against the small files."""
    now_ms = clock.wall_ms()
    damage: list[str] = []
    try:
        kept.load(folder, site, wall_ms=now_ms, now_ms=0)
    except kept.KeptError as exc:
        damage.append(f"{kept.FILE}: {exc}")
    try:
        learned.load(folder, site, wall_ms=now_ms, now_s=0)
    except learned.LearnedError as exc:
        damage.append(f"{learned.FILE}: {exc}")
    return damage


def _is_older(path: Path, ever: Sequence[str], owed: int) -> bool:
    """Return whether a file is not one of those saved last or later."""
    if not owed:
        return False
    if not path.exists():
        return True
    found = digest(path.read_text("utf-8", "replace"))
    return found in ever[: owed - 1] and found != ever[owed - 1]
