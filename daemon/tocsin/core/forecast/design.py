"""What a forecast begins with: the pack as it was built, and an empty bin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.core.forecast.curve import arrhenius

if TYPE_CHECKING:
    from tocsin.core.forecast.curve import Curve

OHMIC_J, OHMIC_WARM_J = 25e3, 12e3
"""Activation energies of resistance, below and above 25 degC, per mole: LFP cells lie
between 17 and 54 kJ from 10 to 25 degC, at 11 to 12 from 25 to 40 (derived from Naumann
et al., J. Energy Storage 2018)."""
WARM_C = 25.0


def slower(temp_c: float) -> float:
    """Return by how much a cell resists more than at 25 degC."""
    return arrhenius(OHMIC_J if temp_c < WARM_C else OHMIC_WARM_J, temp_c)


@dataclass(frozen=True, slots=True)
class Design:
    """What the forecast is told of a pack; all else it learns.

    Attributes:
        ohm_ah: Resistance times capacity to begin with.
        lead_s: The lead asked for.
        charger_v: Where the chargers hold the pack; None if it is not known.
        hot_c, hot_load_c: Where it is too hot to charge, and to discharge; None if no
            rule says so.
    """

    curve: Curve
    nameplate_ah: float
    ohm_ah: float
    low_v: float
    high_v: float
    cold_c: float
    lead_s: float
    charger_v: float | None = None
    hot_c: float | None = None
    hot_load_c: float | None = None


@dataclass(slots=True)
class Sums:
    """What a bin has gathered: volts per cell, the current and its lagged means."""

    volts: list[float]
    current_a: float = 0.0
    fast_a: float = 0.0
    slow_a: float = 0.0
    count: int = 0
    begun_s: float = 0.0
    begun_ah: float = 0.0
