"""The cell against published numbers and against what physics says."""

from __future__ import annotations

from math import exp

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simbus_made import HELD_W_PER_K, STILL, cell, published_cell, seconds_until
from tocsin.core.published import PUBLISHED_AH, open_circuit_v, published_ohm_ah
from tocsin_drivers.simbus.cell import CellDesign

# Naumann et al., J. Energy Storage 2018, doi 10.1016/j.est.2018.01.019 (LFP/graphite,
# 25 degC, mean of charge and discharge): typed in again here, not imported.
NAUMANN = {
    0: 2.286, 1: 2.783, 2: 2.895, 3: 2.967, 5: 3.065, 7.5: 3.146, 10: 3.197, 15: 3.212,
    20: 3.234, 25: 3.255, 30: 3.270, 35: 3.283, 40: 3.292, 45: 3.297, 50: 3.299,
    55: 3.301, 60: 3.303, 65: 3.306, 70: 3.311, 75: 3.319, 80: 3.334, 85: 3.340,
    90: 3.342, 95: 3.345, 98: 3.349, 99: 3.362, 99.5: 3.396, 100: 3.530,
}  # fmt: skip
# BPX example parameter set (Faraday Institution, About:Energy, 2022), another LFP cell.
BPX = {
    10: 3.188, 15: 3.204, 20: 3.230, 30: 3.267, 40: 3.275, 50: 3.278, 60: 3.286,
    70: 3.306, 80: 3.318, 90: 3.322, 95: 3.323, 98: 3.324,
}  # fmt: skip
# The same cell's resistance in mohm (Naumann et al., J. Power Sources 2020,
# doi 10.1016/j.jpowsour.2019.227666): state of charge, then 10, 25, 40 degC.
CHARGE = {
    10: (53.6, 37.6, 30.5), 20: (59.2, 41.4, 33.1), 50: (62.6, 44.8, 35.2),
    80: (69.2, 46.8, 35.6), 90: (80.7, 53.4, 40.0),
}  # fmt: skip
DISCHARGE = {
    10: (195.0, 61.7, 44.1), 20: (80.8, 50.4, 38.4), 50: (69.4, 47.8, 38.4),
    80: (64.8, 46.6, 37.7), 90: (61.4, 42.5, 34.0),
}  # fmt: skip


@pytest.mark.parametrize(("pct", "volts"), NAUMANN.items())
def test_every_row_of_the_published_open_circuit_table_is_met(
    pct: float, volts: float
) -> None:
    assert open_circuit_v(pct / 100) == pytest.approx(volts, abs=1e-9)


@pytest.mark.parametrize(("pct", "volts"), BPX.items())
def test_another_published_cell_is_within_30_mv_on_the_plateau(
    pct: float, volts: float
) -> None:
    assert open_circuit_v(pct / 100) == pytest.approx(volts, abs=0.030)


@pytest.mark.parametrize(
    ("volts", "pct"),
    # Inverse of the same table, to the precision of a percent's tenth.
    [(3.20, 10.4), (3.15, 7.7), (3.10, 6.0), (3.05, 4.6), (3.00, 3.6), (2.90, 2.1)],
)
def test_a_rested_cell_near_empty_says_how_much_is_left(
    volts: float, pct: float
) -> None:
    assert open_circuit_v((pct - 0.7) / 100) < volts < open_circuit_v((pct + 0.7) / 100)


@given(st.floats(-0.2, 1.2), st.floats(0.0, 0.1))
def test_the_curve_never_falls(soc: float, more: float) -> None:
    assert open_circuit_v(soc + more) >= open_circuit_v(soc) >= 0


@pytest.mark.parametrize(("table", "charging"), [(CHARGE, True), (DISCHARGE, False)])
def test_every_row_of_the_published_resistance_is_met(
    table: dict[int, tuple[float, ...]], *, charging: bool
) -> None:
    for pct, row in table.items():
        for temp_c, mohm in zip((10, 25, 40), row, strict=True):
            ohm_ah = published_ohm_ah(pct / 100, temp_c, charging=charging)
            assert ohm_ah * 1000 / PUBLISHED_AH == pytest.approx(mohm)


@pytest.mark.parametrize(("temp_c", "ratio"), [(0, 1.87), (-10, 2.5)])
def test_cold_resistance_follows_arrhenius_with_17_kj_per_mol(
    temp_c: float, ratio: float
) -> None:
    """17 kJ/mol at 50 % is fitted to the published rows; 4 % for the fit's rounding."""
    warm = published_ohm_ah(0.5, 25, charging=False)
    cold = published_ohm_ah(0.5, temp_c, charging=False)
    assert cold / warm == pytest.approx(ratio, rel=0.04)


