"""One LFP cell: open-circuit curve, hysteresis, resistance, relaxation and heat.

Signs: current is positive while charging. Units are in the names; floats are welcome.

Open-circuit voltage, hysteresis and resistance are those of `tocsin.core.published`.

Not modelled: ageing, plating, self-discharge, and the change of the open-circuit
voltage with temperature (at most 4 mV for 30 K in the middle of the curve).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import exp

from tocsin.core.published import (
    PUBLISHED_OHM_AH,
    hysteresis_v,
    open_circuit_v,
    published_ohm_ah,
)


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
