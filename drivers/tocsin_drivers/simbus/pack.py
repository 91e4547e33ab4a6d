"""A battery: cells in series, sensors, a counter that drifts, its own protection."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from random import Random
from typing import TYPE_CHECKING

from tocsin_drivers.simbus.cell import Cell, CellDesign
from tocsin_drivers.simbus.protector import Extremes, Limits, Protector

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.core.model import Flag

CHARGE_LIMIT_C = ((0.0, 0.05), (5.0, 0.10), (10.0, 0.16), (15.0, 0.30), (20.0, 0.50))
"""From that temperature of the coldest cell on (degC), the charge current allowed as a
share of the nameplate. 0.16 at 10 degC: NREL study of large LFP cells, doi
10.1016/j.est.2023.109042; the rest: common practice, no source."""
DISCHARGE_LIMIT_C = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensors:
    """How well a pack knows itself.

    Attributes:
        voltage_noise_mv: Standard deviation, before rounding to 1 mV.
        current_noise_a: Likewise, before rounding to 0.1 A.
        temp_noise_k: Likewise, before rounding to 0.1 degC.
        current_gain: 1.005 reads half a percent too much.
        current_offset_a: Read while nothing flows.
    """

    voltage_noise_mv: float = 0.6
    current_noise_a: float = 0.03
    temp_noise_k: float = 0.02
    current_gain: float = 1.0
    current_offset_a: float = 0.0


EXACT = Sensors(voltage_noise_mv=0, current_noise_a=0, temp_noise_k=0)
"""Rounds, but makes no other error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackDesign:
    """What a pack is made like and how it starts.

    Attributes:
        nameplate_ah: What the label says; its own percent is of this.
        cells: One a series position.
        missing_ah: How far below full every cell starts: a pack whose cells were
            all full at the same time. A smaller cell is then lower in percent.
        ahead_ah: By cell number (from 1), how much a cell is ahead of the others;
            negative is behind.
        wiring_ohm: Of contactor, fuse and cables.
        balance_a: Bleed of a cell near the top; 0 for no balancing.
        counter_pct: What its own counter shows at the start; None for the truth.
    """

    name: str
    cells: tuple[CellDesign, ...]
    nameplate_ah: float = 280.0
    missing_ah: float = 112.0
    ahead_ah: Mapping[int, float] = field(default_factory=dict)
    temp_c: float = 20.0
    wiring_ohm: float = 0.002
    balance_a: float = 0.1
    balance_above_v: float = 3.42
    balance_spread_v: float = 0.01
    limits: Limits = field(default_factory=Limits)
    sensors: Sensors = field(default_factory=Sensors)
    counter_pct: float | None = None
    seed: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PackReading:
    """What the pack publishes, after noise and rounding.

    Attributes:
        current_da: Tenths of an ampere, positive while charging.
        soc_pct: Its own counter, in whole percent.
        charge_limit_da: Charge current it allows now; 0 when it refuses.
        balancing: Numbers of the cells being bled, from 1.
        beat: Seconds it has been alive, back to 0 after 65534: the next value
            would mean "not implemented" on the wire.
    """

    name: str
    cells_mv: tuple[int, ...]
    temps_dc: tuple[int, ...]
    voltage_mv: int
    current_da: int
    soc_pct: int
    nameplate_ah: float
    charge_limit_da: int
    discharge_limit_da: int
    flags: frozenset[Flag]
    balancing: frozenset[int]
    beat: int


def spread_cells(
    count: int,
    design: CellDesign | None = None,
    *,
    seed: int = 1,
    capacity_spread: float = 0.01,
    resistance_spread: float = 0.05,
    weak: Mapping[int, CellDesign] | None = None,
) -> tuple[CellDesign, ...]:
    """Return *count* cells that differ as cells of one batch do.

    Args:
        count: How many.
        design: The typical one.
        seed: The same seed gives the same cells.
        capacity_spread: Standard deviation as a share of the capacity.
        resistance_spread: Likewise of the resistance.
        weak: By cell number (from 1), cells that are something else.

    The cells at the two ends lose heat a quarter faster than those between them.
    """
    rng = Random(seed)  # noqa: S311 - spread of made-up cells, nothing secret
    typical = design or CellDesign()
    cells = []
    for number in range(1, count + 1):
        capacity = typical.capacity_ah * (1 + rng.gauss(0, capacity_spread))
        ohm_ah = typical.ohm_ah * (1 + rng.gauss(0, resistance_spread))
        edge = 1.25 if number in {1, count} else 1.0
        flow = typical.ambient_w_per_k * edge
        plain = replace(
            typical, capacity_ah=capacity, ohm_ah=ohm_ah, ambient_w_per_k=flow
        )
        cells.append((weak or {}).get(number, plain))
    return tuple(cells)


