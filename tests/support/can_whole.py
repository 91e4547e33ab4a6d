"""The whole daemon on a CAN bus: packs whose readings a test writes, over slcan."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from tocsin import app
from tocsin.clock import RealClock
from tocsin_config import load
from tocsin_drivers.simbus.can_serve import bank_dbc, pumped, traffic_of
from tocsin_drivers.simbus.fern_ridge import make_bank
from tocsin_drivers.simbus.hut_dbc import signals_toml
from tocsin_drivers.simbus.slcan import SlcanPty
from whole_stage import QUIET, SITE, Watcher

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

    from tocsin_drivers.simbus.can_faults import CanTraffic
    from tocsin_drivers.simbus.pack import PackReading

T = TypeVar("T")
SPEED = 10.0
"""The daemon's time to the bus's: a delay of ten seconds is over in one."""
BUS_SPEED = 4.0
"""The bus's time to ours: its slowest page comes twice a second."""
PATIENCE_S = 30.0


class FastClock(RealClock):
    """The loop's time, but faster, and without waiting for whoever is busy.

    The time of day is the real one: the journal's own thread asks for it.
    """

    speed = SPEED

    def now_ms(self) -> int:
        return int(super().now_ms() * self.speed)

    async def sleep_until(self, at_ms: int) -> None:
        await super().sleep_until(int(at_ms / self.speed))

    async def take(self, queue: asyncio.Queue[T], until_ms: int) -> T | None:
        return await super().take(queue, int(until_ms / self.speed))


@dataclass
class CanHut:
    """What is on the bus, and the daemon that hears it.

    Attributes:
        readings: What each pack says; write to it to make things happen.
    """

    traffic: CanTraffic
    readings: dict[str, PackReading]
    serving: asyncio.Task[None]
    watcher: Watcher = field(default_factory=Watcher)

    def set(self, name: str, **changes: object) -> None:
        self.readings[name] = replace(self.readings[name], **changes)  # type: ignore[arg-type]

    def cell(self, name: str, number: int, cell_mv: int) -> None:
        cells = list(self.readings[name].cells_mv)
        cells[number - 1] = cell_mv
        self.set(name, cells_mv=tuple(cells), voltage_mv=sum(cells))

    def level(self, output: str) -> bool:
        if not self.watcher.outcomes:
            return False
        demands = self.watcher.outcomes[-1].demands
        return next(d.energised for d in demands if d.output == output)

    async def sees(self, what: Callable[[], bool]) -> None:
        """Wait until *what* has come true."""
        async with asyncio.timeout(PATIENCE_S):
            while not what():
                if self.serving.done():
                    await self.serving
                await asyncio.sleep(0.02)


@asynccontextmanager
async def hut_on_can(
    folder: Path, left: str = "dbc", right: str = "dbc"
) -> AsyncIterator[CanHut]:
    """Serve two packs on a pty that speaks slcan, and run the daemon on it."""
    readings = {name: replace(QUIET, name=name) for name in ("left", "right")}
    traffic = traffic_of({name: partial(_alive, readings, name) for name in readings})
    (folder / "hut.dbc").write_text(bank_dbc(make_bank()))
    path = folder / "site.toml"
    watcher = Watcher()
    async with SlcanPty(traffic.answers) as pty, pumped(traffic, pty, speed=BUS_SPEED):
        packs = _pack("left", left, 1, pty.device) + _pack(
            "right", right, 3, pty.device
        )
        head = SITE.format(folder=folder / "journal").replace(
            'role = "charge-permit"', 'role = "charge-permit"\nmin_off_s = 5'
        )
        path.write_text(head + packs)
        serving = asyncio.ensure_future(
            app.serve(load(path), time=FastClock(), guests=(watcher,))
        )
        try:
            yield CanHut(traffic, readings, serving, watcher)
        finally:
            serving.cancel()
            with suppress(asyncio.CancelledError):
                await serving


def _alive(readings: dict[str, PackReading], name: str) -> PackReading:
    """Return the reading with a counter that moves, as a living pack's does."""
    beat = int(asyncio.get_running_loop().time() * 10) % 60_000
    return replace(readings[name], beat=beat)


def _pack(name: str, driver: str, instance: int, device: str) -> str:
    table = (
        f'[[pack]]\nname = "{name}"\ndriver = "{driver}"\ninterface = "slcan"\n'
        f'channel = "{device}"\nbitrate = 250000\n'
    )
    if driver == "rv-c":
        return f"{table}instance = {instance}\n"
    return f'{table}file = "hut.dbc"\n{signals_toml(name, 16)}'
