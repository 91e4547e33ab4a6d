"""Serves simulated packs for a benchmark: prints its port, then counts on demand.

Each line on standard input is answered with how many requests were answered so far;
the end of the input ends it.
"""

from __future__ import annotations

import asyncio
import sys
from functools import partial

from tocsin_drivers.simbus.bank import SimBank, SiteDesign
from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.pack import PackDesign, spread_cells
from tocsin_drivers.simbus.profiles import Steady
from tocsin_drivers.simbus.server import Device, TcpBus

CELLS = 16
LOAD_W = 500.0


def make_bank(packs: int) -> SimBank:
    """Return half full packs in parallel on a steady load: nothing to be alarmed at."""
    designs = [
        PackDesign(
            name=f"pack-{number}",
            cells=spread_cells(CELLS, seed=number, capacity_spread=0.002),
            missing_ah=100,
            seed=number,
        )
        for number in range(1, packs + 1)
    ]
    site = SiteDesign(loads_w={"": Steady(value=LOAD_W)})
    return SimBank([[design] for design in designs], site)


async def main(packs: int) -> None:
    bank, answered = make_bank(packs), [0]

    def registers(name: str) -> dict[int, int]:
        answered[0] += 1
        return sunspec_image(bank.packs[name].reading)

    async def live() -> None:
        while True:
            bank.advance(bank.now_s + 1.0)
            await asyncio.sleep(1.0)

    units = {n: Device(partial(registers, f"pack-{n}")) for n in range(1, packs + 1)}
    async with TcpBus(units) as bus:
        living = asyncio.create_task(live())
        print(bus.port, flush=True)
        while await asyncio.to_thread(sys.stdin.readline):
            print(answered[0], flush=True)
        living.cancel()


asyncio.run(main(int(sys.argv[1])))
