"""Three bad hours at Fern Ridge, on real wires: the daemon on a simulated bank."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from tocsin import app
from tocsin.clock import SteppedClock
from tocsin_config import load
from tocsin_drivers.simbus.bank import Charger, SimBank, SiteDesign
from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.pack import PackDesign, spread_cells
from tocsin_drivers.simbus.profiles import Line, Steady, Steps
from tocsin_drivers.simbus.server import Device, TcpBus

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact

WALL_MS = 1_768_617_000_000
"""2026-01-17, 02:30 in UTC."""

SITE = """\
[site]
name = "Fern Ridge hut"
[bank]
chemistry = "lfp"
capacity_ah = 280
cells_in_series = 16
[gpio]
pins = "simulated"
[page]
enabled = false
[journal]
folder = "journal"
[timing]
poll_s = 2
[[output]]
name = "charge"
role = "charge-permit"
[[output]]
name = "drying"
role = "load-permit"
stage = 1
[[output]]
name = "kitchen"
role = "load-permit"
stage = 2
[[output]]
name = "horn"
role = "horn"
"""
PACK = """\
[[pack]]
name = "{name}"
driver = "sunspec"
host = "127.0.0.1"
port = {port}
unit = {unit}
"""
WEAK = 11
STEP_S = 2.0


def packs(**changes: Any) -> list[list[PackDesign]]:
    return [
        [PackDesign(name=name, cells=spread_cells(16, seed=seed), seed=seed, **of)]
        for seed, name in enumerate(("left", "right"), start=1)
        for of in (
            {**changes, "ahead_ah": changes.get("ahead_ah", {}) if seed == 2 else {}},
        )
    ]


def kettle() -> SimBank:
    """A weak cell all but empty, and a kettle that no output can drop."""
    return SimBank(
        packs(missing_ah=258.0, ahead_ah={WEAK: -12.0}),
        SiteDesign(
            loads_w={
                "": Steps(points=((0, 300), (420, 3_600))),
                "drying": Steady(value=700),
                "kitchen": Steady(value=300),
            },
            charge_output="charge",
        ),
    )


def morning() -> SimBank:
    """A cell ahead of the others, nearly full, in a sun that rises fast."""
    return SimBank(
        packs(missing_ah=7.0, ahead_ah={WEAK: 5.5}),
        SiteDesign(
            sources_w={"sun": Line(points=((0, 300), (600, 4_000)))},
            loads_w={"drying": Steady(value=100)},
            charger=Charger(absorption_v=56.8, limit_a=120),
            charge_output="charge",
        ),
    )


def cold() -> SimBank:
    """A frosty night gets into the battery room while the water turbine charges."""
    return SimBank(
        packs(missing_ah=100.0, temp_c=6.2),
        SiteDesign(
            sources_w={"water": Steady(value=900)},
            ambient_c=Steady(value=-25.0),
            charge_output="charge",
        ),
    )


@dataclass
class Lived:
    """What a story left behind.

    Attributes:
        path: The site file; journal and history lie beside it.
        first_ms: When each alarm was raised first, by the core's own word.
    """

    bank: SimBank
    path: Path
    facts: list[Fact] = field(default_factory=list)

    def tell(self, facts: Sequence[Fact]) -> None:
        self.facts += facts

    def stepped(self, outcome: Outcome) -> None:
        self.bank.follow({d.output: d.energised for d in outcome.demands})


async def lived(folder: Path, bank: SimBank, seconds: float) -> Lived:
    """Let the daemon watch *bank* for so long, in its own time."""
    devices = {
        unit: Device(partial(_registers, bank, name))
        for unit, name in enumerate(bank.packs, start=1)
    }
    clock = SteppedClock(speed=1e9, start_wall_ms=WALL_MS)
    story = Lived(bank, folder / "site.toml")
    async with TcpBus(devices) as bus:
        text = "".join(
            PACK.format(name=name, port=bus.port, unit=unit)
            for unit, name in enumerate(bank.packs, start=1)
        )
        story.path.write_text(SITE + text)
        setup = load(story.path)
        serving = asyncio.ensure_future(app.serve(setup, time=clock, guests=(story,)))
        try:
            with clock.member():
                at_s = 0.0
                while at_s < seconds and not serving.done():
                    at_s += STEP_S
                    await clock.sleep_until(round(at_s * 1000))
                    bank.advance(at_s)
        finally:
            serving.cancel()
            with suppress(asyncio.CancelledError):
                await serving
    return story


def _registers(bank: SimBank, name: str) -> Mapping[int, int]:
    return sunspec_image(bank.packs[name].reading)
