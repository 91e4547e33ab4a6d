"""Measures what Tocsin costs: replay speed, CPU and memory of an idle daemon.

    python tests/bench/bench.py                  everything, about three minutes
    python tests/bench/bench.py replay           rows per second through the core
    python tests/bench/bench.py replay --profile where the time goes
    python tests/bench/bench.py idle memory --seconds 600

Figures are printed and never asserted: they belong to the machine they come from.
"""

from __future__ import annotations

import argparse
import cProfile
import io
import json
import os
import platform
import pstats
import resource
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from tocsin import control
from tocsin.replay import Played, play
from tocsin.trace import read_trace
from tocsin_config import load
from tocsin_drivers.modbus.sunspec import SunSpecReader
from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.pack import Pack, PackDesign, spread_cells

if TYPE_CHECKING:
    from collections.abc import Sequence

HERE = Path(__file__).parent
HOUSES = ("daemon", "drivers", "config")
CELLS, PACKS = 16, 5
DAY_ROWS = 86_400
AIM_ROWS_PER_S = 5_000
SETTLING_S = 5.0
PATIENCE_S = 60.0

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


# --- replay ---------------------------------------------------------------------------


def bench_replay(rows: int, *, is_profiled: bool) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        site, trace = folder / "site.toml", folder / "day.csv"
        pack = '[[pack]]\nname = "left"\ndriver = "trace"\n'
        site.write_text(SITE.format(folder=folder, page_port=free_port()) + pack)
        say(f"writing a trace of {rows} rows")
        run(str(HERE / "bench_trace.py"), str(trace), str(rows))
        say("replaying")
        begun = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = run("-m", "tocsin", "replay", str(site), str(trace), "--json")
        ended = resource.getrusage(resource.RUSAGE_CHILDREN)
        used_s = ended.ru_utime + ended.ru_stime - begun.ru_utime - begun.ru_stime
        *events, last = done.splitlines()
        told = json.loads(last)
        print(
            f"replay: {told['rows']} rows of {CELLS} cells, {len(events)} events, "
            f"in {told['wall_s']:.1f} s: {told['rows_per_s']} rows/s "
            f"(aim: {AIM_ROWS_PER_S} or more)"
        )
        print(
            f"  the whole command took {used_s:.1f} CPU s: {rows / used_s:.0f} rows a "
            "CPU second; what is beyond it others took, or waiting"
        )
        if is_profiled:
            profile_replay(site, trace)


def profile_replay(site: Path, trace: Path) -> None:
    setup = load(site)
    profile = cProfile.Profile()
    profile.enable()
    for _ in play(read_trace(trace), setup.site, Played()):
        pass
    profile.disable()
    text = io.StringIO()
    pstats.Stats(profile, stream=text).sort_stats("tottime").print_stats(25)
    print(text.getvalue())


# --- idle -----------------------------------------------------------------------------


def sunspec_asks() -> list[tuple[int, int]]:
    """Return the reads of one look at a pack, as the driver asks for them."""
    design = PackDesign(name="pack", cells=spread_cells(CELLS))
    image = sunspec_image(Pack(design).reading)
    reader, asks = SunSpecReader(cells=CELLS), list[tuple[int, int]]()
    for dialogue in (reader.opening(), reader.reading()):
        asks.clear()
        try:
            ask = next(dialogue)
            while True:
                asks.append((ask.address, ask.count))
                ask = dialogue.send(
                    tuple(image[n] for n in range(ask.address, ask.end))
                )
        except StopIteration:
            pass
    return asks


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
            [bus.ask() for bus in self.buses],
        )


