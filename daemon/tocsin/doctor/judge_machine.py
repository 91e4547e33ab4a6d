"""Judges clock, disk, memory, heat and supply. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.doctor.finding import Topic, doubtful, good, untold, wrong
from tocsin.doctor.seen import READ, WRITE, Kind, may

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.doctor.finding import Finding
    from tocsin.doctor.seen import ClockSeen, DiskSeen, MachineSeen

MINUTE_MS = 60_000

AHEAD_MS = 2 * MINUTE_MS
"""A newest row so much ahead of the clock is no rounding; common practice."""

APART_MS = MINUTE_MS
"""Two clocks of one machine that are further apart than this; common practice."""

LEAST_MB, SCANT_MB = 64.0, 500.0
"""Below the first the history's file does not grow (`HistorySpec.reserve_mb`)."""

SCANT_FILES_PCT = 5.0

SLOW_FLUSH_MS, HUNG_FLUSH_MS = 500.0, 5_000.0
"""A good card takes some tens of milliseconds (common practice, no source); a write of
the journal that takes the second counts as failed (`journal.writer.STALL_S`)."""

IN_MEMORY = frozenset({"tmpfs", "ramfs", "overlay", "overlayfs"})
NOT_FOR_LOCKS = frozenset({"nfs", "nfs4", "cifs", "smb3", "9p", "fuse.sshfs"})
"""SQLite, "File Locking And Concurrency": locks over a network are not to be trusted,
and a write-ahead log does not work over one ("Write-Ahead Logging")."""

SPENT_PCT, WORN_PCT = 100, 80

LEAST_MEMORY_MB = 64.0
HOT_C, TOO_HOT_C = 75.0, 80.0
"""From the second the firmware slows the processor (Raspberry Pi documentation,
frequency management)."""

LOW_VOLTS, SLOWED = 0x1, 0x4
WAS_LOW_VOLTS, WAS_SLOWED = 0x1_0000, 0x4_0000
"""Raspberry Pi documentation, ``vcgencmd get_throttled``."""


def judge_clock(seen: ClockSeen) -> Iterator[Finding]:
    """Judge the time of day: rows, records and quiet hours rest on it."""
    what = "the time of day"
    if seen.wall_ms < seen.built_ms:
        yield wrong(
            Topic.CLOCK,
            what,
            "it is before the day on which this version was installed",
            "rows of the journal bear a wrong time, and so do quiet hours",
            "set it (date, or a time source), and fit a battery-backed clock",
        )
    if seen.newest_ms is not None and seen.newest_ms - seen.wall_ms > AHEAD_MS:
        late = _span(seen.newest_ms - seen.wall_ms)
        yield wrong(
            Topic.CLOCK,
            "the time of day beside the journal",
            f"it is {late} before the newest row",
            "the clock went back: new rows sort before old ones in people's eyes",
            "set the clock; fit a battery-backed clock where there is no internet",
        )
    elif seen.newest_ms is not None:
        beside = "the time of day beside the journal"
        yield good(Topic.CLOCK, beside, "not before the newest row")
    yield from _synchronised(seen)
    yield from _rtc(seen)


def _synchronised(seen: ClockSeen) -> Iterator[Finding]:
    what = "synchronisation"
    match seen.is_synchronised:
        case None:
            yield untold(
                Topic.CLOCK,
                what,
                "timedatectl says nothing",
                "whether the clock is set by anyone is not known",
                "timedatectl, or chronyc tracking",
            )
        case True:
            yield good(Topic.CLOCK, what, "the kernel's clock is synchronised")
        case False:
            rests = "it drifts, some seconds a day"
            if not seen.has_rtc:
                rests = "it drifts, and stands still while the power is off"
            yield doubtful(
                Topic.CLOCK,
                what,
                "the kernel's clock is not synchronised",
                rests,
                "a time source on the network, or a satellite receiver",
            )


