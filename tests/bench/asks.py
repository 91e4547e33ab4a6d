"""The reads of one look at a pack, as the driver asks for them."""

from __future__ import annotations

from tocsin_drivers.modbus.sunspec import SunSpecReader
from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.pack import Pack, PackDesign, spread_cells


def sunspec_asks(cells: int) -> list[tuple[int, int]]:
    """Return (address, count) of every read, in order."""
    design = PackDesign(name="pack", cells=spread_cells(cells))
    image = sunspec_image(Pack(design).reading)
    reader, asks = SunSpecReader(cells=cells), list[tuple[int, int]]()
    for dialogue in (reader.opening(), reader.reading()):
        asks.clear()
        try:
            ask = next(dialogue)
            while True:
                asks.append((ask.address, ask.count))
                ask = dialogue.send(
                    tuple(image[n] for n in range(ask.address, ask.end))
                )
        except StopIteration:
            pass
    return asks
