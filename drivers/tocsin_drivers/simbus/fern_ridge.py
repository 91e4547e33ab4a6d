"""A night and a morning at Fern Ridge hut, served over Modbus TCP on loopback.

The story starts at 18:00. Guests cook; the night cools two packs below the temperature
at which they may be charged; cell 11 of `right`, which holds about half of what it
should, is nearly empty before dawn; the sun comes, the packs warm up and fill.

With a daemon that follows its rules the protection never cuts off. With nobody in
charge it does: `tests/drivers/simbus/test_fern_ridge.py` shows both.
"""

from __future__ import annotations

import json
from contextlib import asynccontextmanager
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from tocsin_drivers.simbus.bank import Charger, Generator, SimBank, SiteDesign
from tocsin_drivers.simbus.cell import CellDesign
from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.pack import Pack, PackDesign, Sensors, spread_cells
from tocsin_drivers.simbus.profiles import Cycle, Line, Steady, Sum
from tocsin_drivers.simbus.server import HOST, Device, TcpBus

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Mapping
    from pathlib import Path

CELLS = 16
CAPACITY_AH = 280.0
ABSORPTION_V = 56.0
STARTS_H = 18.0
DURATION_S = 19.5 * 3_600
UNITS = {"left": 1, "right": 2}
WEAK = {11: CellDesign(capacity_ah=120.0, ohm_ah=0.10)}
STAGES = ("stage-1", "stage-2", "stage-3")
_DAY_H = 24.0
_COLD_C = 6.0
_LOW_MV = 3_100
_FLOWS_A = 2.0


def at_clock(hours: float) -> float:
    """Return seconds since 18:00 of a clock time; before 18:00 means next morning."""
    return (hours - STARTS_H) % _DAY_H * 3_600


def _line(*points: tuple[float, float], **flicker: float) -> Line:
    placed = tuple((at_clock(hours), value) for hours, value in points)
    return Line(points=placed, **flicker)  # type: ignore[arg-type]


DRYING_W = _line((18, 500), (18.5, 900), (22, 900), (22.2, 600), (4.2, 600), (4.3, 900))
KITCHEN_W = _line(
    (18, 1_200), (20, 1_500), (20.5, 700), (22, 300), (22.5, 90), (4.38, 90),
    (4.4, 1_500), (6.5, 1_600), (6.8, 300), (11.5, 300),
    (12, 900), (13, 500),
    flicker=0.05, every_s=240, seed=7,
)  # fmt: skip
FRIDGES_W = Cycle(on_s=600, off_s=1_500, value=120)
LIGHTS_W = _line((18, 110), (22.5, 100), (23, 55), (4, 55), (4.5, 120), (8, 60))
HYDRO_W = Steady(value=180)
SUN_W = _line(
    (7.2, 0), (8, 400), (9, 1_800), (10, 4_200), (11, 5_600), (13.5, 5_800),
    flicker=0.08, every_s=180, seed=11,
)  # fmt: skip
BATTERY_ROOM_C = _line(
    (18, 7), (21, 4), (0, 1), (5, -1), (6.5, 0), (7.5, 9), (8.5, 18), (10, 24),
    (13.5, 26),
)  # fmt: skip


def site_design() -> SiteDesign:
    """Return the hut: loads, sun, water, diesel set and the battery room's air."""
    return SiteDesign(
        loads_w={
            "stage-1": DRYING_W,
            "stage-2": Sum((KITCHEN_W, FRIDGES_W)),
            "stage-3": LIGHTS_W,
        },
        sources_w={"hydro": HYDRO_W, "sun": SUN_W},
        charger=Charger(absorption_v=ABSORPTION_V, limit_a=110),
        generator=Generator(output="generator", power_w=3_000, start_s=240),
        charge_output="charge",
        ambient_c=BATTERY_ROOM_C,
    )


def pack_designs() -> tuple[PackDesign, PackDesign]:
    """Return left, with a cell that is full early, and right, with a weak cell."""
    typical = CellDesign(capacity_ah=CAPACITY_AH, ambient_w_per_k=0.19)
    left = PackDesign(
        name="left",
        cells=spread_cells(CELLS, typical, seed=3, capacity_spread=0.004),
        missing_ah=20,
        ahead_ah={4: 1.6},
        temp_c=11.5,
        sensors=Sensors(current_gain=1.004, current_offset_a=0.1),
        seed=3,
    )
    right = PackDesign(
        name="right",
        cells=spread_cells(CELLS, typical, seed=4, capacity_spread=0.004, weak=WEAK),
        missing_ah=20,
        temp_c=11.0,
        sensors=Sensors(current_gain=0.997, current_offset_a=-0.1),
        seed=4,
    )
    return left, right


def make_bank() -> SimBank:
    """Return the hut's bank at 18:00, every contactor open."""
    return SimBank([[design] for design in pack_designs()], site_design())


