"""One LFP cell: open-circuit curve, hysteresis, resistance, relaxation and heat.

Signs: current is positive while charging. Units are in the names; floats are welcome.

Open-circuit voltage, hysteresis and resistance are published values of a 3 Ah
LFP/graphite cell (Naumann et al., J. Energy Storage 2018,
doi 10.1016/j.est.2018.01.019; J. Power Sources 2020,
doi 10.1016/j.jpowsour.2019.227666; thesis, TU Munich 2018). Resistance is taken to a
cell of another size by its product with the capacity, in ohm-ampere-hours.

Not modelled: ageing, plating, self-discharge, and the change of the open-circuit
voltage with temperature (at most 4 mV for 30 K in the middle of the curve).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from math import exp, log
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

OCV_PCT_V = (
    (0, 2.286),
    (1, 2.783),
    (2, 2.895),
    (3, 2.967),
    (5, 3.065),
    (7.5, 3.146),
    (10, 3.197),
    (15, 3.212),
    (20, 3.234),
    (25, 3.255),
    (30, 3.270),
    (35, 3.283),
    (40, 3.292),
    (45, 3.297),
    (50, 3.299),
    (55, 3.301),
    (60, 3.303),
    (65, 3.306),
    (70, 3.311),
    (75, 3.319),
    (80, 3.334),
    (85, 3.340),
    (90, 3.342),
    (95, 3.345),
    (98, 3.349),
    (99, 3.362),
    (99.5, 3.396),
    (100, 3.530),
)
"""State of charge in percent, volts at 25 degC, mean of charge and discharge."""

HYSTERESIS_PCT_MV = (
    (0, 30),
    (4, 30),
    (5, 29),
    (35, 25),
    (45, 19),
    (65, 19),
    (66, 20),
    (78, 22),
    (83, 18),
    (95, 17),
    (99, 22),
    (100, 22),
)
"""Published width between the branches. The source does not say half or full."""

RESISTANCE_TEMPS_C = (10.0, 25.0, 40.0)
RESISTANCE_PCT = (10, 20, 50, 80, 90)
CHARGE_MOHM = (
    (53.6, 59.2, 62.6, 69.2, 80.7),
    (37.6, 41.4, 44.8, 46.8, 53.4),
    (30.5, 33.1, 35.2, 35.6, 40.0),
)
"""Rows: the temperatures; columns: the states of charge. Of the 3 Ah cell."""
DISCHARGE_MOHM = (
    (195.0, 80.8, 69.4, 64.8, 61.4),
    (61.7, 50.4, 47.8, 46.6, 42.5),
    (44.1, 38.4, 38.4, 37.7, 34.0),
)
PUBLISHED_AH = 3.0
PUBLISHED_OHM_AH = 0.0478 * PUBLISHED_AH
"""Discharge resistance at 50 % and 25 degC times capacity: what a design scales."""

_GRID = 200  # steps of half a percent: every published row lies on one
_KELVIN = 273.15
_COLDEST_C = -30.0  # the Arrhenius line is not carried further than this
_TOP_STEEPER = 2.0  # past full the curve climbs faster still (from memory)


def interpolate(rows: Sequence[tuple[float, float]], x: float) -> float:
    """Return the piecewise linear value at *x*, the end values outside."""
    if x <= rows[0][0]:
        return rows[0][1]
    if x >= rows[-1][0]:
        return rows[-1][1]
    i = bisect_right(rows, x, key=lambda row: row[0])
    (x0, y0), (x1, y1) = rows[i - 1], rows[i]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def _on_grid(rows: Sequence[tuple[float, float]]) -> tuple[float, ...]:
    return tuple(interpolate(rows, 100 * i / _GRID) for i in range(_GRID + 1))


def _log_ohm_ah(table: Sequence[Sequence[float]]) -> tuple[tuple[float, ...], ...]:
    return tuple(
        tuple(
            log(mohm / 1000 * PUBLISHED_AH)
            for mohm in _on_grid(tuple(zip(RESISTANCE_PCT, row, strict=True)))
        )
        for row in table
    )


_OCV = _on_grid(OCV_PCT_V)
_HYSTERESIS = tuple(mv / 1000 for mv in _on_grid(HYSTERESIS_PCT_MV))
_CHARGE = _log_ohm_ah(CHARGE_MOHM)
_DISCHARGE = _log_ohm_ah(DISCHARGE_MOHM)
_INVERSE_K = tuple(1 / (t + _KELVIN) for t in RESISTANCE_TEMPS_C)


def open_circuit_v(soc: float) -> float:
    """Return the rested voltage at *soc* (0 to 1), without hysteresis.

    Below empty and past full the end slopes are carried on, never below 0 V.
    """
    at = soc * _GRID
    if at >= _GRID:
        slope = (_OCV[_GRID] - _OCV[_GRID - 1]) * _TOP_STEEPER
        return _OCV[_GRID] + (at - _GRID) * slope
    if at <= 0:
        return max(0.0, _OCV[0] + at * (_OCV[1] - _OCV[0]))
    i = int(at)
    return _OCV[i] + (at - i) * (_OCV[i + 1] - _OCV[i])


def hysteresis_v(soc: float) -> float:
    """Return the published width of the hysteresis at *soc*, in volts."""
    return _HYSTERESIS[min(max(round(soc * _GRID), 0), _GRID)]


def published_ohm_ah(soc: float, temp_c: float, *, charging: bool) -> float:
    """Return resistance times capacity, in ohm-ampere-hours.

    Between the published temperatures, and beyond them down to -30 degC, the
    logarithm runs straight over the inverse temperature (Arrhenius).
    """
    i = min(max(int(soc * _GRID), 0), _GRID)
    table = _CHARGE if charging else _DISCHARGE
    inverse = 1 / (max(temp_c, _COLDEST_C) + _KELVIN)
    low = 0 if inverse > _INVERSE_K[1] else 1
    a, b = table[low][i], table[low + 1][i]
    share = (inverse - _INVERSE_K[low]) / (_INVERSE_K[low + 1] - _INVERSE_K[low])
    return exp(a + share * (b - a))


@lru_cache(maxsize=512)
def _decay(dt_s: float, tau_s: float) -> float:
    return exp(-dt_s / tau_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class CellDesign:
    """What a cell is made like.

    Attributes:
        capacity_ah: What it really holds, not its nameplate.
        ohm_ah: Resistance at 50 %, 25 degC, discharging, times capacity; the
            published tables give its shape. Large prismatic cells: 0.10 to 0.14
            (from memory).
        relaxing_share: Part of the resistance that builds up slowly (one RC pair).
        relaxing_s: Its time constant.
        hysteresis_share: Half-width of the hysteresis as a share of the published
            width. 0.5 reads the published figure as the full width.
        hysteresis_turn: Share of the capacity that must flow for the hysteresis to
            turn by a factor e.
        mass_kg: 5.4 kg is a 280 Ah cell (from memory).
        heat_j_per_kg_k: Published as 999 to 1001 for LFP.
        ambient_w_per_k: Heat flow to the surroundings; 0 is adiabatic.
    """

    capacity_ah: float = 280.0
    ohm_ah: float = 0.12
    relaxing_share: float = 0.4
    relaxing_s: float = 60.0
    hysteresis_share: float = 0.5
    hysteresis_turn: float = 0.02
    mass_kg: float = 5.4
    heat_j_per_kg_k: float = 1000.0
    ambient_w_per_k: float = 0.2

    def __post_init__(self) -> None:
        """Refuse what cannot be a cell.

        Raises:
            ValueError: capacity, resistance, mass or a time constant is not positive.
        """
        wrong = [
            name
            for name in ("capacity_ah", "ohm_ah", "relaxing_s", "mass_kg")
            if getattr(self, name) <= 0
        ]
        if wrong:
            raise ValueError(f"a cell needs a positive {', '.join(wrong)}")


class Cell:
    """The state of one cell.

    Attributes:
        charge_ah: Ampere-hours above empty.
        temp_c: One temperature for the whole cell.
        emf_v: Terminal voltage if no current flowed at this moment.
        charge_ohm: Series resistance now, while charging.
        discharge_ohm: Likewise while discharging.
        heat_j: Heat released inside so far.
    """

    __slots__ = (
        "_heat_capacity",
        "_relaxing_v",
        "_turn",
        "charge_ah",
        "charge_ohm",
        "design",
        "discharge_ohm",
        "emf_v",
        "heat_j",
        "temp_c",
    )

    def __init__(self, design: CellDesign, *, soc: float, temp_c: float) -> None:
        self.design = design
        self.charge_ah = soc * design.capacity_ah
        self.temp_c = temp_c
        self.heat_j = 0.0
        self._relaxing_v = 0.0
        self._turn = 0.0
        self._heat_capacity = design.mass_kg * design.heat_j_per_kg_k
        self._refresh()

    @property
    def soc(self) -> float:
        """Return the true state of charge; 1 is full, and it may leave 0 to 1."""
        return self.charge_ah / self.design.capacity_ah

    @property
    def relaxing_j(self) -> float:
        """Return the energy held in the RC pair."""
        ohm = self._relaxing_ohm(charging=self._relaxing_v > 0)
        return 0.5 * self.design.relaxing_s / ohm * self._relaxing_v**2

    def terminal_v(self, current_a: float) -> float:
        """Return the voltage at the terminals while *current_a* flows."""
        ohm = self.charge_ohm if current_a > 0 else self.discharge_ohm
        return self.emf_v + current_a * ohm

    def advance(
        self, dt_s: float, current_a: float, ambient_c: float, heater_w: float = 0.0
    ) -> None:
        """Let *dt_s* pass with constant current, surroundings and heater power."""
        design = self.design
        charging = current_a > 0
        ohm = self.charge_ohm if charging else self.discharge_ohm
        relaxing_ohm = self._relaxing_ohm(charging=charging)
        half = design.hysteresis_share * hysteresis_v(self.soc)

        before_v = self._relaxing_v
        keep = _decay(dt_s, design.relaxing_s)
        self._relaxing_v = before_v * keep + current_a * relaxing_ohm * (1 - keep)
        middle_v = (before_v + self._relaxing_v) / 2
        before_turn = self._turn
        self.charge_ah += current_a * dt_s / 3600
        if current_a:
            moved = abs(current_a) * dt_s / 3600 / design.capacity_ah
            keep = exp(-moved / design.hysteresis_turn)
            goal = 1.0 if charging else -1.0
            self._turn = goal + (before_turn - goal) * keep

        heat_w = current_a * current_a * ohm + middle_v * middle_v / relaxing_ohm
        heat_w += current_a * half * (before_turn + self._turn) / 2
        self.heat_j += heat_w * dt_s
        self._warm(dt_s, heat_w + heater_w, ambient_c)
        self._refresh()

    def _relaxing_ohm(self, *, charging: bool) -> float:
        ohm = self.charge_ohm if charging else self.discharge_ohm
        share = self.design.relaxing_share
        return max(ohm * share / (1 - share), 1e-12)

    def _warm(self, dt_s: float, power_w: float, ambient_c: float) -> None:
        flow = self.design.ambient_w_per_k
        if not flow:
            self.temp_c += power_w * dt_s / self._heat_capacity
            return
        settled_c = ambient_c + power_w / flow
        keep = _decay(dt_s, self._heat_capacity / flow)
        self.temp_c = settled_c + (self.temp_c - settled_c) * keep

    def _refresh(self) -> None:
        design = self.design
        soc = self.soc
        scale = (
            design.ohm_ah
            / PUBLISHED_OHM_AH
            * (1 - design.relaxing_share)
            / design.capacity_ah
        )
        temp_c = self.temp_c
        self.charge_ohm = scale * published_ohm_ah(soc, temp_c, charging=True)
        self.discharge_ohm = scale * published_ohm_ah(soc, temp_c, charging=False)
        half = design.hysteresis_share * hysteresis_v(soc)
        emf_v = open_circuit_v(soc) + self._turn * half + self._relaxing_v
        self.emf_v = max(0.0, emf_v)
