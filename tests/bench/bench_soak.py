"""Lets a daemon live fast and prints whether it grows: memory, tasks, threads, files.

    python tests/bench/bench.py soak --hours 2 --speed 20

The daemon's clock and a bank that is emptied and filled every eight hours go *speed*
times as fast; the reads are real Modbus, the journal, the history and the page real,
and one browser listens. Where the machine cannot follow, the story is told more slowly
and the hours that were lived are printed. Journal and history wait in real time.
"""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.rig import (
    Child,
    Memory,
    bus,
    cpu_s,
    say,
    site_text,
    sunspec_packs,
    wait_for_packs,
)

from tocsin import app
from tocsin.clock import SteppedClock, day_ms
from tocsin_config import load

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact

HOUR_S = 3_600
HOUR_MS = 3_600_000
GROWTH = 1.05
"""Memory of the last quarter may be so much that of the second, then it is not flat."""


class Counter:
    """A guest of the daemon that counts."""

    def __init__(self) -> None:
        self.steps = self.facts = self.now_ms = 0

    def tell(self, facts: Sequence[Fact]) -> None:
        """Count what became true."""
        self.facts += len(facts)

    def stepped(self, outcome: Outcome) -> None:
        """Count a step."""
        self.steps += 1
        self.now_ms = outcome.state.now_ms


def filled_pool() -> ThreadPoolExecutor:
    """Return the pool that a loop makes for itself, with all of its threads.

    It makes each when work first overlaps, at random and up to a bound: without this a
    soak would take that for a leak.
    """
    pool = ThreadPoolExecutor()
    size = pool._max_workers
    together = threading.Barrier(size)
    for started in [pool.submit(together.wait) for _ in range(size)]:
        started.result()
    return pool


def live(site: Path, speed: float) -> None:
    """Be the daemon: answer each line of input with what is counted in here."""
    counter = Counter()

    async def main() -> None:
        clock = SteppedClock(speed=speed, start_wall_ms=day_ms(2026, 1, 16))
        serving = asyncio.ensure_future(
            app.serve(load(site), time=clock, guests=(counter,))
        )
        loop = asyncio.get_running_loop()
        loop.set_default_executor(filled_pool())
        loop.add_signal_handler(signal.SIGTERM, serving.cancel)
        loop.add_reader(sys.stdin, answer)
        await asyncio.gather(serving, return_exceptions=True)
        loop.remove_reader(sys.stdin)

    def answer() -> None:
        sys.stdin.readline()
        told = {
            "tasks": len(asyncio.all_tasks()),
            "hours": counter.now_ms / HOUR_MS,
            "steps": counter.steps,
            "facts": counter.facts,
        }
        print(json.dumps(told), flush=True)

    asyncio.run(main())


@dataclass(frozen=True)
class Look:
    """One look at the daemon from outside, and what it says itself."""

    private_mb: float
    resident_mb: float
    tasks: int
    threads: int
    files: int
    hours: float
    facts: int
    cpu_s: float

    @classmethod
    def at(cls, daemon: Child) -> Look:
        """Look now."""
        told, memory = json.loads(daemon.ask()), Memory.of(daemon.pid)
        proc = Path(f"/proc/{daemon.pid}")
        return cls(
            private_mb=memory.private / 1024,
            resident_mb=memory.rss / 1024,
            tasks=told["tasks"],
            threads=sum(1 for _ in (proc / "task").iterdir()),
            files=sum(1 for _ in (proc / "fd").iterdir()),
            hours=told["hours"],
            facts=told["facts"],
            cpu_s=cpu_s(daemon.pid),
        )


def listen(port: int, read: list[int]) -> None:
    """Be a browser that listens to the page, until the daemon ends."""
    with suppress(OSError), socket.create_connection(("127.0.0.1", port)) as browser:
        browser.sendall(b"GET /api/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
        while data := browser.recv(65_536):
            read[0] += len(data)


def soak(hours: float, speed: float, every_s: float) -> bool:
    """Print a line every *every_s*, and at the end whether it stayed flat."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        errors = folder / "errors"
        step_s = max(1.0, speed / 10)
        _, port = bus(
            stack, "--restless", "--speed", str(speed), "--step-s", str(step_s)
        )
        site = folder / "site.toml"
        site.write_text(site_text(folder / "journal", sunspec_packs(port)))
        words = (__file__, "--live", str(site), str(speed))
        daemon = Child(stack, *words, errors=stack.enter_context(errors.open("wb")))
        wait_for_packs(folder / "journal", errors)
        read = [0]
        page = load(site).page
        assert page is not None
        threading.Thread(target=listen, args=(page.port, read), daemon=True).start()
        say(f"soaking for {hours:g} h at {speed:g} times real time")
        print(
            "wall_min sim_h  facts private_MB resident_MB tasks threads files cpu_pct"
        )
        looks, begun_s = [Look.at(daemon)], time.perf_counter()
        while (wall_s := time.perf_counter() - begun_s) < hours * HOUR_S:
            time.sleep(min(every_s, max(0.0, hours * HOUR_S - wall_s)))
            looks.append(Look.at(daemon))
            print_look(looks[-1], looks[-2], begun_s, every_s)
        print(f"the browser was sent {read[0] / 1e6:.1f} MB")
        return is_flat(looks)


def print_look(look: Look, last: Look, begun_s: float, every_s: float) -> None:
    """Print one line."""
    minutes = (time.perf_counter() - begun_s) / 60
    busy = 100 * (look.cpu_s - last.cpu_s) / every_s
    print(
        f"{minutes:8.1f} {look.hours:5.1f} {look.facts:6} {look.private_mb:10.2f} "
        f"{look.resident_mb:11.2f} {look.tasks:5} {look.threads:7} {look.files:5} "
        f"{busy:7.1f}",
        flush=True,
    )


def is_flat(looks: list[Look]) -> bool:
    """Print, and return, whether the last quarter is like the second one."""
    quarter = max(1, len(looks) // 4)
    then, now = looks[quarter : 2 * quarter] or looks, looks[-quarter:]
    before_mb = max(look.private_mb for look in then)
    now_mb = max(look.private_mb for look in now)
    grown = [
        what
        for what in ("tasks", "threads", "files")
        if max(getattr(look, what) for look in now)
        > max(getattr(look, what) for look in looks[: 2 * quarter])
    ]
    ratio = now_mb / before_mb
    flat = not grown and ratio <= GROWTH
    print(
        f"soak: {looks[-1].hours:.1f} h lived, private memory of the last quarter is "
        f"{ratio:.3f} times that of the second (flat: at most {GROWTH}), "
        f"more {', '.join(grown) or 'of nothing else'}: "
        f"{'flat' if flat else 'not flat'}"
    )
    return flat


if __name__ == "__main__":
    live(Path(sys.argv[2]), float(sys.argv[3]))
