"""How long from a sample on the wire to the level on the pin, beside a bare loop.

A simulated pack's current jumps up and down; a rule without delay, on the current,
calls a simulated output, and a bare loop sets the same kind of output by the same
limit. Both ask every 0.2 s, each on a bus of its own. Two times are taken of each jump:

- *answer*: from the moment at which the last answer of the look that shows it is made
  to the moment at which the level stands. Only this is the program's own.
- *jump*: from the jump itself. It waits for the next look, as at a real site, where
  looks are a second apart and the wait is five times as long.

All moments are of CLOCK_MONOTONIC, which every process of the machine shares.
"""

from __future__ import annotations

import asyncio
import json
import random
import signal
import sys
import tempfile
import time
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING
from unittest.mock import patch

from pymodbus.client import AsyncModbusTcpClient

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.asks import sunspec_asks
from tests.bench.rig import CELLS, environment, nth, say, site_text, sunspec_packs
from tests.bench.table import Row

from tocsin import app
from tocsin.clock import RealClock
from tocsin.core.events import Demand
from tocsin.core.rules import Role
from tocsin.ports import PinSpec
from tocsin_config import load
from tocsin_drivers.gpio.simulated import SimulatedOutputs
from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.pack import Pack, PackDesign, spread_cells
from tocsin_drivers.simbus.server import Device, TcpBus

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

LOOK_S = 0.2
SETTLED = 40
"""So many reads after its start a program is taken to have settled."""

PIN = "set"
TRIP_A, SMALL_DA, LARGE_DA = 50, -50, -1_500
BATTERY, AMPERES, SCALE = 802, 44, 61
"""The model with the current, and where current and its scale factor stand in it."""

SITE_MORE = f"""\
[timing]
poll_s = {LOOK_S}
[[output]]
name = "{PIN}"
role = "generator-call"
rules = ["jump"]
min_on_s = 0
min_off_s = 0
[[rule]]
name = "jump"
measure = "discharge-current"
priority = "low"
trip_a = {TRIP_A}
clear_a = {TRIP_A - 20}
actions = ["generator-call"]
cause = "the benchmark"
consequence = "none"
action = "none"
respond_min = 10
basis = "common practice, no source"
"""


class NotedOutputs(SimulatedOutputs):
    """Simulated pins that say when the one that is watched has a new level."""

    _last = False

    def hold(self, demands: tuple[Demand, ...]) -> None:
        """Hold the levels, then say so."""
        super().hold(demands)
        if self.levels[PIN] is not self._last:
            at_ns = time.monotonic_ns()
            self._last = self.levels[PIN]
            print(at_ns, flush=True)


def be_daemon(site: str) -> None:
    """Be the whole daemon until told to end."""

    async def main() -> None:
        serving = asyncio.ensure_future(app.serve(load(Path(site)), time=RealClock()))
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGTERM, serving.cancel)
        with suppress(asyncio.CancelledError):
            await serving

    with patch.object(app, "open_outputs", lambda setup: NotedOutputs(setup.pins)):
        asyncio.run(main())


async def be_bare(port: int, asks: Sequence[tuple[int, int]]) -> None:
    """Be a loop that reads the same and sets the same kind of pin."""
    pins = NotedOutputs([PinSpec(output=PIN, role=Role.GENERATOR_CALL)])
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=1.0, retries=0)
    if not await client.connect():
        raise SystemExit("no connection")
    loop = asyncio.get_running_loop()
    next_s = loop.time()
    while True:
        current_a = 0.0
        for address, count in asks:
            answer = await client.read_holding_registers(
                address, count=count, device_id=1
            )
            if answer.isError() or len(answer.registers) != count:
                raise SystemExit(str(answer))
            if answer.registers[0] == BATTERY:
                current_a = _signed(answer.registers[AMPERES]) * 10.0 ** _signed(
                    answer.registers[SCALE]
                )
        level = -current_a >= TRIP_A
        demand = Demand(
            output=PIN, role=Role.GENERATOR_CALL, energised=level, called=level,
            because=(),
        )  # fmt: skip
        pins.hold((demand,))
        next_s += LOOK_S
        await asyncio.sleep(next_s - loop.time())


def _signed(register: int) -> int:
    return register - 0x10000 if register >= 0x8000 else register


