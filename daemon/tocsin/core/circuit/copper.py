"""Volt drop in copper, and what is left at the load.

Resistance: International Annealed Copper Standard, 0.017241 ohm mm2/m and 0.00393 /K
at 20 degC (NBS Handbook 100). Real cable may have a few per cent more: its strands are
twisted and tinned.
"""

from __future__ import annotations

from math import pi
from typing import TYPE_CHECKING

from tocsin.core.circuit.finding import Check, Finding, Verdict, absent, over, unknown
from tocsin.core.circuit.model import Load

if TYPE_CHECKING:
    from tocsin.core.circuit.model import Circuit

RHO_20 = 0.017241
ALPHA_20 = 0.00393

CRITICAL_PCT, OTHER_PCT = 3.0, 10.0
"""Panel feeders, electronics, navigation lights and bilge blowers; all else: ABYC E-11
as quoted by the trade."""

AREAS = (0.75, 1, 1.5, 2.5, 4, 6, 10, 16, 25, 35, 50, 70, 95, 120)
"""Cross-sections in mm2 that are sold, IEC 60228."""

OPERATE_SHARE, DRIVE_MARGIN, COIL_MOST = 0.8, 1.1, 1.1
"""A coil must pull in at 80 % of its rated volts (relay makers' glossaries); drive it
with 110 % of that (Caltrans, electrical standards for relays); 110 % of the rated volts
at most: common practice, no source."""

DROP_SOURCE = "NBS Handbook 100 (copper), V = 2 rho L I / A; 3 and 10 % after ABYC E-11"
VOLTS_SOURCE = "the protector's cut-offs times cells in series, less the drop"


def awg_mm2(number: int) -> float:
    """Return the cross-section of an AWG size; 1/0 is 0, 4/0 is -3 (ASTM B258).

    Three digits, as tables print it.
    """
    diameter_mm = 0.127 * 92 ** ((36 - number) / 39)
    return float(f"{pi / 4 * diameter_mm * diameter_mm:.3g}")


def rho(conductor_c: float) -> float:
    """Return the resistivity of copper at a temperature, in ohm mm2/m."""
    return RHO_20 * (1 + ALPHA_20 * (conductor_c - 20))


def run_ohm(length_m: float, area_mm2: float, rho_ohm: float = RHO_20) -> float:
    """Return the resistance of both conductors of a cable *length_m* long."""
    return 2 * rho_ohm * length_m / area_mm2


def drop_v(current_a: float, ohm: float) -> float:
    """Return the volts that are lost in *ohm*."""
    return current_a * ohm


def area_mm2(
    current_a: float, length_m: float, lost_v: float, rho_ohm: float = RHO_20
) -> float:
    """Return the cross-section that loses *lost_v* over *length_m*, one way."""
    return 2 * rho_ohm * length_m * current_a / lost_v


def hottest_c(circuit: Circuit) -> float | None:
    """Return the copper's temperature; if not stated, as hot as its insulation may."""
    if circuit.conductor_c is not None:
        return circuit.conductor_c
    return None if circuit.insulation_c is None else float(circuit.insulation_c)


def lost_v(circuit: Circuit) -> float | None:
    """Return the volt drop of a circuit, None where a figure is missing."""
    amps, hot_c = circuit.amps, hottest_c(circuit)
    length, area = circuit.length_m, circuit.area_mm2
    if amps is None or hot_c is None or length is None or area is None:
        return None
    return drop_v(amps, run_ohm(length, area, rho(hot_c)))


def _missing(circuit: Circuit) -> tuple[str, ...]:
    amps = () if circuit.amps is not None else ("load_a",)
    heat = () if hottest_c(circuit) is not None else ("conductor_c",)
    return (*amps, *absent(circuit, "length_m", "area_mm2"), *heat)


def judge_drop(circuit: Circuit) -> Finding | None:
    """Judge the volt drop at the lowest volts of the supply."""
    if circuit.load is Load.SIGNAL:
        return None
    lost, volts = lost_v(circuit), circuit.least_v
    if lost is None or volts is None:
        supply = ("supply_v",) if volts is None else ()
        return unknown(Check.DROP, *_missing(circuit), *supply)
    share = 100 * lost / volts
    limit = CRITICAL_PCT if circuit.is_critical else OTHER_PCT
    verdict = Verdict.FINE
    if over(share, OTHER_PCT):
        verdict = Verdict.UNSAFE
    elif over(share, limit):
        verdict = Verdict.DOUBTFUL
    return Finding(
        check=Check.DROP,
        verdict=verdict,
        key="area_mm2",
        says=f"{lost:.2f} V of {volts:.4g} V are lost in the cable, {share:.1f} %; "
        f"{limit:g} % is the limit",
        change="" if verdict is Verdict.FINE else _thicker(circuit, lost, share, limit),
        source=DROP_SOURCE,
        figures=(("drop_v", lost), ("drop_pct", share), ("limit_pct", limit)),
    )


def _thicker(circuit: Circuit, lost: float, share: float, limit: float) -> str:
    amps, length = circuit.amps or 0, circuit.length_m or 0
    may_lose = lost * limit / share
    need = area_mm2(amps, length, may_lose, rho(hottest_c(circuit) or 0))
    sold = next((area for area in AREAS if not over(need, area)), None)
    if sold is None:
        return "a shorter cable, or a higher supply voltage"
    return f"a cable of {sold:g} mm2 or more"


def working_range(circuit: Circuit) -> tuple[float | None, float | None]:
    """Return the volts between which the load works, stated or known for coils."""
    low, high = circuit.load_min_v, circuit.load_max_v
    if circuit.load is Load.CONTACTOR_COIL and circuit.load_v is not None:
        low = OPERATE_SHARE * DRIVE_MARGIN * circuit.load_v if low is None else low
        high = COIL_MOST * circuit.load_v if high is None else high
    return low, high


def judge_volts(circuit: Circuit) -> Finding | None:
    """Judge the volts at the load from the emptiest to the fullest bank."""
    if circuit.load is Load.SIGNAL:
        return None
    lost, (low, high) = lost_v(circuit), working_range(circuit)
    missing = absent(circuit, "supply_low_v", "supply_high_v")
    missing += _missing(circuit)
    missing += ("load_min_v",) if low is None else ()
    missing += ("load_max_v",) if high is None else ()
    from_v, to_v = circuit.supply_low_v, circuit.supply_high_v
    if lost is None or low is None or high is None or from_v is None or to_v is None:
        return unknown(Check.VOLTS, *missing)
    least = from_v - lost
    figures = (("least_v", least), ("most_v", to_v))
    says = f"the load sees {least:.1f} to {to_v:.1f} V and works from {low:g} to "
    says += f"{high:g} V"
    change, verdict = "", Verdict.FINE
    if over(to_v, high):
        verdict = Verdict.UNSAFE
        change = f"a load for {to_v:.1f} V, or a converter before it"
    elif over(low, least):
        verdict = Verdict.UNSAFE
        change = f"a load that works from {least:.1f} V, a thicker cable or a converter"
    return Finding(
        check=Check.VOLTS,
        verdict=verdict,
        key="load_max_v" if over(to_v, high) else "load_min_v",
        says=says,
        change=change,
        source=VOLTS_SOURCE,
        figures=figures,
    )
