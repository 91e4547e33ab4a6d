"""``tocsin record``: live sources to a trace, and a CAN bus to a log."""

from __future__ import annotations

import asyncio
import shutil
import signal
import sys
from contextlib import AsyncExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from tocsin import control
from tocsin.cli.common import add_site, duration_ms, example, fail, load_site
from tocsin.clock import RealClock, stopwatch_s
from tocsin.installed import SetupError, found, open_sources
from tocsin.ports import CanLine, DriverError
from tocsin.record import RecordError, Recording, Tape, overhear, record

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

    from tocsin.ports import BuildBusLog, BusLog
    from tocsin_config import Setup

EXAMPLES = """\
Without --trace or --can the trace is called like the site file. No file is replaced.
While a daemon serves the site, what it reads is recorded, once a second, and no line is
opened twice; otherwise the packs are read by this command. Ctrl-C ends it; every row
that was recorded is whole.

  tocsin record site.toml                            until Ctrl-C, into site.csv
  tocsin record site.toml --trace night.csv --for 12h
  tocsin record site.toml --can bus.log --for 10min  every frame, as candump logs it
  tocsin replay site.toml night.csv                  what would have happened
"""
SHOW_S = 1.0


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "record",
        help="what the packs of a site say, to a trace and a CAN log",
        description="Record every live pack of a site file. Nothing is decided and no "
        "output moves.",
    )
    add_site(parser)
    parser.add_argument("--trace", metavar="FILE.csv", type=Path, help="a new trace")
    parser.add_argument("--can", metavar="FILE.log", type=Path, help="a new CAN log")
    parser.add_argument(
        "--for",
        dest="for_ms",
        type=duration_ms,
        metavar="TIME",
        help="how long: 90s, 10min, 2h (default: until Ctrl-C)",
    )
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Record, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    trace = args.trace or (None if args.can else Path(f"{args.site.stem}.csv"))
    taker = Recorder(setup, trace, args.can)
    if wrong := taker.wrong():
        fail(wrong)
        return 2
    try:
        asyncio.run(_until_told(taker, args.for_ms))
    except* (SetupError, DriverError, RecordError, OSError) as group:
        taker.hide()
        for each in _leaves(group):
            fail(each)
        if taker.has_any:
            taker.sum_up()
    else:
        taker.hide()
        return taker.sum_up()
    return 1


def _leaves(group: BaseExceptionGroup[BaseException]) -> Iterator[BaseException]:
    for each in group.exceptions:
        if isinstance(each, BaseExceptionGroup):
            yield from _leaves(each)
        else:
            yield each


async def _until_told(taker: Recorder, for_ms: int | None) -> None:
    loop = asyncio.get_running_loop()
    task = asyncio.ensure_future(taker.take())
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, task.cancel)
    if for_ms is not None:
        loop.call_later(for_ms / 1000, task.cancel)
    try:
        await task
    except asyncio.CancelledError:
        if not task.cancelled():
            raise


