"""Driver ``simulated``: a quiet, healthy bank in this process, for a first site file.

Each pack stands alone, starts at half charge and 20 degC, and has a load that comes and
goes. A little more charge is on offer than the load takes, so over days the pack fills
and is then held below its knee. Time is the running loop's.
"""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from tocsin.core.model import Sample
from tocsin.ports import DriverError
from tocsin_drivers.simbus.bank import Charger, SimBank, SiteDesign
from tocsin_drivers.simbus.pack import PackDesign, PackReading, spread_cells
from tocsin_drivers.simbus.profiles import Cycle, Steady

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Sequence

    from tocsin.ports import SourceSpec

LONGEST_CATCH_UP_S = 3_600.0
"""After a longer pause the bank goes on from where it was: nobody watched it."""
LOAD_W_PER_CELL = 40.0
OFFERED_SHARE = 0.55
"""Of the load that is on half the time: what is lost on the way comes back too."""
REGULATED_V_PER_CELL = 3.40


def sample_of(reading: PackReading) -> Sample:
    """Return what a pack publishes in the core's words."""
    cells = tuple(
        (f"cell {number}", f"simulated cell {number}")
        for number in range(1, len(reading.cells_mv) + 1)
    )
    return Sample(
        cells_mv=reading.cells_mv,
        temps_dc=reading.temps_dc,
        current_ma=reading.current_da * 100,
        voltage_mv=reading.voltage_mv,
        soc_permille=reading.soc_pct * 10,
        charge_limit_ma=reading.charge_limit_da * 100,
        discharge_limit_ma=reading.discharge_limit_da * 100,
        flags=reading.flags,
        beat=reading.beat,
        origin=cells,
    )


class _Simulated:
    """A bank of its own for every pack, moved on whenever it is read."""

    def __init__(self, specs: Sequence[SourceSpec]) -> None:
        self._packs = {spec.name: _SimulatedPack(spec) for spec in specs}

    @asynccontextmanager
    async def open(self, name: str) -> AsyncIterator[_SimulatedPack]:
        """Return the pack called *name*; it always answers."""
        if name not in self._packs:
            raise DriverError(f"no simulated pack is called {name}")
        yield self._packs[name]


class _SimulatedPack:
    def __init__(self, spec: SourceSpec) -> None:
        seed = int(spec.options.get("seed", 1))
        cells = spread_cells(spec.cells, seed=seed, capacity_spread=0.002)
        design = PackDesign(name=spec.name, cells=cells, missing_ah=140, seed=seed)
        load_w = LOAD_W_PER_CELL * spec.cells
        charger = Charger(absorption_v=REGULATED_V_PER_CELL * spec.cells, limit_a=100)
        self._bank = SimBank(
            [[design]],
            SiteDesign(
                loads_w={"": Cycle(on_s=600, off_s=600, value=load_w)},
                sources_w={"sun": Steady(value=load_w * OFFERED_SHARE)},
                charger=charger,
            ),
        )
        self._name = spec.name
        self._then_s: float | None = None

    async def read(self) -> Sample:
        """Return the pack as it is now."""
        now_s = asyncio.get_running_loop().time()
        passed_s = 1.0 if self._then_s is None else now_s - self._then_s
        self._then_s = now_s
        self._bank.advance(self._bank.now_s + min(passed_s, LONGEST_CATCH_UP_S))
        return sample_of(self._bank.packs[self._name].reading)


def build(specs: Sequence[SourceSpec]) -> _Simulated:
    """Return a simulated bank of every pack in *specs*; option ``seed``.

    Raises:
        ValueError: an option that this driver does not know.
    """
    for spec in specs:
        if unknown := sorted(set(spec.options) - {"seed"}):
            raise ValueError(
                f"pack {spec.name}: the driver simulated has no {unknown[0]}"
            )
    return _Simulated(specs)
