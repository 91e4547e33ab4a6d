"""The cell against an equivalent circuit solved by another library.

thevenin (NREL, BSD-3-Clause) integrates the same circuit with an implicit solver of
variable order. Curve, resistance and RC pair are handed to it straight from the
published tables, through numpy, and not through our own code.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import thevenin

from simbus_made import HELD_W_PER_K, cell

# Naumann et al., J. Energy Storage 2018, doi 10.1016/j.est.2018.01.019, and
# J. Power Sources 2020, doi 10.1016/j.jpowsour.2019.227666.
OCV_PCT = (
    0, 1, 2, 3, 5, 7.5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80, 85,
    90, 95, 98, 99, 99.5, 100,
)  # fmt: skip
OCV_V = (
    2.286, 2.783, 2.895, 2.967, 3.065, 3.146, 3.197, 3.212, 3.234, 3.255, 3.270, 3.283,
    3.292, 3.297, 3.299, 3.301, 3.303, 3.306, 3.311, 3.319, 3.334, 3.340, 3.342, 3.345,
    3.349, 3.362, 3.396, 3.530,
)  # fmt: skip
RESISTANCE_PCT = (10, 20, 50, 80, 90)
DISCHARGE_25_MOHM = (61.7, 50.4, 47.8, 46.6, 42.5)
CAPACITY_AH = 280.0
OHM_AH = 0.12
RELAXING_S = 60.0
STEP_S = 2.0


def reference(rate_c: float) -> tuple[Any, Any]:
    """Return times in s and volts of a discharge from 98 %, down to 2.5 V."""

    def total_ohm(soc: Any) -> Any:
        mohm = np.interp(100 * soc, RESISTANCE_PCT, DISCHARGE_25_MOHM)
        return mohm / 47.8 * OHM_AH / CAPACITY_AH

    made = thevenin.Simulation(
        {
            "num_RC_pairs": 1,
            "soc0": 0.98,
            "capacity": CAPACITY_AH,
            "ce": 1.0,
            "gamma": 50.0,
            "mass": 5.4,
            "isothermal": True,
            "Cp": 1000.0,
            "T_inf": 298.15,
            "h_therm": 1.0,
            "A_therm": 1.0,
            "ocv": lambda soc: np.interp(100 * soc, OCV_PCT, OCV_V),
            "M_hyst": lambda _: 0.0095,
            "R0": lambda soc, _: 0.6 * total_ohm(soc),
            "R1": lambda soc, _: 0.4 * total_ohm(soc),
            "C1": lambda soc, _: RELAXING_S / (0.4 * total_ohm(soc)),
        }
    )
    protocol = thevenin.Experiment(max_step=30.0)
    span_s = (0.975 * 3600 / rate_c, STEP_S)
    protocol.add_step("current_C", rate_c, span_s, limits=("voltage_V", 2.5))
    done = made.run(protocol)
    return done.vars["time_s"], done.vars["voltage_V"]


@pytest.mark.parametrize("rate_c", [0.2, 0.5, 1.0])
def test_a_constant_discharge_agrees_with_the_reference(rate_c: float) -> None:
    """Within 6 mV from 98 % down to 2.6 V.

    5.5 mV of it is the hysteresis near empty, which ours takes from the published
    table and the reference holds at its value for half charge; the rest is that ours
    takes resistance in steps of half a percent.
    """
    times_s, volts = reference(rate_c)
    made = cell(soc=0.98, relaxing_s=RELAXING_S, ambient_w_per_k=HELD_W_PER_K)
    amps = -rate_c * CAPACITY_AH
    ours = []
    for before_s, after_s in pairwise(times_s):
        made.advance(float(after_s - before_s), amps, 25.0)
        ours.append(made.terminal_v(amps))
    away_v = np.abs(np.array(ours) - volts[1:])
    assert len(ours) > 1_000
    assert volts[-1] < 2.7
    assert away_v[volts[1:] > 2.6].max() < 0.006
