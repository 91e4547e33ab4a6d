"""Cells that nobody tuned the forecast to: PyBaMM's SPMe with published LFP values.

Parameters: Prada et al., J. Electrochem. Soc. 160 (2013) A616, as PyBaMM ships them.
That set is kinder than life, so Arrhenius diffusion and conductivity (activation
energies of the BPX example set, Faraday Institution, 2022), a series resistance, a
hysteresis of one state and a heat balance are added; a variant takes the graphite
potential of Safari and Delacourt, J. Electrochem. Soc. 158 (2011) A562 (its formula
from memory).
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from functools import cache
from math import exp
from typing import Any

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")

import pybamm

pybamm.set_logging_level("ERROR")

GAS = 8.314
KELVIN = 273.15
WARM_K = 298.15
SET_AH = 2.3
"""Nominal capacity of the parameter set; every cell is scaled from it."""


def arrhenius(joule_per_mol: float, temp_k: float) -> float:
    """Return the factor by which a resistance at 25 degC grows."""
    return exp(joule_per_mol / GAS * (1 / temp_k - 1 / WARM_K))


def _slower(value: float, joule_per_mol: float) -> Any:
    def diffusivity(_: Any, temp_k: Any) -> Any:
        return value * pybamm.exp(joule_per_mol / GAS * (1 / WARM_K - 1 / temp_k))

    return diffusivity


def _graphite_2011(x: Any) -> Any:
    tanh = pybamm.tanh
    return (
        0.6379
        + 0.5416 * pybamm.exp(-305.5309 * x)
        + 0.044 * tanh(-(x - 0.1958) / 0.1088)
        - 0.1978 * tanh((x - 1.0571) / 0.0854)
        - 0.6875 * tanh((x + 0.0117) / 0.0529)
        - 0.0175 * tanh((x - 0.5692) / 0.0875)
    )


def parameters(graphite: int, diffusion: float) -> Any:
    """Return the parameter set, with what cold does to it."""
    values = pybamm.ParameterValues("Prada2013")
    conductivity = values["Electrolyte conductivity [S.m-1]"]

    def cold_conductivity(c: Any, temp_k: Any) -> Any:
        colder = pybamm.exp(17_100 / GAS * (1 / WARM_K - 1 / temp_k))
        return conductivity(c, WARM_K) * colder

    values.update(
        {
            "Current function [A]": "[input]",
            "Ambient temperature [K]": "[input]",
            "Upper voltage cut-off [V]": 3.6,
            "Lower voltage cut-off [V]": 2.0,
            "Negative particle diffusivity [m2.s-1]": _slower(
                values["Negative particle diffusivity [m2.s-1]"] * diffusion, 30_000
            ),
            "Positive particle diffusivity [m2.s-1]": _slower(
                values["Positive particle diffusivity [m2.s-1]"] * diffusion, 30_000
            ),
            "Electrolyte conductivity [S.m-1]": cold_conductivity,
        }
    )
    if graphite:
        values.update({"Negative electrode OCP [V]": _graphite_2011})
    return values


@cache
def _built(graphite: int, diffusion: float, soc_permille: int) -> Any:
    model = pybamm.lithium_ion.SPMe({"operating mode": "current"})
    model.events = []
    simulation = pybamm.Simulation(
        model, parameter_values=parameters(graphite, diffusion)
    )
    start = {"Current function [A]": 0.0, "Ambient temperature [K]": WARM_K}
    simulation.build(initial_soc=soc_permille / 1000, inputs=start)
    return simulation.built_model


@dataclass(kw_only=True)
class TrueCell:
    """One cell; copies made with `dataclasses.replace` go on by themselves.

    Attributes:
        capacity_ah: What it holds between 2.0 and 3.6 V, slowly.
        ohm_ah: Series resistance at 25 degC times capacity, besides the model's own.
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
    solution: Any = None
    turned: float = 0.0
    volts: float = 0.0
    solver: Any = field(
        default_factory=lambda: pybamm.CasadiSolver(mode="fast", atol=1e-5, rtol=1e-4)
    )

    def step(
        self, current_a: float, dt_s: float, ambient_c: float, *, rows: int
    ) -> list[float]:
        """Carry on at *current_a* (positive while charging); volts at equal times."""
        temp_k = self.temp_c + KELVIN
        model = _built(self.graphite, self.diffusion, round(self.soc * 1000))
        scaled_a = -current_a * SET_AH / self.capacity_ah
        self.solution = self.solver.step(
            self.solution,
            model,
            dt_s,
            t_eval=[*(dt_s * k / rows for k in range(rows)), dt_s],
            save=False,
            inputs={
                "Current function [A]": scaled_a,
                "Ambient temperature [K]": temp_k,
            },
        )
        inner = self.solution["Voltage [V]"].entries
        ohm = self.ohm_ah / self.capacity_ah * arrhenius(20_000, temp_k)
        volts = []
        for k in range(1, rows + 1):
            part = current_a * dt_s / rows / 3600 / self.capacity_ah / 0.015
            self.turned += abs(part) * ((1 if part > 0 else -1) - self.turned)
            volts.append(
                float(inner[k]) + current_a * ohm + self.turned * self.hysteresis_v
            )
        self.volts = volts[-1]
        heat_w = current_a * current_a * ohm * 2
        loss_w = (self.temp_c - ambient_c) * self.to_ambient_w_per_k
        self.temp_c += (heat_w - loss_w) * dt_s / self.heat_j_per_k
        return volts