_SITE = """\
# Fern Ridge hut: a rehearsal on a simulated bank.
[site]
name = "Fern Ridge hut"

[bank]
chemistry = "lfp"
capacity_ah = {capacity}
cells_in_series = {cells}

[protection]
low_cell_v = 2.80
high_cell_v = 3.75
cold_charge_c = 5.0

[charging]
absorption_v = {absorption}

# Time runs many times faster than at a real site: one look in ten simulated seconds.
[timing]
poll_s = 10
stale_s = 60
good_scans = 3
shed_settle_s = 20
shed_confirm_s = 60
restore_gap_s = 600
restore_pct = 5

# Minutes decide here; the plain voltage limits stand behind them, close to the cut-off.
[[rule]]
name = "low-cell-early"
trip_v = 2.90
clear_v = 3.10
[[rule]]
name = "low-cell"
trip_v = 2.86
clear_v = 3.10
[[rule]]
name = "shed-stage-1"
trip_v = 2.88
[[rule]]
name = "shed-stage-2"
trip_v = 2.86
[[rule]]
name = "shed-stage-3"
trip_v = 2.84

[gpio]
pins = "simulated"

[journal]
folder = {folder}
"""

_OUTPUTS = (
    ("charge", "charge-permit", ""),
    *((name, "load-permit", f"stage = {n}") for n, name in enumerate(STAGES, start=1)),
    ("horn", "horn", ""),
    ("beacon", "beacon", ""),
    ("generator", "generator-call", ""),
    ("heartbeat", "heartbeat", ""),
)


def site_text(port: int, folder: Path) -> str:
    """Return the site file of what is served on *port*."""
    parts = [
        _SITE.format(
            capacity=round(CAPACITY_AH),
            cells=CELLS,
            absorption=ABSORPTION_V,
            folder=json.dumps(str(folder)),  # a TOML basic string reads alike
        )
    ]
    parts += [
        f'[[pack]]\nname = "{name}"\ndriver = "sunspec"\nhost = "{HOST}"\n'
        f"port = {port}\nunit = {unit}\n"
        for name, unit in UNITS.items()
    ]
    parts += [
        f'[[output]]\nname = "{name}"\nrole = "{role}"\n{more}\n'.rstrip() + "\n"
        for name, role, more in _OUTPUTS
    ]
    return "\n".join(parts)


@dataclass(slots=True)
class FernRidge:
    """The served hut.

    Attributes:
        bank: What is served; for whoever wants to look behind the registers.
        bus: The line, which can be unplugged.
        devices: The packs' electronics, which can break down.
    """

    bank: SimBank
    bus: TcpBus
    devices: Mapping[str, Device]
    site_text: str
    duration_s: float = DURATION_S

    def narrate(self, at_s: float) -> str:
        """Return the time of day and what is going on."""
        return narrate(self.bank, at_s)

    def advance(self, to_s: float) -> None:
        """Move the hut on to *to_s* seconds after 18:00."""
        self.bank.advance(to_s)

    def follow(self, energised: Mapping[str, bool]) -> None:
        """Let contactors and the generator follow the outputs."""
        self.bank.follow(energised)


_SCENES = (
    (18.0, "The guests are back from the snow; boots dry and the kitchen cooks"),
    (20.5, "Supper is over; the drying room stays on"),
    (22.5, "The hut sleeps; fridges, frost heating and the stream's turbine run on"),
    (4.4, "An early party is up: kettles and stove, long before the sun"),
    (6.7, "The early party has left; it is the coldest hour"),
    (7.5, "The sun reaches the roof and slowly warms the battery room"),
    (10.0, "A clear morning, the sun on the whole roof"),
    (11.7, "Lunch, and the batteries near full"),
)


def narrate(bank: SimBank, at_s: float) -> str:
    """Return one line about *bank* at *at_s*: the scene, then what it is doing."""
    minutes = int(STARTS_H * 60 + at_s // 60) % (24 * 60)
    scene = next(words for hour, words in reversed(_SCENES) if at_s >= at_clock(hour))
    doing = [scene, _flow(bank)]
    doing += [words for pack in bank.packs.values() for words in _troubles(pack)]
    if bank.generator_runs:
        doing.append("the diesel set runs")
    return f"{minutes // 60:02d}:{minutes % 60:02d} {'; '.join(doing)}."


def _flow(bank: SimBank) -> str:
    amps = bank.current_a
    if abs(amps) < _FLOWS_A:
        return "the bank rests"
    return f"the bank {'takes' if amps > 0 else 'gives'} {abs(amps):.0f} A"


def _troubles(pack: Pack) -> list[str]:
    reading = pack.reading
    low_mv, cold_dc = min(reading.cells_mv), min(reading.temps_dc)
    words = []
    if low_mv <= _LOW_MV:
        number = reading.cells_mv.index(low_mv) + 1
        words.append(f"cell {number} of {reading.name} is at {low_mv / 1000:.2f} V")
    if reading.charge_limit_da == 0 and cold_dc <= _COLD_C * 10:
        words.append(f"{reading.name} is at {cold_dc / 10:.1f} degC and refuses charge")
    return words


@asynccontextmanager
async def rehearsal(folder: Path) -> AsyncIterator[FernRidge]:
    """Serve the hut until the context is left; its journal lives in *folder*."""
    bank = make_bank()
    devices = {name: Device(partial(_registers, bank.packs[name])) for name in UNITS}
    units = {unit: devices[name] for name, unit in UNITS.items()}
    async with TcpBus(units) as bus:
        yield FernRidge(
            bank=bank,
            bus=bus,
            devices=devices,
            site_text=site_text(bus.port, folder),
        )


def _registers(pack: Pack) -> dict[int, int]:
    return sunspec_image(pack.reading)
