"""What is said of clock, disk, memory, heat and supply; three rows a threshold."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doctor_stage import DAEMON, NOW_MS, about, complete, device
from tocsin.doctor import State
from tocsin.doctor.judge_disk import judge_disk
from tocsin.doctor.judge_machine import (
    AHEAD_MS,
    APART_MS,
    judge_clock,
    judge_machine,
)
from tocsin.doctor.seen import ClockSeen, DiskSeen, Kind, MachineSeen

GOOD, DOUBTFUL, WRONG, UNTOLD = State.GOOD, State.DOUBTFUL, State.WRONG, State.UNTOLD

CLOCK = ClockSeen(
    wall_ms=NOW_MS,
    built_ms=NOW_MS - 1,
    is_synchronised=True,
    has_rtc=True,
    rtc_ms=NOW_MS,
    newest_ms=NOW_MS - 1_000,
)


def test_a_clock_that_all_others_agree_with_is_good() -> None:
    assert {f.state for f in complete(judge_clock(CLOCK))} == {GOOD}


@pytest.mark.parametrize(
    ("changes", "word", "state"),
    [
        ({"newest_ms": NOW_MS + AHEAD_MS - 1}, "beside the journal", GOOD),
        ({"newest_ms": NOW_MS + AHEAD_MS}, "beside the journal", GOOD),
        ({"newest_ms": NOW_MS + AHEAD_MS + 1}, "beside the journal", WRONG),
        ({"is_synchronised": False}, "synchronisation", DOUBTFUL),
        ({"is_synchronised": None}, "synchronisation", UNTOLD),
        ({"rtc_ms": NOW_MS - APART_MS + 1}, "battery-backed", GOOD),
        ({"rtc_ms": NOW_MS - APART_MS}, "battery-backed", GOOD),
        ({"rtc_ms": NOW_MS - APART_MS - 1}, "battery-backed", DOUBTFUL),
        ({"rtc_ms": NOW_MS + APART_MS + 1}, "battery-backed", DOUBTFUL),
        ({"rtc_ms": None}, "battery-backed", UNTOLD),
        ({"has_rtc": False}, "battery-backed", DOUBTFUL),
        ({"has_rtc": None}, "battery-backed", UNTOLD),
    ],
)
def test_a_clock_is_held_against_the_journal_the_kernel_and_its_own_cell(
    changes: dict[str, object], word: str, state: State
) -> None:
    said = complete(judge_clock(replace(CLOCK, **changes)))  # type: ignore[arg-type]
    assert about(said, word).state is state


@pytest.mark.parametrize(("ms", "is_told"), [(-1, True), (0, False), (1, False)])
def test_a_time_of_day_before_the_installation_is_wrong(
    ms: int,
    is_told: bool,  # noqa: FBT001
) -> None:
    said = complete(judge_clock(replace(CLOCK, built_ms=NOW_MS - ms)))
    assert any(f.state is WRONG for f in said) is is_told


def test_without_a_journal_nothing_is_said_of_it() -> None:
    said = complete(judge_clock(replace(CLOCK, newest_ms=None)))
    assert not [f for f in said if "journal" in f.looked_at]


FOLDER = device("/var/lib/tocsin", kind=Kind.FOLDER, mode=0o750, uid=990)
DISK = DiskSeen(
    folder=FOLDER,
    who=DAEMON,
    type="ext4",
    is_read_only=False,
    free_mb=5_000,
    total_mb=30_000,
    free_files_pct=90,
    flush_ms=10,
    errors=0,
    life_pct=10,
    is_worn=False,
)


def test_a_sound_disk_is_good_throughout() -> None:
    assert {f.state for f in complete(judge_disk(DISK))} == {GOOD}


@pytest.mark.parametrize(
    ("changes", "word", "state"),
    [
        ({"folder": replace(FOLDER, kind=Kind.MISSING)}, "folder /var", DOUBTFUL),
        ({"folder": replace(FOLDER, kind=Kind.FILE)}, "folder /var", WRONG),
        ({"folder": replace(FOLDER, uid=0)}, "folder /var", WRONG),
        ({"type": None}, "file system", UNTOLD),
        ({"type": "tmpfs"}, "file system", WRONG),
        ({"type": "overlay"}, "file system", WRONG),
        ({"type": "nfs4"}, "file system", WRONG),
        ({"is_read_only": True}, "file system", WRONG),
        ({"errors": 1}, "faults", WRONG),
        ({"free_mb": None}, "free room", UNTOLD),
        ({"free_mb": 63.9}, "free room", WRONG),
        ({"free_mb": 64.0}, "free room", DOUBTFUL),
        ({"free_mb": 64.1}, "free room", DOUBTFUL),
        ({"free_mb": 499.9}, "free room", DOUBTFUL),
        ({"free_mb": 500.0}, "free room", GOOD),
        ({"free_mb": 500.1}, "free room", GOOD),
        ({"flush_ms": None}, "flush", UNTOLD),
        ({"flush_ms": 499}, "flush", GOOD),
        ({"flush_ms": 500}, "flush", DOUBTFUL),
        ({"flush_ms": 501}, "flush", DOUBTFUL),
        ({"flush_ms": 4_999}, "flush", DOUBTFUL),
        ({"flush_ms": 5_000}, "flush", WRONG),
        ({"flush_ms": 5_001}, "flush", WRONG),
        ({"life_pct": 79}, "wear", GOOD),
        ({"life_pct": 80}, "wear", DOUBTFUL),
        ({"life_pct": 81}, "wear", DOUBTFUL),
        ({"life_pct": 99}, "wear", DOUBTFUL),
        ({"life_pct": 100}, "wear", WRONG),
        ({"life_pct": 110}, "wear", WRONG),
        ({"is_worn": True}, "wear", WRONG),
        ({"life_pct": None, "is_worn": None}, "wear", UNTOLD),
    ],
)
def test_a_disk_is_judged_by_what_it_does_to_the_journal(
    changes: dict[str, object], word: str, state: State
) -> None:
    said = complete(judge_disk(replace(DISK, **changes)))  # type: ignore[arg-type]
    assert next(f for f in said if word in f.looked_at).state is state


@pytest.mark.parametrize(("pct", "is_told"), [(4.9, True), (5.0, False), (5.1, False)])
def test_few_file_entries_are_told(
    pct: float,
    is_told: bool,  # noqa: FBT001
) -> None:
    said = complete(judge_disk(replace(DISK, free_files_pct=pct)))
    assert any("entries" in f.looked_at for f in said) is is_told


MACHINE = MachineSeen(
    total_mb=900, available_mb=500, hottest_c=50, throttled=0, is_low_volt=False
)


def test_a_cool_board_with_memory_and_a_strong_supply_is_good() -> None:
    assert {f.state for f in complete(judge_machine(MACHINE))} == {GOOD}


@pytest.mark.parametrize(
    ("changes", "word", "state"),
    [
        ({"available_mb": None}, "memory", UNTOLD),
        ({"available_mb": 63.9}, "memory", WRONG),
        ({"available_mb": 64.0}, "memory", GOOD),
        ({"available_mb": 64.1}, "memory", GOOD),
        ({"hottest_c": None}, "temperature", UNTOLD),
        ({"hottest_c": 74.9}, "temperature", GOOD),
        ({"hottest_c": 75.0}, "temperature", DOUBTFUL),
        ({"hottest_c": 75.1}, "temperature", DOUBTFUL),
        ({"hottest_c": 79.9}, "temperature", DOUBTFUL),
        ({"hottest_c": 80.0}, "temperature", WRONG),
        ({"hottest_c": 80.1}, "temperature", WRONG),
        ({"throttled": None, "is_low_volt": None}, "supply", UNTOLD),
        ({"throttled": 0x1}, "supply", WRONG),
        ({"throttled": None, "is_low_volt": True}, "supply", WRONG),
        ({"throttled": 0x1_0000}, "supply", DOUBTFUL),
        ({"throttled": 0x4}, "speed", DOUBTFUL),
        ({"throttled": 0x4_0000}, "speed", DOUBTFUL),
    ],
)
def test_memory_heat_and_supply_have_limits(
    changes: dict[str, object], word: str, state: State
) -> None:
    """Raspberry Pi documentation: bits of ``vcgencmd get_throttled``; 80 degC."""
    said = complete(judge_machine(replace(MACHINE, **changes)))  # type: ignore[arg-type]
    assert about(said, word).state is state
