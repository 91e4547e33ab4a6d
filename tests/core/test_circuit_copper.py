"""Volt drop against published worked examples, and its limits."""

from __future__ import annotations

from dataclasses import replace

import pytest

from circuit_stated import without
from tocsin.core.circuit import Circuit, Finding, Load, Supply, Verdict
from tocsin.core.circuit.copper import (
    area_mm2,
    awg_mm2,
    drop_v,
    judge_drop,
    judge_volts,
    rho,
    run_ohm,
)

FOOT_M = 0.3048
CIRCULAR_MIL_MM2 = 5.067e-4
"""pi/4 thousandths of an inch squared."""


def of_k(k: float) -> float:
    """Return ohm mm2/m of the trade's K in ohm circular mils per foot."""
    return k * CIRCULAR_MIL_MM2 / FOOT_M


# --- FAA AC 43.13-1B chapter 11 -----------------------------------------------

TABLE_11_7: list[tuple[float, float, float, float]] = [
    # feet, amperes, ohm a foot, volts
    (107, 20, 0.00044, 0.942),
    (90, 20, 0.00028, 0.504),
    (88, 20, 0.00202, 3.56),
    (100, 20, 0.00306, 6.12),
]
TABLE_11_8: list[tuple[float, float, float, float]] = [
    (39, 20, 0.00126, 0.983),
    (156, 20, 0.00126, 3.93),
    (273, 20, 0.00126, 6.88),
    (19.5, 20, 0.00126, 0.491),
]


def digits(value: float, like: float) -> float:
    """Return *value* with as many decimals as *like* was printed with."""
    return round(value, len(str(like).partition(".")[2]))


@pytest.mark.parametrize(("feet", "amps", "ohm", "volts"), TABLE_11_7 + TABLE_11_8)
def test_the_volt_drops_of_the_faa_tables(
    feet: float, amps: float, ohm: float, volts: float
) -> None:
    """FAA AC 43.13-1B, tables 11-7 and 11-8."""
    assert digits(drop_v(amps, feet * ohm), volts) == volts


@pytest.mark.parametrize(
    ("feet", "ohm", "printed"), [(88, 0.00202, 3.60), (19.5, 0.00126, 0.366)]
)
def test_two_misprints_of_the_faa_tables_are_not_reproduced(
    feet: float, ohm: float, printed: float
) -> None:
    """3.60 for 3.56 and .366 for .491: volts are amperes times ohm, whatever is
    printed."""
    assert abs(drop_v(20, feet * ohm) - printed) > 0.04, "five times its rounding"


def test_a_run_of_39_feet_may_be_34_9_feet_at_50_degrees() -> None:
    """FAA AC 43.13-1B: L2 = 254.5 L1 / (234.5 + T2), tin-plated copper."""
    ours = 39 * rho(20) / rho(50)
    assert round(ours, 1) == 34.9
    assert ours == pytest.approx(254.5 * 39 / (234.5 + 50), rel=1e-3)


# --- NEC and ABYC forms -------------------------------------------------------


@pytest.mark.parametrize(
    ("awg", "mils", "volts", "share"), [(10, 10_380, 4.97, 4.1), (8, 16_510, 3.1, 2.6)]
)
def test_the_worked_example_of_the_nec_form(
    awg: int, mils: float, volts: float, share: float
) -> None:
    """V = 2 K I L / CM with K = 12.9: 20 A over 100 ft one way at 120 V; circular
    mils of NEC chapter 9, table 8 (those of 8 AWG from memory)."""
    area = mils * CIRCULAR_MIL_MM2
    assert area == pytest.approx(awg_mm2(awg), rel=2e-3)
    lost = drop_v(20, run_ohm(100 * FOOT_M, area, of_k(12.9)))
    assert digits(lost, volts) == volts
    assert round(100 * lost / 120, 1) == share


