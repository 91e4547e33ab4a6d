"""What a daemon that has nothing to do costs: CPU, memory, bytes written, its start.

The CPU stands beside a bare `pymodbus` loop that does the same reads at the same time,
the memory beside that loop and beside an interpreter with the same imports.
"""

from __future__ import annotations

import json
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.bench.asks import sunspec_asks
from tests.bench.rig import (
    CELLS,
    HERE,
    PACKS,
    PATIENCE_S,
    Child,
    Memory,
    bus,
    cpu_s,
    environment,
    run,
    say,
    shown,
    site_text,
    sunspec_packs,
    wait_for_packs,
)
from tests.bench.table import Row

from tocsin import kept, learned
from tocsin.memory import LEARNED_EVERY_S

if TYPE_CHECKING:
    from collections.abc import Sequence

SETTLING_S = 5.0
DAY_S = 86_400

LIBRARIES = """\
import json, sys
import tocsin.cli.run, tocsin.page, tocsin_drivers.modbus.sources
import tocsin_drivers.gpio.simulated
ours = ("tocsin", "tocsin_drivers", "tocsin_config", "__main__")
print(json.dumps([n for n in sys.modules if n.split(".")[0] not in ours]))
"""
IMPORTING = """\
import importlib, json, sys
for name in json.loads(sys.argv[1]):
    importlib.import_module(name)
print("ready", flush=True)
sys.stdin.read()
"""


@dataclass
class Rig:
    """A daemon and a bare loop, each on a bus of its own, and bare imports."""

    daemon: Child
    bare: Child
    imports: Child
    buses: tuple[Child, Child]

    def used(self) -> tuple[list[float], list[int]]:
        """Return CPU seconds, and requests answered, of daemon and bare loop."""
        return (
            [cpu_s(self.daemon.pid), cpu_s(self.bare.pid)],
            [int(each.ask()) for each in self.buses],
        )


def set_up(stack: ExitStack, folder: Path) -> Rig:
    """Start them all, and wait until both loops read."""
    errors = folder / "errors"
    (bus_0, port_0), (bus_1, port_1) = (bus(stack) for _ in range(2))
    site = folder / "site.toml"
    site.write_text(site_text(folder / "journal", sunspec_packs(port_0)))
    daemon = Child(
        stack, "-m", "tocsin", "run", str(site),
        errors=stack.enter_context(errors.open("wb")),
    )  # fmt: skip
    bare = bare_loop(stack, port_1)
    imports = Child(stack, "-c", IMPORTING, run("-c", LIBRARIES))
    bare.line()
    imports.line()
    wait_for_packs(folder / "journal", errors)
    return Rig(daemon, bare, imports, (bus_0, bus_1))


def bare_loop(stack: ExitStack, port: str) -> Child:
    """Return a loop that does the reads of the daemon and nothing else."""
    asks = json.dumps(sunspec_asks(CELLS))
    return Child(stack, str(HERE / "bench_bare.py"), port, str(PACKS), asks)


def bench_idle(seconds: float, wanted: Sequence[str]) -> list[Row]:
    """Print and return what is *wanted* of "idle", "memory" and "written"."""
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        say("starting a daemon, a bare loop and their buses")
        rig = set_up(stack, folder)
        time.sleep(SETTLING_S)
        say(f"measuring for {seconds:g} s")
        begun_s, wrote = time.perf_counter(), written_bytes(rig.daemon.pid)
        cpu_0, asked_0 = rig.used()
        time.sleep(seconds)
        cpu_1, asked_1 = rig.used()
        wrote = written_bytes(rig.daemon.pid) - wrote
        wall_s = time.perf_counter() - begun_s
        if "idle" in wanted:
            cpu = [b - a for a, b in zip(cpu_0, cpu_1, strict=True)]
            asked = [b - a for a, b in zip(asked_0, asked_1, strict=True)]
            rows += idle(cpu, asked, wall_s, shown(folder / "journal"))
        if "memory" in wanted:
            rows += memory(rig)
        if "written" in wanted:
            rig.daemon.end()
            rows += written(folder / "journal", wrote, wall_s)
    return rows


