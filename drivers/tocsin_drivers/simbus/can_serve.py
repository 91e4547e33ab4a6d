"""Simulated packs served on CAN: who is on the bus, and who hears it.

traffic = hut_traffic(bank)
async with SlcanPty(traffic.answers) as line, pumped(traffic, line):
    ...  # python-can's slcan interface opens line.device
"""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Protocol

from tocsin_drivers.simbus.can_faults import CanTraffic
from tocsin_drivers.simbus.can_node import RvcPlace, named_dbc_node, rvc_node
from tocsin_drivers.simbus.hut_dbc import dbc_text, pack_messages

if TYPE_CHECKING:
    from collections.abc import (
        AsyncIterator,
        Callable,
        Collection,
        Iterable,
        Mapping,
    )

    from tocsin_drivers.simbus.bank import SimBank
    from tocsin_drivers.simbus.can_faults import Noise
    from tocsin_drivers.simbus.can_frame import CanFrame
    from tocsin_drivers.simbus.can_node import Node, Read
    from tocsin_drivers.simbus.pack import Pack, PackReading

LOOK_S = 0.01
"""A bus is looked at so often: no message is due more often than that."""
RVC_INSTANCES = (1, 3, 4, 5, 6)
"""Main house, secondary house and on; 2 would be the starter battery."""
FIRST_SOURCE = 0x46
DOUBLE_SOURCE = 0x80
LOWER_PRIORITY = 100
"""Of an inverter/charger, which is believed less than the battery itself."""
DOUBLE_MV = 900
"""So much more a second device sees, on its own worse meter."""


class Medium(Protocol):
    """Whatever carries frames to a listener."""

    def send(self, said: Iterable[CanFrame | Noise]) -> None:
        """Pass on what is on the bus now."""
        ...


def rvc_places(packs: Collection[str]) -> dict[str, RvcPlace]:
    """Return where each of the *packs* stands in RV-C, by its name.

    Raises:
        ValueError: more packs than there are instances.
    """
    places = {
        name: RvcPlace(instance=instance, battery=number, source=FIRST_SOURCE + number)
        for number, (name, instance) in enumerate(
            zip(packs, RVC_INSTANCES, strict=False), start=1
        )
    }
    if len(places) < len(packs):
        raise ValueError(f"there are {len(RVC_INSTANCES)} instances for packs")
    return places


def hut_traffic(bank: SimBank, *, seed: int = 1) -> CanTraffic:
    """Return `traffic_of` every pack of *bank*."""
    reads = {name: partial(_reading, pack) for name, pack in bank.packs.items()}
    return traffic_of(reads, seed=seed)


def traffic_of(reads: Mapping[str, Read], *, seed: int = 1) -> CanTraffic:
    """Return packs with the hut's own messages, and each as an RV-C DC source.

    Devices are called ``NAME dbc`` and ``NAME rv-c``. Each has a double, silent until
    the fault DUPLICATE wakes it: of RV-C a second device of lower priority, of the
    hut's messages one that uses the same identifiers; both see the pack's voltage and
    every cell too high.
    """
    nodes: dict[str, Node] = {}
    doubles: dict[str, Node] = {}
    for number, (name, place) in enumerate(rvc_places(reads).items()):
        read, wrong = reads[name], partial(_wrong_reading, reads[name])
        second = RvcPlace(
            instance=place.instance,
            battery=place.battery,
            priority=LOWER_PRIORITY,
            source=DOUBLE_SOURCE + number,
        )
        nodes[f"{name} dbc"] = named_dbc_node(read, name, number)
        nodes[f"{name} rv-c"] = rvc_node(read, place)
        doubles[f"{name} dbc"] = named_dbc_node(wrong, name, number)
        doubles[f"{name} rv-c"] = rvc_node(wrong, second)
    return CanTraffic(nodes, doubles=doubles, seed=seed)


def bank_dbc(bank: SimBank) -> str:
    """Return the DBC file of the messages that `hut_traffic` sends."""
    return dbc_text(
        [
            message
            for place, (name, pack) in enumerate(bank.packs.items())
            for message in pack_messages(name, place, len(pack.cells))
        ]
    )


def _reading(pack: Pack) -> PackReading:
    return pack.reading


def _wrong_reading(read: Read) -> PackReading:
    reading = read()
    each_mv = DOUBLE_MV // len(reading.cells_mv)
    return replace(
        reading,
        voltage_mv=reading.voltage_mv + DOUBLE_MV,
        cells_mv=tuple(mv + each_mv for mv in reading.cells_mv),
    )


@asynccontextmanager
async def pumped(
    traffic: CanTraffic,
    *media: Medium,
    before: Callable[[float], None] = lambda _: None,
    speed: float = 1.0,
) -> AsyncIterator[None]:
    """Carry *traffic* to *media* while the context lasts, *speed* times as fast.

    *before* is called with the bus's seconds since the start ahead of every look, so
    that a bank can be moved on.
    """
    pump = _pump(traffic, media, before, speed)
    task = asyncio.create_task(pump, name="simulated can")
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def _pump(
    traffic: CanTraffic,
    media: Iterable[Medium],
    before: Callable[[float], None],
    speed: float,
) -> None:
    loop = asyncio.get_running_loop()
    begun_s = loop.time()
    while True:
        passed_s = (loop.time() - begun_s) * speed
        before(passed_s)
        said = traffic.due(round(passed_s * 1000))
        for medium in media:
            medium.send(said)
        await asyncio.sleep(LOOK_S)
