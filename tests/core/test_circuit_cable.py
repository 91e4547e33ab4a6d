"""Ampacity row for row, derating, and the fuse between load and cable."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from circuit_stated import without
from tocsin.core.circuit import Circuit, Load, Supply, Verdict
from tocsin.core.circuit.cable import (
    INSULATIONS_C,
    ampacity_a,
    bundle_factor,
    fault_a,
    heat_factor,
    judge_cable,
    judge_fault,
    judge_fuse,
)
from tocsin.core.circuit.copper import awg_mm2

TABLE_5 = """\
 18 0.82  10  10  15  20  20  25  25
 16 1.31  15  15  20  25  25  30  35
 14 2.08  20  20  25  30  35  40  45
 12 3.31  25  25  35  40  45  50  55
 10 5.26  40  40  50  55  60  70  70
  8 8.37  55  65  70  70  80  90 100
  6 13.3  80  95 100 100 120 125 135
  4 21.2 105 125 130 135 160 170 180
  2 33.6 140 170 175 180 210 225 240
  1 42.4 165 195 210 210 245 265 280
  0 53.5 195 230 245 245 285 305 325
 -1 67.4 225 265 285 285 330 355 370
 -3  107 300 360 385 385 445 475 510
"""
"""33 CFR 183.425, table 5: AWG (1/0 is 0), mm2, amperes at 60 to 200 degC. The mm2 of
1 AWG is of ASTM B258."""

ROWS = [row.split() for row in TABLE_5.splitlines()]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: str(row[0]))
def test_table_5_row_for_row(row: list[str]) -> None:
    awg, area, *amps = row
    assert awg_mm2(int(awg)) == float(area) or awg == "18"
    for given in (awg_mm2(int(awg)), float(area)):
        said = [ampacity_a(given, insulation) for insulation in INSULATIONS_C]
        assert said == [float(each) for each in amps]


def test_between_two_rows_the_smaller_one_counts() -> None:
    for lower, upper in pairwise(ROWS):
        just_below = float(upper[1]) - 0.001
        assert ampacity_a(just_below, 75) == float(lower[3])
        assert ampacity_a(float(upper[1]), 75) == float(upper[3])
        assert ampacity_a(float(upper[1]) + 0.001, 75) == float(upper[3])


def test_a_cable_below_the_table_is_not_guessed() -> None:
    assert ampacity_a(0.75, 75) is None
    assert ampacity_a(0.819, 75) is None
    assert ampacity_a(0.82, 75) == 10


FACTORS_50 = {60: 0.58, 75: 0.75, 80: 0.78, 90: 0.82, 105: 0.85, 125: 0.89, 200: 1.0}
"""0.85: 33 CFR 183.425; the others from memory of the same rule."""


@pytest.mark.parametrize(("insulation", "factor"), FACTORS_50.items())
def test_heat_takes_its_share(insulation: int, factor: float) -> None:
    assert heat_factor(insulation, 29.9) == heat_factor(insulation, 30) == 1
    assert heat_factor(insulation, 30.1) == heat_factor(insulation, 50) == factor
    assert heat_factor(insulation, 50.1) <= factor
    assert heat_factor(insulation, insulation) == 0
    assert heat_factor(insulation, insulation + 0.1) == 0


def test_the_engine_space_factors_are_the_equation_of_nfpa_70() -> None:
    """NFPA 70 310.15(B): sqrt((Tc - Ta) / (Tc - 30)), but for 200 degC."""
    for insulation, factor in FACTORS_50.items():
        if insulation < 200:
            equation = ((insulation - 50) / (insulation - 30)) ** 0.5
            assert factor == pytest.approx(equation, abs=0.008)


@pytest.mark.parametrize(
    ("bundled", "factor"),
    [(1, 1), (3, 1), (4, 0.7), (6, 0.7), (7, 0.6), (24, 0.6), (25, 0.5), (26, 0.5)],
)
def test_a_bundle_takes_its_share(bundled: int, factor: float) -> None:
    """33 CFR 183.425, from memory."""
    assert bundle_factor(bundled) == factor


FAA_FUSES = {18: 10, 16: 10, 14: 15, 12: 20, 10: 30, 8: 50, 6: 70, 4: 70, 2: 100}
"""FAA AC 43.13-1B, wire and fuse that go together."""


@pytest.mark.parametrize(("awg", "fuse"), FAA_FUSES.items())
def test_the_fuses_of_the_faa_are_not_too_large_for_their_wire(
    awg: int, fuse: int
) -> None:
    found = judge_fuse(replace(CIRCUIT, area_mm2=awg_mm2(awg), fuse_a=fuse, load_a=1))
    assert found is not None
    assert found.verdict is Verdict.FINE


CIRCUIT = Circuit(
    supply=Supply.BANK,
    supply_low_v=11.2,
    supply_high_v=15,
    fault_ohm=0.0064,
    load=Load.HEATER,
    load_a=8,
    area_mm2=2.08,
    insulation_c=60,
    ambient_c=30,
    fuse_a=10,
    fuse_v=32,
    fuse_breaking_a=5_000,
)
"""Its cable may carry 20 A."""


@pytest.mark.parametrize(
    ("amps", "verdict"),
    [(19.9, Verdict.FINE), (20, Verdict.FINE), (20.1, Verdict.UNSAFE)],
)
def test_the_load_stays_within_the_cable(amps: float, verdict: Verdict) -> None:
    found = judge_cable(replace(CIRCUIT, load_a=amps))
    assert found is not None
    assert found.verdict is verdict


@pytest.mark.parametrize(
    ("fuse", "verdict"),
    [
        (7.9, Verdict.UNSAFE),
        (8, Verdict.DOUBTFUL),
        (8.1, Verdict.DOUBTFUL),
        (9.9, Verdict.DOUBTFUL),
        (10, Verdict.FINE),
        (10.1, Verdict.FINE),
        (19.9, Verdict.FINE),
        (20, Verdict.FINE),
        (20.1, Verdict.DOUBTFUL),
        (29.9, Verdict.DOUBTFUL),
        (30, Verdict.DOUBTFUL),
        (30.1, Verdict.UNSAFE),
    ],
)
def test_the_fuse_stands_between_load_and_cable(fuse: float, verdict: Verdict) -> None:
    """IEC 60364: load <= fuse <= cable; 33 CFR 183.455: 150 % below 50 V."""
    found = judge_fuse(replace(CIRCUIT, fuse_a=fuse))
    assert found is not None
    assert found.verdict is verdict


@pytest.mark.parametrize(
    ("volts", "verdict"),
    [(49.9, Verdict.DOUBTFUL), (50, Verdict.UNSAFE), (50.1, Verdict.UNSAFE)],
)
def test_from_50_volts_on_no_fuse_may_be_above_its_cable(
    volts: float, verdict: Verdict
) -> None:
    found = judge_fuse(replace(CIRCUIT, fuse_a=25, fuse_v=80, supply_high_v=volts))
    assert found is not None
    assert found.verdict is verdict


@pytest.mark.parametrize(
    ("fuse_v", "verdict"),
    [(14.9, Verdict.UNSAFE), (15, Verdict.FINE), (15.1, Verdict.FINE)],
)
def test_the_fuse_is_for_these_volts(fuse_v: float, verdict: Verdict) -> None:
    found = judge_fuse(replace(CIRCUIT, fuse_v=fuse_v))
    assert found is not None
    assert found.verdict is verdict


def test_no_fuse_fits_a_load_that_is_too_much_for_its_cable() -> None:
    found = judge_fuse(replace(CIRCUIT, load_a=18, fuse_a=18))
    assert found is not None
    assert found.change.startswith("a thicker cable first")


def test_a_bank_of_16_cells_of_0_4_mohm_drives_some_5_ka_through_a_short() -> None:
    """Worked example, from memory: 16 x 0.4 mohm, leads of some 10 mohm, 51.2 V: 8 kA
    at the cells, 3 kA behind the leads, so 5 kA and more in between."""
    assert fault_a(51.2, 16 * 0.0004) == pytest.approx(8_000)
    assert fault_a(51.2, 16 * 0.0004 + 0.010) == pytest.approx(3_122, abs=1)


LIKELY, MOST = 15 / 0.0164, 15 / 0.0064


@pytest.mark.parametrize(
    ("breaks", "verdict"),
    [
        (LIKELY - 1, Verdict.UNSAFE),
        (LIKELY, Verdict.DOUBTFUL),
        (LIKELY + 1, Verdict.DOUBTFUL),
        (MOST - 1, Verdict.DOUBTFUL),
        (MOST, Verdict.FINE),
        (MOST + 1, Verdict.FINE),
    ],
)
def test_the_fuse_can_break_a_short_circuit(breaks: float, verdict: Verdict) -> None:
    found = judge_fault(replace(CIRCUIT, fuse_breaking_a=breaks))
    assert found is not None
    assert found.verdict is verdict


def test_a_converter_limits_its_own_fault_current() -> None:
    assert judge_fault(replace(CIRCUIT, supply=Supply.CONVERTER)) is None


@pytest.mark.parametrize(
    ("gone", "judged"),
    [
        ("area_mm2", (judge_cable, judge_fuse)),
        ("insulation_c", (judge_cable, judge_fuse)),
        ("ambient_c", (judge_cable, judge_fuse)),
        ("load_a", (judge_cable, judge_fuse)),
        ("fuse_a", (judge_fuse,)),
        ("fuse_v", (judge_fuse,)),
        ("fuse_breaking_a", (judge_fault,)),
    ],
)
def test_a_missing_figure_of_cable_and_fuse_is_asked_for(
    gone: str, judged: tuple[object, ...]
) -> None:
    bare = without(CIRCUIT, gone)
    for judge in judged:
        assert callable(judge)
        found = judge(bare)
        assert (found.verdict, found.change) == (Verdict.UNKNOWN, f"say {gone}")


def test_a_dry_contact_has_no_cable_or_fuse_of_ours() -> None:
    signal = replace(CIRCUIT, load=Load.SIGNAL)
    assert judge_cable(signal) is judge_fuse(signal) is judge_fault(signal) is None
