"""Judges the file system of the journal. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.doctor.finding import Topic, doubtful, good, untold, wrong
from tocsin.doctor.seen import READ, WRITE, Kind, may

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.doctor.finding import Finding
    from tocsin.doctor.seen import DiskSeen

LEAST_MB, SCANT_MB = 64.0, 500.0
"""Below the first the history's file does not grow (`HistorySpec.reserve_mb`); the
second is common practice, no source."""

SCANT_FILES_PCT = 5.0
"""Common practice, no source."""

SLOW_FLUSH_MS, HUNG_FLUSH_MS = 500.0, 5_000.0
"""A good card takes some tens of milliseconds (common practice, no source); a write of
the journal that takes the second counts as failed (`journal.writer.STALL_S`)."""

IN_MEMORY = frozenset({"tmpfs", "ramfs", "overlay", "overlayfs"})
NOT_FOR_LOCKS = frozenset({"nfs", "nfs4", "cifs", "smb3", "9p", "fuse.sshfs"})
"""SQLite, "File Locking And Concurrency": locks over a network are not to be trusted,
and a write-ahead log does not work over one ("Write-Ahead Logging")."""

SPENT_PCT, WORN_PCT = 100, 80
"""Of the life that a card tells of itself in tenths: JEDEC JESD84-B51, from memory;
where "worn" begins is common practice, no source."""


def judge_disk(seen: DiskSeen) -> Iterator[Finding]:
    """Judge the file system of the journal."""
    what = f"the journal's folder {seen.folder.path}"
    if seen.folder.kind is Kind.MISSING:
        yield doubtful(
            Topic.DISK,
            what,
            "it is not there yet",
            "the daemon makes it if it may; what follows is of the folder above",
            "start the daemon, then run doctor again",
        )
    elif seen.folder.kind is not Kind.FOLDER:
        yield wrong(
            Topic.DISK,
            what,
            f"{seen.folder.kind} {seen.folder.trouble}".strip(),
            "no journal can be kept",
            "correct [journal] folder",
        )
    elif not may(seen.who, seen.folder, READ | WRITE):
        node = seen.folder
        yield wrong(
            Topic.DISK,
            what,
            f"{seen.who.name} may not write it, mode {node.mode:o}",
            "no journal can be kept, and the daemon cannot be asked anything",
            f"chown {seen.who.name} {node.path}",
        )
    else:
        yield good(Topic.DISK, what, f"{seen.who.name} may write it")
    yield from _system(seen)
    yield from _room(seen)
    yield from _flush(seen)
    yield from _wear(seen)


def _system(seen: DiskSeen) -> Iterator[Finding]:
    what = "the file system of the journal"
    if seen.type is None:
        yield untold(
            Topic.DISK,
            what,
            "the mount table does not say",
            "it may be in memory",
            "findmnt -T on the folder",
        )
    elif seen.is_read_only:
        yield wrong(
            Topic.DISK,
            what,
            f"{seen.type}, read-only",
            "nothing is kept: after a fault the kernel may have made it so",
            "look at dmesg for faults of the disk; otherwise give the journal a "
            "partition that can be written",
        )
    elif seen.type in IN_MEMORY:
        yield wrong(
            Topic.DISK,
            what,
            f"{seen.type}, which lives in memory or may",
            "a power cut takes the journal with it",
            "put [journal] folder on a partition of its own",
        )
    elif seen.type in NOT_FOR_LOCKS:
        yield wrong(
            Topic.DISK,
            what,
            f"{seen.type}, over a network",
            "the journal's locks and its log do not work there",
            "put [journal] folder on a disk of this machine",
        )
    else:
        yield good(Topic.DISK, what, f"{seen.type}, writable")
    if seen.errors:
        yield wrong(
            Topic.DISK,
            "faults that the file system counted",
            str(seen.errors),
            "the disk or its supply fails, or power was cut in a write",
            "copy the journal away, check the file system, change the disk",
        )
    elif seen.errors == 0:
        yield good(Topic.DISK, "faults that the file system counted", "none")


def _room(seen: DiskSeen) -> Iterator[Finding]:
    what = "free room for the journal"
    if seen.free_mb is None:
        yield untold(
            Topic.DISK,
            what,
            "the disk does not say",
            "it may be full",
            "df on the folder",
        )
        return
    said = f"{seen.free_mb:.0f} MB of {seen.total_mb or 0:.0f} MB free"
    if seen.free_mb < LEAST_MB:
        means = "the history does not grow, and soon the journal cannot either"
        yield wrong(Topic.DISK, what, said, means, "make room: du -x -h -d 2 /")
    elif seen.free_mb < SCANT_MB:
        means = "a season of samples may not fit"
        yield doubtful(Topic.DISK, what, said, means, "make room, or a larger disk")
    else:
        yield good(Topic.DISK, what, said)
    if seen.free_files_pct is not None and seen.free_files_pct < SCANT_FILES_PCT:
        yield doubtful(
            Topic.DISK,
            "free file entries",
            f"{seen.free_files_pct:.1f} %",
            "no file can be made soon, whatever room is free",
            "find the folder with very many small files",
        )


def _flush(seen: DiskSeen) -> Iterator[Finding]:
    what = "a flush of the journal's folder"
    if seen.flush_ms is None:
        yield untold(
            Topic.DISK,
            what,
            "it could not be tried",
            "how fast the disk is, is not known",
            "run doctor as root",
        )
        return
    said = f"{seen.flush_ms:.0f} ms, with nothing to write: it does not hang"
    if seen.flush_ms >= SLOW_FLUSH_MS:
        said = f"{seen.flush_ms:.0f} ms, with nothing to write"
        make = wrong if seen.flush_ms >= HUNG_FLUSH_MS else doubtful
        yield make(
            Topic.DISK,
            what,
            said,
            "a slow disk delays the journal, never a step; from 5 s it is an alarm",
            "look at what else writes, and at dmesg; change a worn card",
        )
    else:
        yield good(Topic.DISK, what, said)


def _wear(seen: DiskSeen) -> Iterator[Finding]:
    what = "wear of the memory"
    if seen.life_pct is None and seen.is_worn is None:
        yield untold(
            Topic.DISK,
            what,
            "this disk tells the kernel nothing of it; SD cards do not",
            "it may end without a warning",
            "keep a spare card with this system on it, and copies of the journal",
        )
    elif seen.is_worn or (seen.life_pct or 0) >= SPENT_PCT:
        yield wrong(
            Topic.DISK,
            what,
            f"{seen.life_pct or 0} % of its life used up; its spare blocks run out",
            "it may turn read-only at any time",
            "change it now",
        )
    elif (seen.life_pct or 0) >= WORN_PCT:
        yield doubtful(
            Topic.DISK,
            what,
            f"{seen.life_pct} % of its life used up",
            "it ends soon",
            "change it at the next visit",
        )
    else:
        yield good(Topic.DISK, what, f"at most {seen.life_pct} % of its life used up")
