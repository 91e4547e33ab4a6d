"""A battery on a wire of this machine, that is as /run/lab/bank.json says.

Used as ``python bank.py modbus|can``: two packs over SunSpec on Modbus TCP, or on the
CAN bus vcan0 by the hut's own messages and by RV-C. The file holds, by pack, changed
fields of a reading (``cell_mv`` of all cells, ``temp_dc`` of all sensors) and
``silent``; without it both packs are half full, warm and at rest.
"""

from __future__ import annotations

import asyncio
import json
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tocsin_drivers.simbus.can_bus import VirtualLine
from tocsin_drivers.simbus.can_serve import pumped, traffic_of
from tocsin_drivers.simbus.cell import CellDesign
from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.pack import EXACT, Pack, PackDesign, PackReading
from tocsin_drivers.simbus.server import Device, Fault, TcpBus

if TYPE_CHECKING:
    from collections.abc import Mapping

WISHES = Path("/run/lab/bank.json")
CHANNEL = "vcan0"
PORT = 1502
CELLS = 16
LOOK_S = 0.1
BEATS = 60_000


def wished() -> dict[str, dict[str, Any]]:
    """Return what the file says, and nothing if there is none."""
    try:
        wishes: dict[str, dict[str, Any]] = json.loads(WISHES.read_text())
    except FileNotFoundError:
        return {}
    return wishes


class Hut:
    """Both packs, as they are wished to be."""

    def __init__(self) -> None:
        design = PackDesign(
            name="",
            cells=(CellDesign(),) * CELLS,
            sensors=EXACT,
            missing_ah=140.0,
            temp_c=20.0,
        )
        made = Pack(design).reading
        self._quiet = replace(made, charge_limit_da=1_000, discharge_limit_da=2_000)
        self._wishes: dict[str, dict[str, Any]] = {}
        self.devices = {
            name: Device(partial(self._registers, name)) for name in ("left", "right")
        }

    def _registers(self, name: str) -> Mapping[int, int]:
        return sunspec_image(self.reading(name))

    def reading(self, name: str) -> PackReading:
        """Return what a pack says now; its counter moves, as a living pack's does."""
        beat = int(asyncio.get_running_loop().time() * 10) % BEATS
        wish = dict(self._wishes.get(name, {}))
        wish.pop("silent", None)
        if (cell_mv := wish.pop("cell_mv", None)) is not None:
            wish |= {"cells_mv": (cell_mv,) * CELLS, "voltage_mv": cell_mv * CELLS}
        if (temp_dc := wish.pop("temp_dc", None)) is not None:
            wish |= {"temps_dc": (temp_dc,) * len(self._quiet.temps_dc)}
        return replace(self._quiet, name=name, beat=beat, **wish)

    async def obey(self) -> None:
        """Look at the wishes for ever."""
        while True:
            self._wishes = wished()
            for name, device in self.devices.items():
                is_silent = self._wishes.get(name, {}).get("silent", False)
                device.break_down(Fault.DEAD if is_silent else Fault.NONE)
            await asyncio.sleep(LOOK_S)


async def on_modbus(hut: Hut) -> None:
    async with TcpBus(dict(enumerate(hut.devices.values(), start=1)), PORT):
        await hut.obey()


async def on_can(hut: Hut) -> None:
    traffic = traffic_of({name: partial(hut.reading, name) for name in hut.devices})
    line = VirtualLine(CHANNEL, traffic.answers, interface="socketcan")
    async with line, pumped(traffic, line):
        await hut.obey()


if __name__ == "__main__":
    ways = {"modbus": on_modbus, "can": on_can}
    asyncio.run(ways[sys.argv[1]](Hut()))