class Pack:
    """One battery, deterministic for a design and a sequence of `advance` calls."""

    def __init__(self, design: PackDesign) -> None:
        if not design.cells:
            raise ValueError(f"{design.name}: a pack needs at least one cell")
        self.design = design
        self.cells = [
            Cell(
                cell,
                soc=1
                - (design.missing_ah - design.ahead_ah.get(number, 0.0))
                / cell.capacity_ah,
                temp_c=design.temp_c,
            )
            for number, cell in enumerate(design.cells, start=1)
        ]
        self.protector = Protector(design.limits)
        self.current_a = 0.0
        self.age_s = 0.0
        shown = design.counter_pct
        self._counted_ah = (
            design.nameplate_ah - design.missing_ah
            if shown is None
            else design.nameplate_ah * shown / 100
        )
        self._rng = Random(f"{design.name}/{design.seed}")  # noqa: S311 - noise
        self._balancing: frozenset[int] = frozenset()
        self._sense()

    @property
    def emf_v(self) -> float:
        """Return the terminal voltage if no current flowed."""
        return sum(cell.emf_v for cell in self.cells)

    def ohm(self, *, charging: bool) -> float:
        """Return the series resistance from terminal to terminal."""
        cells = self.cells
        inside = (
            sum(cell.charge_ohm for cell in cells)
            if charging
            else sum(cell.discharge_ohm for cell in cells)
        )
        return inside + self.design.wiring_ohm

    @property
    def terminal_v(self) -> float:
        """Return the true terminal voltage with the current that flows."""
        return self.emf_v + self.current_a * self.ohm(charging=self.current_a > 0)

    @property
    def counted_ah(self) -> float:
        """Return what the pack's own counter believes is left."""
        return self._counted_ah

    def advance(
        self, dt_s: float, current_a: float, ambient_c: float, heater_w: float = 0.0
    ) -> None:
        """Let *dt_s* pass; *current_a* must respect the open directions.

        Raises:
            ValueError: current in a direction that the protection has opened.
        """
        if current_a > 0 and self.protector.charge_open:
            raise ValueError(f"{self.design.name}: charge is open, {current_a} A given")
        if current_a < 0 and self.protector.discharge_open:
            raise ValueError(f"{self.design.name}: load is open, {current_a} A given")
        self.current_a = current_a
        self.age_s += dt_s
        each_w = heater_w / len(self.cells)
        for number, cell in enumerate(self.cells, start=1):
            bleed = self.design.balance_a if number in self._balancing else 0.0
            cell.advance(dt_s, current_a - bleed, ambient_c, each_w)
        self._sense()
        self._count(dt_s)
        self._balance()
        self._protect(dt_s)

    def _count(self, dt_s: float) -> None:
        sensors = self.design.sensors
        seen_a = self.current_a * sensors.current_gain + sensors.current_offset_a
        counted = self._counted_ah + seen_a * dt_s / 3600
        self._counted_ah = min(max(counted, 0.0), self.design.nameplate_ah)

    def _balance(self) -> None:
        design, cells_mv = self.design, self._cells_mv
        floor_mv = max(
            design.balance_above_v * 1000,
            min(cells_mv) + design.balance_spread_v * 1000,
        )
        wanted = design.balance_a > 0 and self.current_a > 0
        self._balancing = frozenset(
            number
            for number, mv in enumerate(cells_mv, start=1)
            if wanted and mv > floor_mv
        )

    def _sense(self) -> None:
        sensors, gauss, amps = self.design.sensors, self._rng.gauss, self.current_a
        noise_mv, noise_k = sensors.voltage_noise_mv, sensors.temp_noise_k
        volts = [cell.terminal_v(amps) for cell in self.cells]
        self._cells_mv = tuple(
            max(0, round(volt * 1000 + gauss(0, noise_mv))) for volt in volts
        )
        self._temps_dc = tuple(
            round(10 * (cell.temp_c + gauss(0, noise_k))) for cell in self.cells
        )
        seen_a = amps * sensors.current_gain + sensors.current_offset_a
        self._current_da = round(10 * (seen_a + gauss(0, sensors.current_noise_a)))

    def _protect(self, dt_s: float) -> None:
        self.protector.watch(
            dt_s,
            Extremes(
                low_v=min(self._cells_mv) / 1000,
                high_v=max(self._cells_mv) / 1000,
                cold_c=min(self._temps_dc) / 10,
                hot_c=max(self._temps_dc) / 10,
            ),
        )

    @property
    def charge_limit_a(self) -> float:
        """Return the charge current it allows now; 0 while it refuses charge."""
        if self.protector.charge_open:
            return 0.0
        coldest_c = min(self._temps_dc) / 10
        allowed = [share for from_c, share in CHARGE_LIMIT_C if coldest_c >= from_c]
        return self.design.nameplate_ah * max(allowed, default=0.0)

    @property
    def reading(self) -> PackReading:
        """Return what the pack publishes now."""
        guard, nameplate_ah = self.protector, self.design.nameplate_ah
        discharge_c = 0.0 if guard.discharge_open else DISCHARGE_LIMIT_C
        return PackReading(
            name=self.design.name,
            cells_mv=self._cells_mv,
            temps_dc=self._temps_dc,
            voltage_mv=round(1000 * self.terminal_v),
            current_da=self._current_da,
            soc_pct=round(100 * self._counted_ah / nameplate_ah),
            nameplate_ah=nameplate_ah,
            balancing=self._balancing,
            beat=int(self.age_s) % 65_535,
            charge_limit_da=round(10 * self.charge_limit_a),
            discharge_limit_da=round(nameplate_ah * 10 * discharge_c),
            flags=guard.flags,
        )
