"""Serves simulated packs for a benchmark: prints its port, then counts on demand.

Each line on standard input is answered with how many requests were answered so far;
the end of the input ends it.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
from functools import partial
from typing import TYPE_CHECKING

from tocsin_drivers.simbus.bank import Charger, SimBank, SiteDesign
from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.pack import PackDesign, spread_cells
from tocsin_drivers.simbus.profiles import Cycle, Steady
from tocsin_drivers.simbus.server import Device, TcpBus

if TYPE_CHECKING:
    from collections.abc import Mapping

QUIET = SiteDesign(loads_w={"": Steady(value=500.0)})
"""Nothing to be alarmed at."""

RESTLESS = SiteDesign(
    loads_w={
        "": Cycle(on_s=18_000, off_s=10_800, value=22_000.0),
        "kettle": Cycle(on_s=240, off_s=1_560, value=9_000.0),
    },
    sources_w={"sun": Cycle(on_s=16_000, off_s=12_800, value=38_000.0)},
    charger=Charger(absorption_v=57.2, limit_a=700.0),
)
"""Empty and full every eight hours, so that alarms come and go."""


def make_bank(packs: int, cells: int, design: SiteDesign) -> SimBank:
    """Return half full packs in parallel."""
    designs = [
        PackDesign(
            name=f"pack-{number}",
            cells=spread_cells(cells, seed=number, capacity_spread=0.002),
            missing_ah=100,
            seed=number,
        )
        for number in range(1, packs + 1)
    ]
    return SimBank([[each] for each in designs], design)


async def serve(bank: SimBank, step_s: float, speed: float) -> None:
    """Serve *bank*, moved on by *step_s* of its time at once, until the input ends."""
    images: dict[str, Mapping[int, int]] = {}
    answered = [0]

    def registers(name: str) -> Mapping[int, int]:
        answered[0] += 1
        if name not in images:
            images[name] = sunspec_image(bank.packs[name].reading)
        return images[name]

    async def live() -> None:
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            bank.advance(bank.now_s + step_s)
            images.clear()
            due_s += step_s / speed
            await asyncio.sleep(due_s - loop.time())

    units = {
        unit: Device(partial(registers, name))
        for unit, name in enumerate(bank.packs, start=1)
    }
    async with TcpBus(units) as bus:
        living = asyncio.create_task(live())
        print(bus.port, flush=True)
        while await asyncio.to_thread(sys.stdin.readline):
            print(answered[0], flush=True)
        living.cancel()


def main() -> None:
    """Serve what the arguments say."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--packs", type=int, default=5)
    parser.add_argument("--cells", type=int, default=16, help="of each pack")
    parser.add_argument("--speed", type=float, default=1.0, help="of its time")
    parser.add_argument("--step-s", type=float, default=1.0, help="of its time")
    parser.add_argument("--restless", action="store_true", help="empty, full, empty")
    args = parser.parse_args()
    design = RESTLESS if args.restless else QUIET
    bank = make_bank(args.packs, args.cells, design)
    asyncio.run(serve(bank, args.step_s, args.speed))


if __name__ == "__main__":
    main()
