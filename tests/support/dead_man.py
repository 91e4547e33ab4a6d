"""A daemon whose simulated pins end in a file, and that can be struck from outside."""

from __future__ import annotations

import asyncio
import json
import signal
from dataclasses import dataclass
from typing import TYPE_CHECKING

from process_stage import PATIENCE_S

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from process_stage import Manager

STRIKE = signal.SIGUSR1

PINS = """\
import json, os, signal, sys, time
from tocsin_drivers.gpio.simulated import SimulatedOutputs as Pins
from tocsin.cli import main

wire = os.open(sys.argv[1] + ".pins", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
def wired(name):
    do = getattr(Pins, name)
    def done(self, *given):
        do(self, *given)
        os.write(wire, json.dumps([name, self.levels]).encode() + b"\\n")
    setattr(Pins, name, done)
for name in ("hold", "beat", "close"):
    wired(name)

struck = []
signal.signal(signal.SIGUSR1, lambda *_: struck.append(1))
"""
RUN = '\nsys.exit(main(["run", sys.argv[1]]))\n'

STEP_RAISES = """
from tocsin import shell
step = shell.step
def broken(*given):
    if struck:
        raise ZeroDivisionError("planted")
    return step(*given)
shell.step = broken
"""
STEP_UNSOUND = """
from tocsin import shell
shell.faults = lambda *_: ("planted",) if struck else ()
"""
LOOP_BLOCKED = """
signal.signal(signal.SIGUSR1, lambda *_: time.sleep(3600))
"""
DISK_HANGS = """
from tocsin.journal.store import Store
append = Store.append
def hang(self, rows, **how):
    if struck:
        time.sleep(3600)
    append(self, rows, **how)
Store.append = hang
"""
DISK_FULL = """
from tocsin.journal.store import Store
append = Store.append
def full(self, rows, **how):
    if struck and rows:
        raise OSError(28, "No space left on device")
    append(self, rows, **how)
Store.append = full
"""


def program(fault: str = "") -> tuple[str, str]:
    """Return what to run: the daemon, with *fault* when `STRIKE` comes."""
    return ("-c", PINS + fault + RUN)


@dataclass
class Wire:
    """What went out on the pins, oldest first."""

    path: Path

    @classmethod
    def of(cls, site: Path) -> Wire:
        return cls(site.with_name(f"{site.name}.pins"))

    @property
    def calls(self) -> list[tuple[str, dict[str, bool]]]:
        if not self.path.exists():
            return []
        *lines, _ = self.path.read_text().split("\n")
        return [tuple(json.loads(line)) for line in lines]

    @property
    def levels(self) -> dict[str, bool]:
        return self.calls[-1][1] if self.calls else {}

    @property
    def beats(self) -> int:
        return sum(name == "beat" for name, _ in self.calls)

    async def until(self, done: Callable[[Wire], object]) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while not done(self):  # noqa: ASYNC110 another process writes it
                await asyncio.sleep(0.05)

    async def permitted(self) -> None:
        """Wait until every permit is energised, and the heart has beaten."""
        wanted = ("charge", "drying", "lights")
        await self.until(lambda w: w.beats and all(w.levels[p] for p in wanted))


def unheard(manager: Manager) -> list[bytes]:
    """Return what the daemon has said to the service manager since it was last read."""
    said: list[bytes] = []
    try:
        while True:
            said.append(manager.line.recv(4_096))
    except BlockingIOError:
        return said
