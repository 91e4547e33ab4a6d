"""A cell for traces of weeks: rest voltage from PyBaMM, the rest in a few lines.

The potentials are those of `truth` (Prada et al. 2013, or the graphite of Safari and
Delacourt 2011). In place of the diffusion equation the surface of the particles follows
two lagged means of the current; resistance, hysteresis and heat are as in `truth`. It
is kinder than SPMe at large currents, and much faster.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import exp

import pybamm
from tests.forecast.truth import KELVIN, arrhenius, parameters

STEPS = 2_000
BEYOND = 0.05
"""Of the capacity: the table goes on so far beyond empty and full."""
TRANSFER = 1.8
"""Charge transfer and electrolyte, on top of the series resistance."""
LAGS_S = (90.0, 800.0)
SURFACE_H = 0.05


@cache
def _rest(graphite: int) -> tuple[float, ...]:
    """Return volts at rest, from `BEYOND` below empty to as much above full."""
    values = parameters(graphite, 1.0)
    x_empty, x_full, y_full, y_empty = pybamm.lithium_ion.get_min_max_stoichiometries(
        values
    )
    negative = values["Negative electrode OCP [V]"]
    positive = values["Positive electrode OCP [V]"]
    table = list[float]()
    for n in range(STEPS + 1):
        soc = n / STEPS * (1 + 2 * BEYOND) - BEYOND
        x = max(0.001, x_empty + soc * (x_full - x_empty))
        y = min(0.999, max(0.0005, y_empty + soc * (y_full - y_empty)))
        volts = values.evaluate(positive(pybamm.Scalar(y))) - values.evaluate(
            negative(pybamm.Scalar(x))
        )
        table.append(float(volts))
    return tuple(table)


@dataclass(kw_only=True)
class QuickCell:
    """One cell; copies made with `dataclasses.replace` go on by themselves.

    Attributes:
        capacity_ah: What it holds between 2.0 and 3.6 V, slowly.
        ohm_ah: Series resistance at 25 degC times capacity.
        hysteresis_v: Half-width.
    """

    capacity_ah: float
    soc: float
    graphite: int = 0
    diffusion: float = 1.0
    ohm_ah: float = 0.07
    hysteresis_v: float = 0.009
    temp_c: float = 20.0
    heat_j_per_k: float = 4_100.0
    to_ambient_w_per_k: float = 0.25
    turned: float = 0.0
    volts: float = 0.0
    fast_a: float = 0.0
    slow_a: float = 0.0

    def step(
        self, current_a: float, dt_s: float, ambient_c: float, *, rows: int
    ) -> list[float]:
        """Carry on at *current_a* (positive while charging); volts at equal times."""
        temp_k = self.temp_c + KELVIN
        ohm = self.ohm_ah / self.capacity_ah * arrhenius(20_000, temp_k)
        lead_h = SURFACE_H / self.diffusion * arrhenius(30_000, temp_k)
        each_s = dt_s / rows
        part = current_a * each_s / 3600 / self.capacity_ah
        turns = min(1.0, abs(part) / 0.015)
        fast, slow = (1 - exp(-each_s / lag_s) for lag_s in LAGS_S)
        table = _rest(self.graphite)
        volts = []
        for _ in range(rows):
            self.soc += part
            self.fast_a += (current_a - self.fast_a) * fast
            self.slow_a += (current_a - self.slow_a) * slow
            self.turned += turns * ((1 if part > 0 else -1) - self.turned)
            lead_ah = lead_h * (0.4 * self.fast_a + 0.6 * self.slow_a)
            place = (self.soc + lead_ah / self.capacity_ah + BEYOND) / (1 + 2 * BEYOND)
            at = min(1.0, max(0.0, place)) * STEPS
            n = min(int(at), STEPS - 1)
            rest_v = table[n] + (at - n) * (table[n + 1] - table[n])
            volts.append(
                rest_v + current_a * ohm * TRANSFER + self.turned * self.hysteresis_v
            )
        self.volts = volts[-1]
        heat_w = current_a * current_a * ohm * TRANSFER
        loss_w = (self.temp_c - ambient_c) * self.to_ambient_w_per_k
        self.temp_c += (heat_w - loss_w) * dt_s / self.heat_j_per_k
        return volts
