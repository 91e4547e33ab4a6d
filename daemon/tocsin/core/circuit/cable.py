"""What a cable may carry, and the fuse that guards it.

Ampacity: 33 CFR 183.425, Table 5, stranded copper; its 50 degC factors from copies of
the rule by cable distributors. Fuse: 33 CFR 183.455 and IEC 60364 (Ib <= In <= Iz).
"""

from __future__ import annotations

from bisect import bisect_right
from math import sqrt
from typing import TYPE_CHECKING

from tocsin.core.circuit.finding import Check, Finding, Verdict, absent, over, unknown
from tocsin.core.circuit.model import Load, Supply

if TYPE_CHECKING:
    from tocsin.core.circuit.model import Circuit

INSULATIONS_C = (60, 75, 80, 90, 105, 125, 200)

TABLE_5 = (
    ("18", 0.82, (10, 10, 15, 20, 20, 25, 25)),
    ("16", 1.31, (15, 15, 20, 25, 25, 30, 35)),
    ("14", 2.08, (20, 20, 25, 30, 35, 40, 45)),
    ("12", 3.31, (25, 25, 35, 40, 45, 50, 55)),
    ("10", 5.26, (40, 40, 50, 55, 60, 70, 70)),
    ("8", 8.37, (55, 65, 70, 70, 80, 90, 100)),
    ("6", 13.3, (80, 95, 100, 100, 120, 125, 135)),
    ("4", 21.2, (105, 125, 130, 135, 160, 170, 180)),
    ("2", 33.6, (140, 170, 175, 180, 210, 225, 240)),
    ("1", 42.4, (165, 195, 210, 210, 245, 265, 280)),
    ("1/0", 53.5, (195, 230, 245, 245, 285, 305, 325)),
    ("2/0", 67.4, (225, 265, 285, 285, 330, 355, 370)),
    ("4/0", 107, (300, 360, 385, 385, 445, 475, 510)),
)
"""(AWG, mm2, amperes by insulation). Between two rows the smaller one counts. The rule
prints no mm2 for 1 AWG; that one is of ASTM B258."""

COOL_C, ENGINE_SPACE_C = 30, 50
ENGINE_SPACE = (0.58, 0.75, 0.78, 0.82, 0.85, 0.89, 1.0)
"""By insulation; 0.85 as published for 105 degC, the others from memory."""

BUNDLES = ((4, 0.70), (7, 0.60), (25, 0.50))
"""From so many conductors on: this factor (from memory of 33 CFR 183.425)."""

MARGIN = 1.25
"""Fuse over load; common practice, no source (NFPA 70 says it of continuous loads)."""

MOST_OVER_CABLE = 1.5
"""33 CFR 183.455, for circuits below 50 V."""

LOW_VOLTAGE_V = 50

LEADS_OHM = 0.010
"""Cables and joints between cells and fuse, for a fault current that is likely rather
than the most there can be (from memory)."""

CABLE_SOURCE = "33 CFR 183.425 Table 5; above 50 degC NFPA 70 310.15(B)"
FUSE_SOURCE = "IEC 60364 (load <= fuse <= cable); 33 CFR 183.455 (150 % below 50 V)"
BREAKS_SOURCE = "Ohm's law: supply volts over the resistance of the bank's cells"


def heat_factor(insulation_c: int, ambient_c: float) -> float:
    """Return the share of Table 5 that is left at *ambient_c*.

    All of it up to 30 degC, the engine-space factor up to 50; above it no more than
    sqrt((Tc - Ta) / (Tc - 30)), the equation of NFPA 70 310.15(B).
    """
    if ambient_c <= COOL_C:
        return 1.0
    factor = ENGINE_SPACE[INSULATIONS_C.index(insulation_c)]
    if ambient_c <= ENGINE_SPACE_C:
        return factor
    left = max(0.0, (insulation_c - ambient_c) / (insulation_c - COOL_C))
    return min(factor, sqrt(left))


def bundle_factor(bundled: int) -> float:
    """Return the share that is left for conductors that lie side by side."""
    return next((f for least, f in reversed(BUNDLES) if bundled >= least), 1.0)


def ampacity_a(
    area_mm2: float, insulation_c: int, ambient_c: float = COOL_C, bundled: int = 2
) -> float | None:
    """Return what a cable may carry; None for one too thin for the table.

    Raises:
        ValueError: the insulation has no column.
    """
    row = bisect_right(TABLE_5, area_mm2, key=lambda each: each[1]) - 1
    if row < 0:
        return None
    amps = TABLE_5[row][2][INSULATIONS_C.index(insulation_c)]
    return amps * heat_factor(insulation_c, ambient_c) * bundle_factor(bundled)


def fault_a(volts: float, ohm: float) -> float:
    """Return the current of a short circuit."""
    return volts / ohm


def allowed_a(circuit: Circuit) -> float | None:
    """Return what the circuit's cable may carry, None where that is not known."""
    area, insulation = circuit.area_mm2, circuit.insulation_c
    if area is None or insulation is None or circuit.ambient_c is None:
        return None
    return ampacity_a(area, insulation, circuit.ambient_c, circuit.bundled)


