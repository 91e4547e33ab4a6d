"""The whole daemon on real wires: packs whose registers a test writes, over Modbus."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

from simbus_made import pack
from tocsin import app
from tocsin.clock import SteppedClock
from tocsin_config import load
from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.server import Device, TcpBus

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Sequence
    from pathlib import Path

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact
    from tocsin_config import Setup
    from tocsin_drivers.simbus.pack import PackReading

WALL_MS = 1_768_586_400_000
QUIET = replace(
    pack(missing_ah=140.0, temp_c=20.0).reading,
    charge_limit_da=1_000,
    discharge_limit_da=2_000,
)

NO_PAGE = "[page]\nenabled = false\n"
"""Many daemons run side by side here, and there is one usual port."""

SITE = """\
[site]
name = "Fern Ridge hut"
[bank]
chemistry = "lfp"
capacity_ah = 280
cells_in_series = 16
[gpio]
pins = "simulated"
[journal]
folder = "{folder}"
"""
SITE += (
    NO_PAGE
    + """\
[[output]]
name = "charge"
role = "charge-permit"
[[output]]
name = "drying"
role = "load-permit"
stage = 1
hold_s = 20
[[output]]
name = "lights"
role = "load-permit"
stage = 2
hold_s = 20
[[output]]
name = "horn"
role = "horn"
[[output]]
name = "heart"
role = "heartbeat"
"""
)


@dataclass
class Watcher:
    """A guest that keeps every fact and outcome."""

    facts: list[Fact] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    on_step: Callable[[Outcome], None] = lambda _: None

    def tell(self, facts: Sequence[Fact]) -> None:
        self.facts += facts

    def stepped(self, outcome: Outcome) -> None:
        self.outcomes.append(outcome)
        self.on_step(outcome)


@dataclass
class Whole:
    """A served bank and the daemon on it.

    Attributes:
        readings: What each pack's registers say; write to it to make things happen.
    """

    folder: Path
    bus: TcpBus
    devices: dict[str, Device]
    readings: dict[str, PackReading]
    clock: SteppedClock = field(
        default_factory=lambda: SteppedClock(speed=1e9, start_wall_ms=WALL_MS)
    )
    watcher: Watcher = field(default_factory=Watcher)
    setup: Setup = field(init=False)

    def set(self, name: str, **changes: object) -> None:
        """Change a pack's reading; its counter moves on, as a living pack's does."""
        was = self.readings[name]
        self.readings[name] = replace(was, beat=was.beat + 1, **changes)  # type: ignore[arg-type]

    def cell(self, name: str, number: int, cell_mv: int) -> None:
        cells = list(self.readings[name].cells_mv)
        cells[number - 1] = cell_mv
        self.set(name, cells_mv=tuple(cells), voltage_mv=sum(cells))

    def level(self, output: str) -> bool:
        demands = self.watcher.outcomes[-1].demands
        return next(d.energised for d in demands if d.output == output)

    async def until(self, at_s: float, serving: asyncio.Task[None]) -> None:
        """Let the daemon run to *at_s* of its own time."""
        while self.clock.now_ms() < at_s * 1000:
            if serving.done():
                await serving
            await asyncio.sleep(0)


@asynccontextmanager
async def served(folder: Path) -> AsyncIterator[Whole]:
    """Serve two packs as SunSpec over Modbus TCP on loopback."""
    readings = {name: replace(QUIET, name=name) for name in ("left", "right")}
    devices = {name: Device(partial(_registers, readings, name)) for name in readings}
    units = dict(enumerate(devices.values(), start=1))
    async with TcpBus(units) as bus:
        yield Whole(folder, bus, devices, readings)


def _registers(readings: dict[str, PackReading], name: str) -> dict[int, int]:
    reading = readings[name]
    readings[name] = replace(reading, beat=(reading.beat + 1) % 60_000)
    return sunspec_image(readings[name])


@asynccontextmanager
async def daemon(whole: Whole, more: str = "") -> AsyncIterator[asyncio.Task[None]]:
    """Run the daemon on what is served, with *more* in its site file."""
    path = whole.folder / "site.toml"
    packs = "".join(
        f'[[pack]]\nname = "{name}"\ndriver = "sunspec"\nhost = "127.0.0.1"\n'
        f"port = {whole.bus.port}\nunit = {unit}\n"
        for unit, name in enumerate(whole.devices, start=1)
    )
    path.write_text(SITE.format(folder=whole.folder / "journal") + packs + more)
    whole.setup = load(path)
    serving = asyncio.ensure_future(
        app.serve(whole.setup, time=whole.clock, guests=(whole.watcher,))
    )
    try:
        yield serving
    finally:
        serving.cancel()
        with suppress(asyncio.CancelledError):
            await serving