def _rtc(seen: ClockSeen) -> Iterator[Finding]:
    what = "the battery-backed clock"
    if seen.has_rtc is None:
        yield untold(
            Topic.CLOCK,
            what,
            "/sys could not be read",
            "it may be missing",
            "ls /dev/rtc*",
        )
    elif not seen.has_rtc:
        yield doubtful(
            Topic.CLOCK,
            what,
            "there is none",
            "after a power cut without network the time of day is wrong",
            "fit one; on a board that has one, fit its cell",
        )
    elif seen.rtc_ms is None:
        yield untold(
            Topic.CLOCK,
            what,
            "it could not be read",
            "its cell may be empty",
            "hwclock --show",
        )
    elif abs(seen.rtc_ms - seen.wall_ms) > APART_MS:
        yield doubtful(
            Topic.CLOCK,
            what,
            f"{_span(abs(seen.rtc_ms - seen.wall_ms))} apart from the system's clock",
            "the next start begins with a wrong time of day",
            "hwclock --systohc once the system's clock is right; change its cell",
        )
    else:
        yield good(Topic.CLOCK, what, "within a minute of the system's clock")


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


def judge_machine(seen: MachineSeen) -> Iterator[Finding]:
    """Judge memory, heat and supply."""
    if seen.available_mb is None:
        yield untold(
            Topic.MACHINE,
            "memory",
            "/proc/meminfo does not say",
            "it may be short",
            "free -m",
        )
    else:
        said = f"{seen.available_mb:.0f} MB of {seen.total_mb or 0:.0f} MB available"
        if seen.available_mb < LEAST_MEMORY_MB:
            yield wrong(
                Topic.MACHINE,
                "memory",
                said,
                "the kernel may soon end programs, this one among them",
                "end what is not needed here",
            )
        else:
            yield good(Topic.MACHINE, "memory", said)
    yield from _heat(seen)
    yield from _supply(seen)


def _heat(seen: MachineSeen) -> Iterator[Finding]:
    what = "the processor's temperature"
    if seen.hottest_c is None:
        yield untold(
            Topic.MACHINE,
            what,
            "no sensor is there",
            "whether it is too hot is not known",
            "mind the cabinet's temperature",
        )
        return
    said = f"{seen.hottest_c:.0f} degC"
    if seen.hottest_c >= HOT_C:
        make = wrong if seen.hottest_c >= TOO_HOT_C else doubtful
        yield make(
            Topic.MACHINE,
            what,
            said,
            f"from {TOO_HOT_C:.0f} degC it is slowed down",
            "let air in, or a larger cooler",
        )
    else:
        yield good(Topic.MACHINE, what, said)


def _supply(seen: MachineSeen) -> Iterator[Finding]:
    what = "the 5 V supply"
    if seen.throttled is None and seen.is_low_volt is None:
        yield untold(
            Topic.MACHINE,
            what,
            "the kernel tells nothing of it here",
            "a weak supply spoils cards and resets boards",
            "measure 5 V at the board, under load",
        )
        return
    flags = seen.throttled or 0
    if seen.is_low_volt or flags & LOW_VOLTS:
        yield wrong(
            Topic.MACHINE,
            what,
            "too low now",
            "the board may reset, and cards be spoilt, at any moment",
            "a supply of 5.1 V and enough current, on short thick wires",
        )
    elif flags & WAS_LOW_VOLTS:
        yield doubtful(
            Topic.MACHINE,
            what,
            "it was too low since the last start",
            "it may be again when a load switches",
            "a supply of 5.1 V and enough current, on short thick wires",
        )
    else:
        yield good(Topic.MACHINE, what, "not too low now, or since the last start")
    if flags & (SLOWED | WAS_SLOWED):
        yield doubtful(
            Topic.MACHINE,
            "the processor's speed",
            "it was slowed down",
            "by heat or a weak supply",
            "see supply and temperature above",
        )


def _span(ms: int) -> str:
    for size, unit in ((86_400_000, "days"), (3_600_000, "h"), (60_000, "min")):
        if ms >= 2 * size:
            return f"{ms // size} {unit}"
    return f"{ms // 1_000} s"