def idle(
    cpu: list[float], asked: list[int], wall_s: float, seen: dict[str, Any]
) -> list[Row]:
    """Print and return CPU seconds an hour."""
    daemon, bare = (used / wall_s * 3_600 for used in cpu)
    print(
        f"idle: {PACKS} packs of {CELLS} cells at 1 Hz over Modbus TCP, "
        f"{wall_s:.0f} s, alarms: {len(seen['alarms'])}"
    )
    print(f"  daemon:    {daemon:6.1f} CPU s an hour, {asked[0] / wall_s:.1f} reads/s")
    print(f"  bare loop: {bare:6.1f} CPU s an hour, {asked[1] / wall_s:.1f} reads/s")
    return [Row("CPU, idle", "s/h", daemon, bare, 2.0)]


def memory(rig: Rig) -> list[Row]:
    """Print and return the memory, beside both yardsticks."""
    daemon, imports, bare = (
        Memory.of(child.pid) for child in (rig.daemon, rig.imports, rig.bare)
    )
    print(f"memory: daemon       {daemon}")
    print(f"        same imports {imports}")
    print(f"        bare loop    {bare}")
    return [
        Row(
            "private memory, same imports", "MB",
            daemon.private / 1024, imports.private / 1024, 1.5,
        ),
        Row(
            "private memory, bare loop", "MB",
            daemon.private / 1024, bare.private / 1024, 1.5,
        ),
    ]  # fmt: skip


# --- written --------------------------------------------------------------------------


def written_bytes(pid: int) -> int:
    """Return what a process handed to files so far: proc_pid_io(5), wchar.

    Sockets do not count; a file system adds its own to it.
    """
    lines = Path(f"/proc/{pid}/io").read_text(encoding="ascii").splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("wchar")))


def written(folder: Path, wrote: int, wall_s: float) -> list[Row]:
    """Print and return bytes a day; files saved whole are counted by their size."""
    whole = sum((folder / name).stat().st_size for name in (learned.FILE, kept.FILE))
    saved_mb = whole * DAY_S / LEARNED_EVERY_S / 1e6
    if wall_s >= LEARNED_EVERY_S:
        saved_mb = 0.0  # it is in what was measured
    steady_mb = wrote / wall_s * DAY_S / 1e6
    print(
        f"written: {steady_mb:.1f} MB a day by journal and history, {saved_mb:.1f} MB "
        f"by {whole} bytes saved every {LEARNED_EVERY_S / 60:g} min"
    )
    return [Row("written", "MB/day", steady_mb + saved_mb)]


# --- start ----------------------------------------------------------------------------


def bench_start(starts: int) -> list[Row]:
    """Print and return the time from process start to the first safe step."""
    say(f"starting daemon and bare loop {starts} times each")
    ours, bare = list[float](), list[float]()
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        _, port = bus(stack)
        site = folder / "site.toml"
        site.write_text(site_text(folder / "journal", sunspec_packs(port)))
        for _ in range(starts):
            ours.append(started_s(site, folder / "notify"))
            with ExitStack() as once:
                begun_s = time.perf_counter()
                bare_loop(once, port).line()
                bare.append(time.perf_counter() - begun_s)
    print(
        f"start: {', '.join(f'{each:.2f}' for each in ours)} s to the first safe step"
    )
    mine, theirs = statistics.median(ours), statistics.median(bare)
    return [Row("start to first safe step (s: 2)", "s", mine, theirs)]


def started_s(site: Path, path: Path) -> float:
    """Return how long a daemon takes to tell the service manager that it decides."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notified:
        path.unlink(missing_ok=True)
        notified.bind(str(path))
        notified.settimeout(PATIENCE_S)
        begun_s = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-m", "tocsin", "run", str(site), "--quiet"],
            env=environment() | {"NOTIFY_SOCKET": str(path)},
        )
        try:
            while b"READY=1" not in notified.recv(4_096):
                pass
            return time.perf_counter() - begun_s
        finally:
            process.terminate()
            process.wait()