@dataclass
class Jumper:
    """A pack whose current jumps, and when it did, answered, and was obeyed."""

    images: tuple[Mapping[int, int], Mapping[int, int]]
    is_large: bool = False
    jumped_ns: int = 0
    settled: asyncio.Event = field(default_factory=asyncio.Event)
    answered_ns: list[int] = field(default_factory=list)
    answer_ms: list[float] = field(default_factory=list)
    jump_ms: list[float] = field(default_factory=list)

    def registers(self) -> Mapping[int, int]:
        """Return what is read now, and note when."""
        self.answered_ns.append(time.monotonic_ns())
        if len(self.answered_ns) >= SETTLED:
            self.settled.set()
        return self.images[self.is_large]

    def jump(self) -> None:
        """Let the current be the other one from now on."""
        self.is_large = not self.is_large
        self.answered_ns.clear()
        self.jumped_ns = time.monotonic_ns()

    def obeyed(self, at_ns: int) -> None:
        """Note that the pin followed at *at_ns*."""
        last_ns = max(ns for ns in self.answered_ns if ns <= at_ns)
        self.answer_ms.append((at_ns - last_ns) / 1e6)
        self.jump_ms.append((at_ns - self.jumped_ns) / 1e6)


def jumper() -> Jumper:
    """Return a quiet pack."""
    reading = replace(
        Pack(
            PackDesign(name="pack-1", cells=spread_cells(CELLS), missing_ah=100)
        ).reading,
        charge_limit_da=1_000,
        discharge_limit_da=2_000,
    )
    small, large = (
        sunspec_image(replace(reading, current_da=amps))
        for amps in (SMALL_DA, LARGE_DA)
    )
    return Jumper((small, large))


async def watch(pack: Jumper, words: Sequence[str], seconds: float) -> None:
    """Run one program on *pack* and let its current jump, for so long."""
    dice = random.Random(1)
    process = await asyncio.create_subprocess_exec(
        sys.executable, __file__, *words,
        env=environment(),
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    assert process.stdout is not None
    try:
        await pack.settled.wait()
        until_s = time.perf_counter() + seconds
        while time.perf_counter() < until_s:
            await asyncio.sleep(dice.uniform(0.5, 1.5) * LOOK_S)
            pack.jump()
            async with asyncio.timeout(10):
                said = await process.stdout.readline()
            if not said:
                raise SystemExit(f"{words[0]} ended too early")
            pack.obeyed(int(said))
    finally:
        process.terminate()
        await process.wait()


async def reactions(seconds: float) -> tuple[Jumper, Jumper]:
    """Return daemon's and bare loop's pack after both were watched."""
    ours, bare = jumper(), jumper()
    async with AsyncExitStack() as stack:
        name = stack.enter_context(tempfile.TemporaryDirectory())
        ports = [
            (await stack.enter_async_context(TcpBus({1: Device(each.registers)}))).port
            for each in (ours, bare)
        ]
        site = Path(name) / "site.toml"
        packs = sunspec_packs(str(ports[0]), 1)
        site.write_text(site_text(Path(name) / "journal", packs + SITE_MORE))
        asks = json.dumps(sunspec_asks(CELLS))
        async with asyncio.TaskGroup() as group:
            group.create_task(watch(ours, ("--daemon", str(site)), seconds))
            group.create_task(watch(bare, ("--bare", str(ports[1]), asks), seconds))
    return ours, bare


def bench_reaction(seconds: float) -> list[Row]:
    """Print both, and return them beside each other."""
    say(f"letting a current jump for {seconds:g} s")
    ours, bare = asyncio.run(reactions(seconds))
    print(f"reaction: {len(ours.answer_ms)} jumps of the current, {LOOK_S} s a look")
    return [
        Row(
            f"{what} to pin, p{100 * share:.0f}",
            "ms",
            nth(mine, share),
            nth(theirs, share),
            aim,
        )
        for what, mine, theirs in (
            ("answer", ours.answer_ms, bare.answer_ms),
            ("jump", ours.jump_ms, bare.jump_ms),
        )
        for share, aim in ((0.5, 1.2), (0.99, 2.0))
    ]


if __name__ == "__main__":
    if sys.argv[1] == "--daemon":
        be_daemon(sys.argv[2])
    else:
        asyncio.run(be_bare(int(sys.argv[2]), json.loads(sys.argv[3])))