def set_up(stack: ExitStack, folder: Path) -> Rig:
    errors = stack.enter_context((folder / "errors").open("wb"))
    bus = str(HERE / "bench_bus.py")
    buses = tuple(Child(stack, bus, str(PACKS), errors=None) for _ in range(2))
    ports = [each.line() for each in buses]
    site = folder / "site.toml"
    site.write_text(
        SITE.format(folder=folder / "journal", page_port=free_port())
        + "".join(
            f'[[pack]]\nname = "pack-{n}"\ndriver = "sunspec"\nhost = "127.0.0.1"\n'
            f"port = {ports[0]}\nunit = {n}\n"
            for n in range(1, PACKS + 1)
        )
    )
    daemon = Child(stack, "-m", "tocsin", "run", str(site), errors=errors)
    asks = json.dumps(sunspec_asks())
    bare_loop = str(HERE / "bench_bare.py")
    bare = Child(stack, bare_loop, ports[1], str(PACKS), asks, errors=None)
    imports = Child(stack, "-c", IMPORTING, run("-c", LIBRARIES), errors=None)
    bare.line()
    imports.line()
    wait_for_packs(folder)
    return Rig(daemon, bare, imports, (buses[0], buses[1]))


def bench_idle(seconds: float, wanted: Sequence[str]) -> None:
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        say("starting a daemon, a bare loop and their buses")
        rig = set_up(stack, folder)
        time.sleep(SETTLING_S)
        say(f"measuring for {seconds:g} s")
        begun_s = time.perf_counter()
        cpu_0, asked_0 = rig.used()
        time.sleep(seconds)
        cpu_1, asked_1 = rig.used()
        wall_s = time.perf_counter() - begun_s
        if "idle" in wanted:
            cpu = [b - a for a, b in zip(cpu_0, cpu_1, strict=True)]
            asked = [b - a for a, b in zip(asked_0, asked_1, strict=True)]
            print_idle(cpu, asked, wall_s, shown(folder))
        if "memory" in wanted:
            print_memory(rig)


def print_idle(
    cpu: list[float], asked: list[int], wall_s: float, seen: dict[str, Any]
) -> None:
    daemon, bare = (used / wall_s * 3_600 for used in cpu)
    print(
        f"idle: {PACKS} packs of {CELLS} cells at 1 Hz over Modbus TCP, "
        f"{wall_s:.0f} s, alarms: {len(seen['alarms'])}"
    )
    print(f"  daemon:    {daemon:6.1f} CPU s an hour, {asked[0] / wall_s:.1f} reads/s")
    print(f"  bare loop: {bare:6.1f} CPU s an hour, {asked[1] / wall_s:.1f} reads/s")
    if bare:
        print(f"  ratio:     {daemon / bare:6.2f}")


def print_memory(rig: Rig) -> None:
    daemon, imports = Memory.of(rig.daemon.pid), Memory.of(rig.imports.pid)
    print(f"memory: daemon       {daemon}")
    print(f"        same imports {imports}")
    print(f"        bare loop    {Memory.of(rig.bare.pid)}")
    print(f"        daemon beside its imports: {daemon.private / imports.private:.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    every = ("replay", "idle", "memory")
    parser.add_argument("what", nargs="*", metavar="WHAT", help=f"any of {every}")
    parser.add_argument(
        "--seconds", type=float, default=120.0, help="how long to watch (default 120)"
    )
    parser.add_argument(
        "--rows", type=int, default=DAY_ROWS, help=f"of the trace (default {DAY_ROWS})"
    )
    parser.add_argument("--profile", action="store_true", help="of the replay")
    args = parser.parse_args()
    wanted = args.what or every
    if unknown := set(wanted) - set(every):
        parser.error(f"no {', '.join(sorted(unknown))}; there are {', '.join(every)}")
    if args.seconds <= 0 or args.rows <= 0:
        parser.error("--seconds and --rows are more than 0")
    print(f"{platform.machine()}, Python {platform.python_version()}")
    if "replay" in wanted:
        bench_replay(args.rows, is_profiled=args.profile)
    if {"idle", "memory"} & set(wanted):
        bench_idle(args.seconds, wanted)


if __name__ == "__main__":
    main()