@pytest.mark.parametrize(
    ("rate_c", "minutes"),
    # Minutes from a loaded 3.10, 3.00, 2.90 and 2.80 V to 2.50 V at 25 degC, worked out
    # by hand from the two published tables above. Tolerance: 12 %, or a quarter percent
    # of the capacity, because the hand reads states of charge to a tenth of a percent
    # at both ends and rounds the minutes to two digits.
    [
        (0.1, (38, 22, 12, 6)),
        (0.2, (21, 12, 7, 3.4)),
        (0.5, (11, 6.5, 3.6, 1.9)),
        (1.0, (14, 5, 3, 1.7)),
    ],
)
def test_the_low_end_leaves_the_minutes_the_tables_give(
    rate_c: float, minutes: tuple[float, ...]
) -> None:
    amps = -100 * rate_c
    for volts, expected in zip((3.10, 3.00, 2.90, 2.80), minutes, strict=True):
        made = published_cell(soc=0.4)
        seconds_until(made, amps, lambda v, at=volts: v <= at)  # type: ignore[misc]
        left_s = seconds_until(made, amps, lambda v: v <= 2.50)
        assert left_s / 60 == pytest.approx(expected, rel=0.12, abs=0.15 / rate_c)


def test_charge_and_discharge_rest_apart_by_the_published_hysteresis() -> None:
    """19 mV at half charge (Naumann), read as the full width."""
    ends = []
    for start, amps in ((0.30, 56.0), (0.70, -56.0)):
        made = cell(soc=start, relaxing_share=0.0, ambient_w_per_k=HELD_W_PER_K)
        for _ in range(3_600):
            made.advance(1.0, amps, 25.0)
        ends.append((made.soc, made.emf_v))
    (up_soc, up_v), (down_soc, down_v) = ends
    assert up_soc == pytest.approx(0.5)
    assert down_soc == pytest.approx(0.5)
    assert up_v - down_v == pytest.approx(0.019, abs=1e-4)


def test_voltage_relaxes_after_the_load_with_its_time_constant() -> None:
    made = cell(soc=0.6, hysteresis_share=0.0, ambient_w_per_k=HELD_W_PER_K)
    for _ in range(1_200):
        made.advance(1.0, -140.0, 25.0)
    rest_v = open_circuit_v(made.soc)
    sag_v = rest_v - made.emf_v
    assert sag_v > 0.01
    for _ in range(60):
        made.advance(1.0, 0.0, 25.0)
    assert rest_v - made.emf_v == pytest.approx(sag_v * exp(-1))


@given(
    st.floats(-20, 40), st.floats(-20, 40), st.floats(60, 40_000), st.floats(0.05, 2)
)
@settings(max_examples=40)
def test_an_idle_cell_follows_the_analytic_exponential(
    start_c: float, ambient_c: float, span_s: float, flow: float
) -> None:
    made = cell(temp_c=start_c, ambient_w_per_k=flow)
    for _ in range(100):
        made.advance(span_s / 100, 0.0, ambient_c)
    tau_s = 5.4 * 1000 / flow  # 1 kJ/(kg K): published as 999 to 1001 for LFP
    expected_c = ambient_c + (start_c - ambient_c) * exp(-span_s / tau_s)
    assert made.temp_c == pytest.approx(expected_c, abs=1e-6)


def test_an_adiabatic_cell_warms_by_its_own_heat_over_mass_times_heat() -> None:
    made = cell(temp_c=25.0, ambient_w_per_k=0.0, **STILL)
    ohm = made.discharge_ohm
    made.advance(10.0, -280.0, -40.0)
    assert made.temp_c - 25.0 == pytest.approx(280**2 * ohm * 10 / 5400)
    assert made.heat_j == pytest.approx(280**2 * ohm * 10)


def test_a_pack_of_86_kg_needs_its_published_heat() -> None:
    """16 x 5.4 kg at 1 kJ/(kg K): 0.36 kWh take it from -10 to +5 degC."""
    made = [cell(temp_c=-10.0, ambient_w_per_k=0.0) for _ in range(16)]
    for each in made:
        each.advance(3_600, 0.0, 0.0, heater_w=360 / 16)
    assert made[0].temp_c == pytest.approx(5.0, abs=0.1)


@given(st.lists(st.tuples(st.floats(-280, 140), st.floats(0.5, 5)), max_size=60))
def test_charge_is_conserved(steps: list[tuple[float, float]]) -> None:
    made = cell()
    for amps, dt_s in steps:
        made.advance(dt_s, amps, 20.0)
    moved_ah = sum(amps * dt_s for amps, dt_s in steps) / 3600
    assert made.charge_ah == pytest.approx(140 + moved_ah, abs=1e-9)


@pytest.mark.parametrize("amps", [-140.0, -28.0, 28.0, 140.0])
def test_energy_is_conserved(amps: float) -> None:
    """What went through the terminals is stored, held in the RC pair, or heat."""
    made = cell(soc=0.5)
    through_j = stored_j = 0.0
    for _ in range(3_000):
        before_v, before_soc = made.terminal_v(amps), made.soc
        made.advance(1.0, amps, 25.0)
        through_j += amps * (before_v + made.terminal_v(amps)) / 2
        middle_v = open_circuit_v((before_soc + made.soc) / 2)
        stored_j += middle_v * amps
    lost_j = made.heat_j + made.relaxing_j
    assert made.heat_j > 0
    assert through_j - stored_j == pytest.approx(lost_j, rel=0.01)


@pytest.mark.parametrize("name", ["capacity_ah", "ohm_ah", "relaxing_s", "mass_kg"])
def test_what_cannot_be_a_cell_is_refused_by_name(name: str) -> None:
    with pytest.raises(ValueError, match=name):
        CellDesign(**{name: 0.0})
