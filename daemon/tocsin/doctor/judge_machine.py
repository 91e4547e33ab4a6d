"""Judges clock, memory, heat and supply. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.doctor.finding import Topic, doubtful, good, untold, wrong

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.doctor.finding import Finding
    from tocsin.doctor.seen import ClockSeen, MachineSeen

MINUTE_MS = 60_000

AHEAD_MS = 2 * MINUTE_MS
"""A newest row so much ahead is no rounding; common practice, no source."""

APART_MS = MINUTE_MS
"""Two clocks of one machine that are further apart than this; common practice, no
source."""

LEAST_MEMORY_MB = 64.0
"""About what the daemon itself takes; common practice, no source."""

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
