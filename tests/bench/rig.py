"""What the benchmarks share: processes, their costs, and a site to measure on."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from tocsin import control

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import ExitStack

HERE = Path(__file__).parent
HOUSES = ("daemon", "drivers", "config")
CELLS, PACKS = 16, 5
PATIENCE_S = 60.0

HUT = """\
[site]
name = "Fern Ridge hut"
[bank]
chemistry = "lfp"
capacity_ah = 280
cells_in_series = {cells}
[gpio]
pins = "simulated"
[journal]
folder = "{folder}"
[[output]]
name = "charge"
role = "charge-permit"
[[output]]
name = "drying"
role = "load-permit"
stage = 1
[[output]]
name = "lights"
role = "load-permit"
stage = 2
[[output]]
name = "horn"
role = "horn"
"""
"""Of a site whose packs, and what else it has, follow."""

SERVED = """\
[page]
port = {page_port}
[[output]]
name = "heart"
role = "heartbeat"
"""

SUNSPEC_PACK = """\
[[pack]]
name = "pack-{unit}"
driver = "sunspec"
host = "127.0.0.1"
port = {port}
unit = {unit}
"""


def site_text(folder: Path, packs: str, *, cells: int = CELLS) -> str:
    """Return a site file with *packs* and a page; its journal lives in *folder*."""
    served = SERVED.format(page_port=free_port())
    return HUT.format(folder=folder, cells=cells) + served + packs


def sunspec_packs(port: str, packs: int = PACKS) -> str:
    """Return the tables of packs that a bus serves on *port*."""
    return "".join(
        SUNSPEC_PACK.format(port=port, unit=unit) for unit in range(1, packs + 1)
    )


def free_port() -> int:
    """Return a port that nobody uses just now."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@dataclass(frozen=True)
class Memory:
    """Of one process, in kB: resident, proportional, and its own alone."""

    rss: int
    pss: int
    private: int

    @classmethod
    def of(cls, pid: int) -> Memory:
        text = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii")
        found = {
            line.split(":")[0]: int(line.split()[1])
            for line in text.splitlines()[1:]
            if line.endswith("kB")
        }
        own = found["Private_Clean"] + found["Private_Dirty"]
        return cls(found["Rss"], found["Pss"], own)

    def __str__(self) -> str:
        return (
            f"resident {self.rss / 1024:.1f} MB, "
            f"proportional {self.pss / 1024:.1f} MB, "
            f"private {self.private / 1024:.1f} MB"
        )


def cpu_s(pid: int) -> float:
    """Return the CPU time of a process and its threads.

    The kernel's own count of it: clock ticks (proc_pid_stat(5)) are too coarse for a
    loop that does nothing but a read a second.

    Raises:
        OSError: there is no such process.
    """
    return time.clock_gettime(_cpu_clock(pid))


def _cpu_clock(pid: int) -> int:
    """Return the clock of the process's CPU time: clock_getcpuclockid(3), Linux."""
    return ~pid << 3 | 2


class Child:
    """A process of the bench, with its output and input at hand."""

    def __init__(
        self, stack: ExitStack, *words: str, errors: IO[bytes] | None = None
    ) -> None:
        self._words = " ".join(words)[:60]
        self.process = subprocess.Popen(
            [sys.executable, *words],
            env=environment(),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
        )
        stack.callback(self.end)

    def end(self) -> None:
        """Ask it to end, and wait until it has."""
        self.process.terminate()
        self.process.communicate()

    @property
    def pid(self) -> int:
        """Return its process id."""
        return self.process.pid

    def line(self) -> str:
        """Return the next line that it prints."""
        assert self.process.stdout is not None
        said = self.process.stdout.readline().strip()
        if not said:
            raise SystemExit(f"{self._words} ended too early")
        return said

    def ask(self) -> str:
        """Return what it answers to an empty line."""
        assert self.process.stdin is not None
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        return self.line()


def bus(stack: ExitStack, *words: str) -> tuple[Child, str]:
    """Return a process that serves packs, and its port; see `bench_bus`."""
    child = Child(stack, str(HERE / "bench_bus.py"), *words)
    return child, child.line()


def wait_for_packs(folder: Path, errors: Path, patience_s: float = PATIENCE_S) -> None:
    """Return once every pack of the daemon in *folder* is online."""
    until_s = time.perf_counter() + patience_s
    while time.perf_counter() < until_s:
        if (seen := shown(folder)) and all(p["online"] for p in seen["packs"]):
            return
        time.sleep(0.2)
    raise SystemExit(errors.read_text(encoding="utf-8"))


def shown(folder: Path) -> dict[str, Any]:
    """Return what the daemon in *folder* sees; empty while there is none."""
    try:
        said = control.ask(control.socket_path(folder), {"do": "show"})
    except control.ControlError:
        return {}
    seen: dict[str, Any] = said.get("show", {})
    return seen


def nth(values: Sequence[float], share: float) -> float:
    """Return the value below which *share* of them lie."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def say(text: str) -> None:
    """Tell the person who waits."""
    print(f"bench: {text}", file=sys.stderr, flush=True)


def environment() -> dict[str, str]:
    """Return the environment in which this tree is imported, whatever is installed."""
    root = HERE.parents[1]
    paths = [str(root / house) for house in HOUSES]
    return os.environ | {"PYTHONPATH": os.pathsep.join(paths)}


def run(*words: str) -> str:
    """Return what a Python process prints."""
    return subprocess.run(
        [sys.executable, *words],
        env=environment(),
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    ).stdout