@pytest.mark.parametrize(("share", "mils"), [(0.10, 1_881), (0.03, 6_271)])
def test_the_worked_example_of_the_abyc_form(share: float, mils: float) -> None:
    """CM = K I L / E with K = 10.75: 10 A, 21 ft in total, 12 V (ABYC, as quoted)."""
    need = area_mm2(10, 21 * FOOT_M / 2, 12 * share, of_k(10.75))
    assert round(need / CIRCULAR_MIL_MM2) == mils


def test_the_abyc_example_at_ten_percent_picks_16_awg_and_3_2_mm2_at_three() -> None:
    """The ABYC table picks 16 AWG for 10 A, 21 ft, 10 %."""
    ten = area_mm2(10, 21 * FOOT_M / 2, 1.2, of_k(10.75))
    assert awg_mm2(18) < ten < awg_mm2(16)
    assert round(area_mm2(10, 21 * FOOT_M / 2, 0.36, of_k(10.75)), 1) == 3.2


@pytest.mark.parametrize(
    ("area", "volts", "share"), [(1.5, 1.15, 9.0), (2.5, 0.69, 5.4), (4, 0.43, 3.4)]
)
def test_a_horn_of_5_a_ten_metres_away(area: float, volts: float, share: float) -> None:
    """V = 2 rho L I / A with the copper of NBS Handbook 100, at 12.8 V."""
    lost = drop_v(5, run_ohm(10, area))
    assert round(lost, 2) == volts
    assert round(100 * lost / 12.8, 1) == share


def test_a_coil_of_70_ma_thirty_metres_away() -> None:
    """V = 2 rho L I / A with the copper of NBS Handbook 100; 0.8 % of 12 V."""
    lost = drop_v(0.070, run_ohm(30, 0.75))
    assert round(lost, 2) == 0.10
    assert round(100 * lost / 12, 1) == 0.8


OHM_PER_KM = {
    0.75: 22.99, 1: 17.24, 1.5: 11.49, 2.5: 6.90, 4: 4.31, 6: 2.87, 10: 1.72,
    16: 1.08, 25: 0.690, 35: 0.493, 50: 0.345, 70: 0.246, 95: 0.181,
}  # fmt: skip
"""0.017241 ohm mm2/m over the area: NBS Handbook 100."""


@pytest.mark.parametrize(("area", "ohm"), OHM_PER_KM.items())
def test_one_conductor_of_a_kilometre(area: float, ohm: float) -> None:
    assert digits(run_ohm(1_000, area) / 2, ohm) == ohm


def test_copper_at_75_degrees_has_1_216_times_its_resistance_at_20() -> None:
    """0.00393 /K at 20 degC: NBS Handbook 100 (alpha from memory)."""
    assert round(rho(75) / rho(20), 3) == 1.216


TABLE_8 = {
    14: 3.07, 12: 1.93, 10: 1.21, 8: 0.764, 6: 0.491, 4: 0.308, 2: 0.194,
    0: 0.122, -1: 0.0967, -3: 0.0608,
}  # fmt: skip


@pytest.mark.parametrize(("awg", "ohm_kft"), TABLE_8.items())
def test_table_8_of_the_nec_is_within_three_percent(awg: int, ohm_kft: float) -> None:
    """NEC chapter 9, table 8, at 75 degC; strands and their lay differ."""
    ours = run_ohm(1_000 * FOOT_M, awg_mm2(awg), rho(75)) / 2
    assert ours == pytest.approx(ohm_kft, rel=0.03)


# --- limits -------------------------------------------------------------------

HORN = Circuit(
    supply=Supply.CONVERTER,
    supply_v=12,
    supply_low_v=12,
    supply_high_v=12,
    load=Load.VEHICLE_HORN,
    load_a=5,
    load_min_v=10,
    load_max_v=14,
    length_m=10,
    area_mm2=2.5,
    conductor_c=20,
)