def _no_row(circuit: Circuit, check: Check) -> Finding:
    """Return why *allowed_a* is not known."""
    missing = absent(circuit, "area_mm2", "insulation_c", "ambient_c")
    if missing:
        return unknown(check, *missing)
    return Finding(
        check=check,
        verdict=Verdict.UNKNOWN,
        key="area_mm2",
        says=f"{circuit.area_mm2:g} mm2 is below the table, which begins at 0.82 mm2",
        change="a cable of 1 mm2 or more",
        source=CABLE_SOURCE,
    )


def judge_cable(circuit: Circuit) -> Finding | None:
    """Judge what the cable may carry against the load."""
    if circuit.load is Load.SIGNAL:
        return None
    amps, most = circuit.amps, allowed_a(circuit)
    if amps is None:
        missing = absent(circuit, "area_mm2", "insulation_c", "ambient_c")
        return unknown(Check.AMPACITY, "load_a", *missing)
    if most is None:
        return _no_row(circuit, Check.AMPACITY)
    is_over = over(amps, most)
    return Finding(
        check=Check.AMPACITY,
        verdict=Verdict.UNSAFE if is_over else Verdict.FINE,
        key="area_mm2",
        says=f"the cable may carry {most:.3g} A at {circuit.ambient_c:g} degC around "
        f"it; the load takes {amps:g} A",
        change="a thicker cable, or insulation for more heat" if is_over else "",
        source=CABLE_SOURCE,
        figures=(("ampacity_a", most), ("load_a", amps)),
    )


def judge_fuse(circuit: Circuit) -> Finding | None:
    """Judge the fuse between the load, the cable and the supply's volts."""
    if circuit.load is Load.SIGNAL:
        return None
    amps, most = circuit.amps, allowed_a(circuit)
    fuse, volts = circuit.fuse_a, circuit.supply_high_v
    missing = absent(circuit, "fuse_a", "fuse_v", "supply_high_v")
    missing += ("load_a",) if amps is None else ()
    if amps is None or fuse is None or volts is None or circuit.fuse_v is None:
        return unknown(Check.FUSE, *missing)
    if most is None:
        return _no_row(circuit, Check.FUSE)
    verdict, key, change = _fused(amps, fuse, most, volts=volts, fuse_v=circuit.fuse_v)
    return Finding(
        check=Check.FUSE,
        verdict=verdict,
        key=key,
        says=f"a fuse of {fuse:g} A {circuit.fuse_v:g} V for a load of {amps:g} A, on "
        f"a cable for {most:.3g} A, at up to {volts:.1f} V",
        change=change,
        source=FUSE_SOURCE,
        figures=(("least_fuse_a", MARGIN * amps), ("most_fuse_a", most)),
    )


def _fused(
    amps: float, fuse: float, most: float, *, volts: float, fuse_v: float
) -> tuple[Verdict, str, str]:
    between = f"a fuse from {MARGIN * amps:.3g} to {most:.3g} A"
    if over(MARGIN * amps, most):
        between = "a thicker cable first: no fuse fits this load and this cable"
    if over(volts, fuse_v):
        return Verdict.UNSAFE, "fuse_v", f"a fuse for {volts:.1f} V DC or more"
    if over(amps, fuse):
        return Verdict.UNSAFE, "fuse_a", f"{between}: this one opens under the load"
    legal = MOST_OVER_CABLE * most if volts < LOW_VOLTAGE_V else most
    if over(fuse, legal):
        return Verdict.UNSAFE, "fuse_a", f"{between}: the cable burns before this one"
    if over(fuse, most):
        return Verdict.DOUBTFUL, "fuse_a", f"{between}; the law allows 150 %"
    if over(MARGIN * amps, fuse):
        return Verdict.DOUBTFUL, "fuse_a", f"{between}: this one may tire and open"
    return Verdict.FINE, "fuse_a", ""


def judge_fault(circuit: Circuit) -> Finding | None:
    """Judge whether the fuse can break what the bank can drive through a short."""
    if circuit.supply is Supply.CONVERTER or circuit.load is Load.SIGNAL:
        return None
    breaks, ohm = circuit.fuse_breaking_a, circuit.fault_ohm
    volts = circuit.supply_high_v
    if breaks is None or ohm is None or volts is None:
        missing = absent(circuit, "fuse_breaking_a", "supply_high_v")
        bank = ("capacity_ah",) if ohm is None else ()
        return unknown(Check.FUSE_BREAKS, *missing, *bank)
    most, likely = fault_a(volts, ohm), fault_a(volts, ohm + LEADS_OHM)
    verdict, change = Verdict.FINE, ""
    if over(likely, breaks):
        verdict = Verdict.UNSAFE
        change = (
            f"a fuse that breaks {most / 1000:.1f} kA DC, or one upstream that does"
        )
    elif over(most, breaks):
        verdict = Verdict.DOUBTFUL
        change = "the fault current at the fuse, worked out with its leads"
    return Finding(
        check=Check.FUSE_BREAKS,
        verdict=verdict,
        key="fuse_breaking_a",
        says=f"a short circuit draws up to {most / 1000:.1f} kA, about "
        f"{likely / 1000:.1f} kA with usual leads; the fuse breaks "
        f"{breaks / 1000:g} kA",
        change=change,
        source=BREAKS_SOURCE,
        figures=(("fault_most_a", most), ("fault_likely_a", likely)),
    )
