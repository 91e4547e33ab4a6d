"""A line with simulated packs on it, and `tocsin scan` beside it in its own process."""

from __future__ import annotations

import asyncio
import json
import sys
from asyncio.subprocess import PIPE
from contextlib import asynccontextmanager
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from tocsin.installed import open_sources
from tocsin_config import load
from tocsin_drivers.simbus.can_serve import hut_traffic, pumped
from tocsin_drivers.simbus.fern_ridge import make_bank
from tocsin_drivers.simbus.image import plain_image, sunspec_image
from tocsin_drivers.simbus.server import Device
from tocsin_drivers.simbus.slcan import SlcanPty

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

    from tocsin.core.model import Sample
    from tocsin_drivers.simbus.bank import SimBank
    from tocsin_drivers.simbus.can_faults import CanTraffic
    from tocsin_drivers.simbus.can_frame import CanFrame


@dataclass
class Scanned:
    """What one run of the command came to."""

    code: int
    said: str
    moaned: str

    @property
    def json(self) -> Any:
        return json.loads(self.said)


async def until(what: Callable[[], object], within_s: float = 30.0) -> None:
    """Wait until *what* has come true."""
    async with asyncio.timeout(within_s):
        while not what():  # noqa: ASYNC110 a look at somebody else's state
            await asyncio.sleep(0.02)


async def scan(*argv: str) -> Scanned:
    """Run the command to its end."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "tocsin", "scan", *argv), stdout=PIPE, stderr=PIPE
    )
    async with asyncio.timeout(60):
        said, moaned = await process.communicate()
    assert process.returncode is not None
    return Scanned(process.returncode, said.decode(), moaned.decode())


def units(bank: SimBank) -> dict[int, Device]:
    """Return the packs as SunSpec units 1 and on, and the first as plain unit 5."""
    packs = list(bank.packs.values())
    served = {
        number: Device(partial(_sunspec, bank, pack.reading.name))
        for number, pack in enumerate(packs, start=1)
    }
    served[5] = Device(lambda: plain_image(packs[0].reading))
    return served


def _sunspec(bank: SimBank, name: str) -> dict[int, int]:
    return sunspec_image(bank.packs[name].reading)


@dataclass
class Bus:
    """A CAN bus on a pty.

    Attributes:
        sent: Every frame that a client has transmitted.
    """

    pty: SlcanPty
    traffic: CanTraffic
    sent: list[CanFrame]

    @property
    def device(self) -> str:
        return self.pty.device

    @property
    def is_listening(self) -> bool:
        """Return whether the adapter was told not even to acknowledge."""
        return self.pty._is_listening

    def unplug(self) -> None:
        self.pty.unplug()


@asynccontextmanager
async def can_bus(
    bank: SimBank | None = None, speed: float = 4.0
) -> AsyncIterator[Bus]:
    traffic = hut_traffic(bank or make_bank())
    sent: list[CanFrame] = []

    def answers(frame: CanFrame) -> list[CanFrame]:
        sent.append(frame)
        return traffic.answers(frame)

    async with SlcanPty(answers) as pty, pumped(traffic, pty, speed=speed):
        yield Bus(pty, traffic, sent)


async def readings_of(site: Path) -> dict[str, Sample]:
    """Read every pack of a site file once, by the daemon's own sources."""
    read: dict[str, Sample] = {}
    for name, opened in open_sources(load(site)).items():
        async with asyncio.timeout(20), opened() as source:
            read[name] = await source.read()
    return read
