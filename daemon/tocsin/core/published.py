"""One published LFP/graphite cell: its rested voltage, hysteresis and resistance.

A 3 Ah cell (Naumann et al., J. Energy Storage 2018, doi 10.1016/j.est.2018.01.019;
J. Power Sources 2020, doi 10.1016/j.jpowsour.2019.227666; thesis, TU Munich 2018).
Resistance is taken to a cell of another size by its product with the capacity, in
ohm-ampere-hours.
"""

from __future__ import annotations

from bisect import bisect_right
from math import exp, log, sqrt
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

YEAR_S = 365.25 * 86_400.0

TOP_STEEPER = 2.0
"""Past full the curve is this much steeper than its last piece (from memory)."""

_GRID = 200  # steps of half a percent: every published row lies on one
_KELVIN = 273.15
_COLDEST_C = -30.0  # the Arrhenius line is not carried further than this


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
        slope = (_OCV[_GRID] - _OCV[_GRID - 1]) * TOP_STEEPER
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


def calendar_loss(years: float, *, temp_c: float, soc: float) -> float:
    """Return the share of its capacity that a cell at rest has lost.

    Naumann, Schimpe, Keil, Hesse and Jossen, J. Energy Storage 17 (2018) 153: square
    root of time, Arrhenius, a cubic in the state of charge (0 to 1).
    """
    colder = exp(-17_126 / 8.314 * (1 / (temp_c + _KELVIN) - 1 / 298.15))
    charge = 2.8575 * (soc - 0.5) ** 3 + 0.60225
    return 1.2571e-5 * colder * charge * sqrt(years * YEAR_S)


def cycle_loss(full_cycles: float, *, rate: float, depth: float) -> float:
    """Return the share of its capacity that cycling in the warm has cost.

    Naumann, Spingler and Jossen, J. Power Sources 451 (2020) 227666: square root of
    the equivalent full cycles, *rate* in multiples of 1C, *depth* 0 to 1.
    """
    speed = 0.063 * rate + 0.0971
    return speed * (4.0253 * (depth - 0.6) ** 3 + 1.0923) * sqrt(full_cycles) / 100


def calendar_growth(years: float, *, temp_c: float) -> float:
    """Return the share by which the resistance of a cell at rest has grown.

    1.7 % a year at 25 degC, 71.8 kJ/mol, in proportion to time: same source as
    `calendar_loss`.
    """
    return 0.017 * years * exp(-71_800 / 8.314 * (1 / (temp_c + _KELVIN) - 1 / 298.15))
