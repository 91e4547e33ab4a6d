"""Looks at clock, disk, memory, heat and supply. Writes nothing."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import tocsin
from tocsin.clock import stopwatch_s
from tocsin.doctor.machine import node
from tocsin.doctor.seen import ClockSeen, DiskSeen, Kind, MachineSeen
from tocsin.journal import JournalError, read

if TYPE_CHECKING:
    from tocsin.doctor.machine import Machine
    from tocsin.doctor.seen import Who

MB = 1_000_000

LIFE_STEP_PCT = 10
WORN = 2
"""eMMC, JEDEC JESD84-B51: ``DEVICE_LIFE_TIME_EST`` in steps of a tenth, 11 for beyond;
``PRE_EOL_INFO`` 1 normal, 2 warning, 3 urgent."""

THROTTLED = "/sys/devices/platform/soc/soc:firmware/get_throttled"


def clock(machine: Machine, journal: Path) -> ClockSeen:
    """Look at the system's clock, and at those that it can be held against."""
    rtcs = machine.at("/sys/class/rtc")
    has_rtc = any(rtcs.glob("rtc*")) if machine.at("/sys").exists() else None
    rtc_s = machine.number("/sys/class/rtc/rtc0/since_epoch") if has_rtc else None
    shown = machine.run("timedatectl", "show", "-p", "NTPSynchronized") or ""
    said = shown.strip().removeprefix("NTPSynchronized=")
    return ClockSeen(
        wall_ms=machine.wall_ms(),
        built_ms=_changed_ms(Path(tocsin.__file__)),
        is_synchronised={"yes": True, "no": False}.get(said),
        has_rtc=has_rtc,
        rtc_ms=None if rtc_s is None else rtc_s * 1_000,
        newest_ms=_newest_ms(journal),
    )


def _changed_ms(path: Path) -> int:
    return int(path.stat().st_mtime * 1_000)


def _newest_ms(journal: Path) -> int | None:
    try:
        return max((row.wall_ms for row in read(journal, last=1)), default=None)
    except JournalError:
        return None


def disk(machine: Machine, folder: Path, who: Who) -> DiskSeen:
    """Look at the file system of *folder*, or of the first folder above that is."""
    every = (folder.absolute(), *folder.absolute().parents)
    there = next(path for path in every if node(path).kind is Kind.FOLDER)
    space, took_ms = os.statvfs(there), _flush_ms(there)
    device, kind, options = _mount(machine, there)
    base = _base(machine, Path(device).name)
    ext4 = machine.number(f"/sys/fs/ext4/{Path(device).name}/errors_count")
    card = f"/sys/class/block/{base}/device"
    life = machine.text(f"{card}/life_time")
    end = machine.number(f"{card}/pre_eol_info", 16)
    return DiskSeen(
        folder=node(folder),
        who=who,
        type=kind or None,
        is_read_only="ro" in options.split(",") if options else None,
        free_mb=space.f_bavail * space.f_frsize / MB,
        total_mb=space.f_blocks * space.f_frsize / MB,
        free_files_pct=100 * space.f_favail / space.f_files if space.f_files else None,
        flush_ms=took_ms,
        errors=ext4,
        life_pct=_life_pct(life),
        is_worn=None if end in {None, 0} else end >= WORN,
    )


def _flush_ms(folder: Path) -> float | None:
    """Return how long the disk takes to have the folder safe, as it is."""
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            begun_s = stopwatch_s()
            os.fsync(handle)
            return (stopwatch_s() - begun_s) * 1_000
        finally:
            os.close(handle)
    except OSError:
        return None


def _mount(machine: Machine, folder: Path) -> tuple[str, str, str]:
    """Return device, type and options of the mount that holds *folder*: fstab(5)."""
    best: tuple[int, str, str, str] = (-1, "", "", "")
    here = folder.resolve()
    for line in (machine.text("/proc/self/mounts") or "").splitlines():
        device, at, kind, options, *_ = [*line.split(" "), "", "", "", ""]
        point = Path(at.replace("\\040", " "))
        depth = len(point.parts)
        if at and (point == here or point in here.parents) and depth >= best[0]:
            best = (depth, device, kind, options)
    return best[1:]


def _base(machine: Machine, device: str) -> str:
    """Return the whole disk of a partition: ``mmcblk0`` of ``mmcblk0p2``."""
    of = machine.at(f"/sys/class/block/{device}")
    if device and (of / "partition").exists():
        return of.resolve().parent.name
    return device


def _life_pct(life: str | None) -> int | None:
    try:
        steps = [int(word, 16) for word in (life or "").split()]
    except ValueError:
        return None
    return max(steps) * LIFE_STEP_PCT if any(steps) else None


def board(machine: Machine) -> MachineSeen:
    """Look at memory, heat and supply."""
    lines = (machine.text("/proc/meminfo") or "").splitlines()
    memory = dict(line.split(":", 1) for line in lines if ":" in line)
    zones = machine.at("/sys/class/thermal").glob("thermal_zone*/temp")
    heat = [machine.number(f"/{zone.relative_to(machine.root)}") for zone in zones]
    low = [
        machine.number(
            f"/{(name.parent / 'in0_lcrit_alarm').relative_to(machine.root)}"
        )
        for name in machine.at("/sys/class/hwmon").glob("hwmon*/name")
        if name.read_text(errors="replace").strip() == "rpi_volt"
    ]
    known = [each for each in heat if each is not None]
    flags = [each for each in low if each is not None]
    return MachineSeen(
        total_mb=_kib_mb(memory.get("MemTotal")),
        available_mb=_kib_mb(memory.get("MemAvailable")),
        hottest_c=max(known) / 1_000 if known else None,
        throttled=machine.number(THROTTLED, 16),
        is_low_volt=any(flags) if flags else None,
    )


def _kib_mb(text: str | None) -> float | None:
    words = (text or "").split()
    return int(words[0]) * 1_024 / MB if words and words[0].isdigit() else None