def losing(share: float, circuit: Circuit = HORN) -> Finding:
    """Return what is said of a cable that loses *share* percent."""
    lost = (circuit.supply_v or 0) * share / 100
    area = area_mm2(circuit.load_a or 0, circuit.length_m or 0, lost)
    found = judge_drop(replace(circuit, area_mm2=area))
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("share", "verdict"),
    [
        (2.99, Verdict.FINE),
        (3.00, Verdict.FINE),
        (3.01, Verdict.DOUBTFUL),
        (9.99, Verdict.DOUBTFUL),
        (10.0, Verdict.DOUBTFUL),
        (10.01, Verdict.UNSAFE),
    ],
)
def test_what_matters_may_lose_three_percent(share: float, verdict: Verdict) -> None:
    assert losing(share).verdict is verdict


@pytest.mark.parametrize(
    ("share", "verdict"),
    [(9.99, Verdict.FINE), (10.0, Verdict.FINE), (10.01, Verdict.UNSAFE)],
)
def test_what_matters_less_may_lose_ten(share: float, verdict: Verdict) -> None:
    assert losing(share, replace(HORN, is_critical=False)).verdict is verdict


def test_a_thin_cable_is_answered_with_one_that_is_enough() -> None:
    found = judge_drop(replace(HORN, area_mm2=1.0))
    assert found is not None
    assert found.change == "a cable of 6 mm2 or more"
    again = judge_drop(replace(HORN, area_mm2=6.0))
    assert again is not None
    assert again.verdict is Verdict.FINE


def test_no_cable_is_thick_enough_for_everything() -> None:
    found = judge_drop(replace(HORN, load_a=500))
    assert found is not None
    assert found.change == "a shorter cable, or a higher supply voltage"


@pytest.mark.parametrize("gone", ["load_a", "length_m", "area_mm2", "conductor_c"])
def test_a_missing_figure_of_the_drop_is_asked_for(gone: str) -> None:
    bare = without(HORN, "load", gone)
    found = judge_drop(bare)
    assert found is not None
    assert (found.verdict, found.change) == (Verdict.UNKNOWN, f"say {gone}")


def test_without_its_temperature_copper_is_as_hot_as_its_insulation_may_be() -> None:
    hot = judge_drop(replace(HORN, conductor_c=None, insulation_c=75))
    cool = judge_drop(HORN)
    assert hot is not None
    assert cool is not None
    assert dict(hot.figures)["drop_v"] == pytest.approx(
        1.216 * dict(cool.figures)["drop_v"], rel=1e-3
    )


# --- volts at the load --------------------------------------------------------

BANK = replace(
    HORN, supply=Supply.BANK, supply_low_v=44.8, supply_high_v=60, load_max_v=60
)


@pytest.mark.parametrize(
    ("least", "verdict"),
    [(-0.01, Verdict.FINE), (0.0, Verdict.FINE), (0.01, Verdict.UNSAFE)],
)
def test_the_emptiest_bank_must_leave_enough(least: float, verdict: Verdict) -> None:
    left = 44.8 - drop_v(5, run_ohm(10, 2.5))
    found = judge_volts(replace(BANK, load_min_v=left + least))
    assert found is not None
    assert found.verdict is verdict


@pytest.mark.parametrize(
    ("most", "verdict"),
    [(60.01, Verdict.FINE), (60.0, Verdict.FINE), (59.99, Verdict.UNSAFE)],
)
def test_the_fullest_bank_must_not_be_too_much(most: float, verdict: Verdict) -> None:
    found = judge_volts(replace(BANK, load_max_v=most))
    assert found is not None
    assert found.verdict is verdict


def test_a_coil_pulls_in_from_88_percent_of_its_volts() -> None:
    """80 % must operate (relay makers), driven with 110 % of that (Caltrans)."""
    coil = replace(BANK, load=Load.CONTACTOR_COIL, load_v=48, load_min_v=None)
    coil = replace(coil, load_max_v=None, supply_high_v=52.8)
    for low, verdict in ((42.3, Verdict.FINE), (42.2, Verdict.UNSAFE)):
        lost = drop_v(5, run_ohm(10, 2.5))
        found = judge_volts(replace(coil, supply_low_v=low + lost))
        assert found is not None
        assert found.verdict is verdict