class Recorder:
    """One recording of a site, and the line that shows how far it has come."""

    def __init__(self, setup: Setup, trace: Path | None, can: Path | None) -> None:
        self._setup = setup
        self._trace = trace
        self._can = can
        self._live = [spec for spec in setup.sources if not spec.is_only_recorded]
        self._on_can = [spec for spec in self._live if isinstance(spec.line, CanLine)]
        self._is_watched = sys.stderr.isatty()
        self._recording = Recording(None, {spec.name: None for spec in self._live})
        self._log: BusLog | None = None
        self._seconds = 0.0

    def wrong(self) -> str:
        """Return why these arguments cannot be followed, or an empty string."""
        if not self._live:
            return "every pack of this site exists in recordings only"
        if self._can is not None and not self._on_can:
            return "no pack of this site is on a CAN bus: there is nothing for --can"
        if self._trace is not None and self._trace == self._can:
            return f"{self._trace} cannot be both the trace and the CAN log"
        for path in (self._trace, self._can):
            if path is not None and path.exists():
                return f"{path} exists; nothing is overwritten"
        return ""

    async def take(self) -> None:
        """Record until cancelled.

        Raises:
            SetupError, DriverError, RecordError, OSError: it cannot begin or go on.
        """
        is_served = await asyncio.to_thread(self._is_served)
        async with AsyncExitStack() as stack:
            if self._trace is not None:
                self._recording.tape = stack.enter_context(Tape(self._trace))
            if self._can is not None:
                build: BuildBusLog = found("tocsin.bus_logs", "can").load()
                opening = build(self._on_can, self._can, is_watched=is_served)
                self._log = await stack.enter_async_context(opening)
            showing = asyncio.create_task(self._show())
            stack.callback(showing.cancel)
            await self._record(is_served=is_served)

    def _is_served(self) -> bool:
        """Return whether a daemon serves the site.

        Raises:
            RecordError: one does, but may not be asked.
        """
        try:
            control.ask(control.socket_path(self._setup.journal_folder), {"do": "show"})
        except control.ForbiddenError as exc:
            raise RecordError(f"a daemon serves this site: {exc}") from exc
        except control.ControlError:
            return False
        return True

    async def _record(self, *, is_served: bool) -> None:
        async with asyncio.TaskGroup() as group:
            if self._log is not None:
                group.create_task(self._log.run())
            if self._recording.tape is not None:
                group.create_task(self._listen(is_served=is_served))

    async def _listen(self, *, is_served: bool) -> None:
        clock = RealClock()
        if is_served:
            path = control.socket_path(self._setup.journal_folder)
            await overhear(self._recording, path, clock=clock)
        sources = open_sources(replace(self._setup, sources=tuple(self._live)))
        await record(self._recording, sources, clock=clock, poll_ms=self._setup.poll_ms)

    async def _show(self) -> None:
        begun_s = stopwatch_s()
        while True:
            self._seconds = stopwatch_s() - begun_s
            if self._is_watched:
                width = shutil.get_terminal_size().columns - 1
                line = self._line()[:width].ljust(width)
                print(f"\r{line}", end="", file=sys.stderr, flush=True)
            await asyncio.sleep(SHOW_S)

    def _line(self) -> str:
        minutes, seconds = divmod(int(self._seconds), 60)
        parts = [f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"]
        if self._log is not None:
            ill = f" ({self._log.trouble})" if self._log.trouble else ""
            parts.append(f"{self._log.frames} frames{ill}")
        if self._recording.tape is not None:
            for name, trouble in self._recording.packs.items():
                rows = f"{self._recording.rows.get(name, 0)} rows"
                parts.append(f"{name} {trouble or rows}")
        return "  ".join(parts)

    def hide(self) -> None:
        """End the line that is drawn again and again."""
        if self._is_watched:
            print(file=sys.stderr)

    @property
    def has_any(self) -> bool:
        """Return whether anything was recorded."""
        tape, log = self._recording.tape, self._log
        return bool((tape and tape.rows) or (log and log.frames))

    def sum_up(self) -> int:
        """Say what was recorded, and return the exit code."""
        recording, log = self._recording, self._log
        if recording.tape is not None:
            each = ", ".join(
                f"{name} {recording.rows.get(name, 0)}" for name in recording.packs
            )
            rows = recording.tape.rows
            made = f"{rows} rows" if rows else "not made"
            print(f"{recording.tape.path}: {made} ({each})")
        if log is not None:
            print(f"{self._can}: {log.frames} frames")
        self._warn(recording)
        if self.has_any:
            return 0
        fail("nothing was recorded")
        return 1

    def _warn(self, recording: Recording) -> None:
        for name, trouble in recording.packs.items():
            if trouble and recording.tape is not None:
                print(f"tocsin: {name}: {trouble}", file=sys.stderr)
        if 0 < len(recording.without_cells) < len(recording.packs):
            names = ", ".join(sorted(recording.without_cells))
            print(
                f"tocsin: {names}: no single cells; a replay beside packs with cells "
                "counts every such row as not read",
                file=sys.stderr,
            )
