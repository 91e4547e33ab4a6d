"""Cells, packs and banks of the simulated bus, made in one line for tests."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin.core.published import PUBLISHED_OHM_AH
from tocsin_drivers.simbus.bank import SimBank, SiteDesign
from tocsin_drivers.simbus.cell import Cell, CellDesign
from tocsin_drivers.simbus.pack import EXACT, Pack, PackDesign, Sensors, spread_cells

if TYPE_CHECKING:
    from collections.abc import Callable

STILL: dict[str, float] = {"relaxing_share": 0.0, "hysteresis_share": 0.0}
"""A cell whose voltage is its published curve and its published resistance alone."""
HELD_W_PER_K = 1e6
"""Heat flow that holds a cell at the temperature around it."""


def cell(*, soc: float = 0.5, temp_c: float = 25.0, **design: float) -> Cell:
    return Cell(CellDesign(**design), soc=soc, temp_c=temp_c)


def published_cell(*, soc: float, temp_c: float = 25.0) -> Cell:
    return cell(
        soc=soc,
        temp_c=temp_c,
        capacity_ah=100.0,
        ohm_ah=PUBLISHED_OHM_AH,
        ambient_w_per_k=HELD_W_PER_K,
        **STILL,
    )


def pack_design(
    name: str = "left", *, cells: int | tuple[CellDesign, ...] = 16, **changes: Any
) -> PackDesign:
    """A pack of the given cells, or of so many alike, with exact sensors."""
    made = (CellDesign(),) * cells if isinstance(cells, int) else cells
    values: dict[str, Any] = {"sensors": EXACT} | changes
    return PackDesign(name=name, cells=made, **values)


def pack(*, cells: int | tuple[CellDesign, ...] = 16, **changes: Any) -> Pack:
    return Pack(pack_design(cells=cells, **changes))


def parallel(count: int = 2, **changes: Any) -> list[list[PackDesign]]:
    names = [f"pack-{n}" for n in range(1, count + 1)]
    return [[pack_design(name, **changes)] for name in names]


def bank(designs: list[list[PackDesign]], **site: Any) -> SimBank:
    return SimBank(designs, SiteDesign(**site))


def settle(made: Pack, *, seconds: float = 60.0, amps: float = 0.0) -> None:
    """Let time pass in the surroundings the pack already has."""
    for _ in range(round(seconds)):
        made.advance(1.0, amps, made.cells[0].temp_c)


def seconds_until(made: Cell, amps: float, done: Callable[[float], bool]) -> float:
    """Return how long constant current takes until the voltage is *done*."""
    passed_s = 0.0
    while not done(made.terminal_v(amps)):
        made.advance(1.0, amps, made.temp_c)
        passed_s += 1.0
        assert passed_s < 200_000
    return passed_s


def working(amps: float = -20.0, **changes: Any) -> Pack:
    """A pack with common sensors and a weak cell 11, at work for a minute."""
    made = pack(
        cells=spread_cells(16, weak={11: CellDesign(capacity_ah=150)}),
        sensors=Sensors(),
        missing_ah=120,
        **changes,
    )
    settle(made, amps=amps)
    return made
