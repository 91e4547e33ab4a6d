"""Do browsers slow the daemon's steps? A hundred event streams, held for a while.

    python tests/bench/bench_streams.py                  # half a minute of streams
    python tests/bench/bench_streams.py --seconds 600    # ten minutes

The daemon runs as a process of its own on a served bank. In its own event loop a probe
falls due every 20 ms and notes how late it runs: so late would a step begin. Also noted
is the time from step to step. Both with and without the streams, as ratios; before and
after the streams the same is measured without, so that a busy machine shows itself.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from broker import free_port
from page_stage import FAST, PAGE, Served, bank, site_file
from tocsin import app
from tocsin.clock import RealClock, stopwatch_s
from tocsin_config import load

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact

EVERY_S = 0.02
WARMING_S = 5.0


class Probe:
    """A guest of the daemon that notes when steps end, and how late its loop is."""

    def __init__(self) -> None:
        self.late: list[tuple[float, float]] = []
        self.steps: list[float] = []
        self.task: asyncio.Task[None] | None = None

    def tell(self, facts: Sequence[Fact]) -> None:
        """Nothing to do with facts."""

    def stepped(self, outcome: Outcome) -> None:
        """Note the time; begin to look at the loop with the first step."""
        del outcome
        self.steps.append(stopwatch_s())
        if self.task is None:
            self.task = asyncio.ensure_future(self._look())

    async def _look(self) -> None:
        while True:
            due_s = stopwatch_s() + EVERY_S
            await asyncio.sleep(EVERY_S)
            self.late.append((due_s, max(0.0, stopwatch_s() - due_s)))


def child(site: Path, out: Path) -> None:
    """Run the daemon with a probe until SIGTERM, and write what it noted."""
    probe = Probe()

    async def main() -> None:
        task = asyncio.ensure_future(
            app.serve(load(site), time=RealClock(), guests=(probe,))
        )
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGTERM, task.cancel)
        await asyncio.gather(task, return_exceptions=True)
        if probe.task is not None:
            probe.task.cancel()

    asyncio.run(main())
    out.write_text(json.dumps({"late": probe.late, "steps": probe.steps}))


async def hold(port: int, streams: int, seconds: float) -> tuple[int, int, int]:
    """Hold streams; return how many lived to the end, their events and their bytes."""
    counts = [0, 0]

    async def one() -> bool:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET /api/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
        try:
            async with asyncio.timeout(seconds):
                while data := await reader.read(65_536):
                    counts[0] += data.count(b"event: ")
                    counts[1] += len(data)
        except TimeoutError:
            return True
        finally:
            writer.close()
        return False

    alive = await asyncio.gather(*(one() for _ in range(streams)))
    return sum(alive), counts[0], counts[1]


def nth(values: list[float], share: float) -> float:
    """Return the value below which *share* of them lie, in ms."""
    ordered = sorted(values)
    return 1000 * ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def measured(seconds: float, streams: int, quiet_s: float) -> dict[str, float]:
    """Run daemon and streams; return the figures."""
    with tempfile.TemporaryDirectory() as name, bank(Path(name)) as whole:
        folder = Path(name)
        port = free_port()
        site = site_file(whole, folder, PAGE.format(port=port), FAST)
        out = folder / "probe.json"
        process = subprocess.Popen([sys.executable, __file__, "--child", site, out])
        stage = Served(folder, whole, port)
        stage.process = process
        try:
            stage.online()
            asyncio.run(asyncio.sleep(WARMING_S))
            marks = [stopwatch_s()]
            asyncio.run(asyncio.sleep(quiet_s))
            marks.append(stopwatch_s())
            alive, events, size = asyncio.run(hold(port, streams, seconds))
            marks.append(stopwatch_s())
            asyncio.run(asyncio.sleep(quiet_s))
            marks.append(stopwatch_s())
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(30)
        noted = json.loads(out.read_text())
    begin, first, last, end = marks

    def within(at_s: float) -> int:
        return 1 if first <= at_s < last else 0 if begin <= at_s < end else -1

    late: list[list[float]] = [[], []]
    for due_s, late_s in noted["late"]:
        if (i := within(due_s)) >= 0:
            late[i].append(late_s)
    gaps: list[list[float]] = [[], []]
    for a, b in zip(noted["steps"], noted["steps"][1:], strict=False):
        if (i := within(b)) >= 0:
            gaps[i].append(b - a)
    return {
        "streams": streams,
        "streams_alive": alive,
        "events": events,
        "bytes_per_stream_and_s": size / streams / seconds,
        "late_p50_ms": nth(late[0], 0.5),
        "late_p99_ms": nth(late[0], 0.99),
        "late_p50_ms_streams": nth(late[1], 0.5),
        "late_p99_ms_streams": nth(late[1], 0.99),
        "late_p99_ratio": nth(late[1], 0.99) / nth(late[0], 0.99),
        "gap_p99_ms": nth(gaps[0], 0.99),
        "gap_p99_ms_streams": nth(gaps[1], 0.99),
        "gap_p99_ratio": nth(gaps[1], 0.99) / nth(gaps[0], 0.99),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--streams", type=int, default=100)
    parser.add_argument("--quiet-s", type=float, default=30.0)
    parser.add_argument("--child", nargs=2, type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        child(*args.child)
        return
    print(f"machine: load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    for name, value in measured(args.seconds, args.streams, args.quiet_s).items():
        print(f"{name:>24} {value:12.2f}")


if __name__ == "__main__":
    main()
