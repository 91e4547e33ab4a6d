"""Disks as a power cut may leave them, rebuilt from a log of every write. Pure.

qemu's ``blklogwrites`` writes each write and each flush of a disk into a log of the
format of Linux' dm-log-writes (``Documentation/admin-guide/device-mapper/
log-writes.rst``, ``drivers/md/dm-log-writes.c``; the version and the magic number are
those of qemu's ``block/blklogwrites.c``). At a cut everything that was flushed is on
the disk; of what was written since, any part may be, in any order, and the last sector
of a write may be the end of it.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from random import Random

MAGIC = 0x6A736677736872
VERSION = 1
FLUSH, FUA, DISCARD = 1, 2, 4
_SUPER = struct.Struct("<QQQL")
_ENTRY = struct.Struct("<QQQQ")
SECTOR = 512
WHOLE_SHARE, TORN_SHARE = 0.4, 0.2
"""Of the writes that were not flushed; the others are lost."""


class LogError(ValueError):
    """The log is none, or it ends within a write."""


@dataclass(frozen=True, slots=True)
class Write:
    """One entry of the log.

    Attributes:
        at: Where on the disk, in bytes.
        size: In bytes; 0 for a flush alone.
        data_at: Where in the log its data is.
        is_flush: Everything written before it is on the disk.
        is_durable: It is on the disk itself (forced unit access).
    """

    at: int
    size: int
    data_at: int
    is_flush: bool
    is_durable: bool


def count(path: Path) -> int:
    """Return how many entries a log that grows has now.

    Raises:
        LogError: it is no such log.
    """
    with path.open("rb") as log:  # anew: a buffer would still hold what was there
        return _head(log)[0]


def _head(log: BinaryIO) -> tuple[int, int]:
    log.seek(0)
    head = log.read(_SUPER.size)
    if len(head) < _SUPER.size:
        raise LogError("the log has not begun")
    magic, version, entries, sector = _SUPER.unpack(head)
    if magic != MAGIC or version != VERSION or sector < SECTOR:
        raise LogError(f"no log of writes: {magic:#x}, version {version}")
    return entries, sector


def entries(log: BinaryIO) -> list[Write]:
    """Return every entry of a log that has ended.

    Raises:
        LogError: it is no such log, or an entry is not whole.
    """
    number, sector = _head(log)
    found: list[Write] = []
    at = sector
    for _ in range(number):
        log.seek(at)
        head = log.read(_ENTRY.size)
        if len(head) < _ENTRY.size:
            raise LogError(f"entry {len(found)} is cut off")
        where, sectors, flags, _ = _ENTRY.unpack(head)
        size = 0 if flags & DISCARD else sectors * sector
        durable = bool(flags & FUA)
        write = Write(where * sector, size, at + sector, bool(flags & FLUSH), durable)
        found.append(write)
        at += sector + size
    return found


def last_flush(log: Sequence[Write], cut: int) -> int:
    """Return the number of the last flush before entry *cut*; -1 for none."""
    return next((i for i in range(cut - 1, -1, -1) if log[i].is_flush), -1)


def survivors(
    log: Sequence[Write], cut: int, chance: Random
) -> list[tuple[Write, int]]:
    """Return the writes since the last flush that a cut before entry *cut* leaves.

    Each with how many of its bytes: all of them, or the first few sectors.
    """
    left: list[tuple[Write, int]] = []
    for write in log[last_flush(log, cut) + 1 : cut]:
        drawn = chance.random()
        if write.is_durable or drawn < WHOLE_SHARE:
            left.append((write, write.size))
        elif drawn < WHOLE_SHARE + TORN_SHARE:
            left.append((write, SECTOR * chance.randrange(0, write.size // SECTOR + 1)))
    return [(write, size) for write, size in left if size]


def put(log: BinaryIO, disk: BinaryIO, write: Write, size: int | None = None) -> None:
    """Do a write, or its first *size* bytes, on *disk*.

    Raises:
        LogError: the log ends within it.
    """
    size = write.size if size is None else size
    log.seek(write.data_at)
    data = log.read(size)
    if len(data) < size:
        raise LogError(f"the data at {write.data_at} is cut off")
    disk.seek(write.at)
    disk.write(data)
