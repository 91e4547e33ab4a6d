"""The open-circuit curve against the published points, both ways round."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast_curves import BPX_PCT_V, NAUMANN, NAUMANN_PCT_V
from site_files import loaded
from tocsin.core.forecast.curve import (
    GRID,
    KNEE,
    MARGIN,
    Curve,
    arrhenius,
    squeezed,
    stretched,
    table_of,
)
from tocsin.core.forecast.fit import OFFSET_WEIGHT

if TYPE_CHECKING:
    from pathlib import Path

STRETCHES = st.floats(min_value=0.5, max_value=3.0)
CHARGES = st.floats(min_value=0.0, max_value=1.0)


@pytest.mark.parametrize(("pct", "volts"), NAUMANN_PCT_V)
def test_every_published_point_is_met_exactly(pct: float, volts: float) -> None:
    assert NAUMANN.at(pct / 100) == pytest.approx(volts, abs=1e-9)


def test_the_preset_for_lfp_is_the_published_curve(tmp_path: Path) -> None:
    curve = loaded(tmp_path).site.chemistry.curve
    assert curve == tuple((round(p * 10), round(v * 1000)) for p, v in NAUMANN_PCT_V)


@pytest.mark.parametrize(("pct", "volts"), BPX_PCT_V)
def test_a_cell_of_another_maker_lies_within_one_sigma_of_the_free_offset(
    pct: float, volts: float
) -> None:
    assert abs(NAUMANN.at(pct / 100) - volts) <= OFFSET_WEIGHT**-0.5


def test_the_curve_rises_at_every_step() -> None:
    assert len(NAUMANN.volts) == GRID + 1
    assert all(a < b for a, b in pairwise(NAUMANN.volts))


def test_between_two_points_the_curve_never_leaves_them() -> None:
    for (p0, v0), (p1, v1) in pairwise(NAUMANN_PCT_V):
        inside = [NAUMANN.at((p0 + (p1 - p0) * n / 20) / 100) for n in range(21)]
        assert v0 - 1e-9 <= min(inside)
        assert max(inside) <= v1 + 1e-9


def test_beyond_both_ends_the_end_slopes_go_on() -> None:
    first, last = NAUMANN.volts[:2], NAUMANN.volts[-2:]
    assert NAUMANN.at(-1 / GRID) == pytest.approx(2 * first[0] - first[1])
    assert NAUMANN.at(1 + 1 / GRID) == pytest.approx(2 * last[1] - last[0])


@given(st.floats(min_value=1.8, max_value=3.8))
def test_the_charge_at_some_volts_shows_those_volts(volts: float) -> None:
    assert NAUMANN.at(NAUMANN.charge_at(volts)) == pytest.approx(volts, abs=5e-4)


@given(st.floats(min_value=1.8, max_value=3.8), st.floats(min_value=1.8, max_value=3.8))
def test_more_volts_never_mean_less_charge(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert NAUMANN.charge_at(low) <= NAUMANN.charge_at(high)


REST_V_PCT = (
    (3.20, 10.4),
    (3.15, 7.7),
    (3.10, 6.0),
    (3.05, 4.6),
    (3.00, 3.6),
    (2.90, 2.1),
    (2.80, 1.1),
    (2.70, 0.6),
    (2.50, 0.3),
    (3.35, 98.2),
    (3.36, 98.9),
    (3.40, 99.5),
    (3.45, 99.7),
)
"""Read off straight lines between the points of Naumann et al."""


@pytest.mark.parametrize(("volts", "pct"), REST_V_PCT)
def test_the_charge_at_rest_is_that_of_the_published_table(
    volts: float, pct: float
) -> None:
    # Cubics bend where straight lines do not: 15 % is one wide step of the table.
    apart_pct = 0.9 if 3.19 < volts < 3.21 else 0.3
    assert 100 * NAUMANN.charge_at(volts) == pytest.approx(pct, abs=apart_pct)


@given(CHARGES, STRETCHES)
def test_stretching_undoes_squeezing(charge: float, stretch: float) -> None:
    place = squeezed(charge, stretch)
    assert stretched(place, stretch) == pytest.approx(charge, abs=1e-9)


@given(CHARGES, STRETCHES)
def test_squeezing_undoes_stretching(place: float, stretch: float) -> None:
    charge = stretched(place, stretch)
    assert squeezed(charge, stretch) == pytest.approx(place, abs=1e-9)


@given(STRETCHES)
def test_a_stretched_cell_is_empty_full_and_at_its_knee_where_it_should_be(
    stretch: float,
) -> None:
    assert stretched(0.0, stretch) == 0.0
    assert stretched(KNEE, stretch) == pytest.approx(KNEE * stretch)
    assert stretched(1.0, stretch) == pytest.approx(1.0)


@pytest.mark.parametrize("stretch", [0.7, 1.0, 1.8])
def test_the_table_of_a_stretched_cell_is_its_curve_step_by_step(
    stretch: float,
) -> None:
    table = table_of(NAUMANN, stretch)
    assert len(table.volts) == len(table.weights) == GRID + 2 * MARGIN + 1
    assert table.volts[MARGIN] == NAUMANN.volts[0]
    for charge in (0.0, 0.05, 0.3, 1.0):
        seen_v = table.volts[MARGIN + round(charge * GRID)]
        assert seen_v == pytest.approx(NAUMANN.at(squeezed(charge, stretch)))
    assert min(table.weights) > 0


@pytest.mark.parametrize(
    ("second_v", "is_refused"), [(3.01, False), (3.00, True), (2.99, True)]
)
def test_a_curve_that_does_not_rise_is_refused(
    *, second_v: float, is_refused: bool
) -> None:
    points = ((0.0, 3.00), (0.5, second_v), (1.0, 3.40))
    if not is_refused:
        assert Curve(points).at(0.5) == pytest.approx(second_v)
        return
    with pytest.raises(ValueError, match="must rise all the way"):
        Curve(points)


RATIOS = (
    (17e3, 15, 1.27),
    (17e3, 10, 1.44),
    (17e3, 0, 1.87),
    (17e3, -10, 2.5),
    (17e3, -20, 3.4),
    (35e3, 15, 1.63),
    (35e3, 10, 2.1),
    (35e3, 0, 3.6),
    (35e3, -10, 6.5),
    (35e3, -20, 12.0),
)
"""R(T)/R(25) with 17 kJ/mol, from the discharge resistance at half charge of Naumann
et al., and 35 kJ/mol, the LFP reaction of the BPX example set; worked out by hand."""


@pytest.mark.parametrize(("joule_per_mol", "temp_c", "ratio"), RATIOS)
def test_colder_cells_resist_more_by_the_arrhenius_ratio(
    joule_per_mol: float, temp_c: float, ratio: float
) -> None:
    assert arrhenius(joule_per_mol, temp_c) == pytest.approx(ratio, rel=0.03)


def test_the_ratio_at_10_degrees_is_the_measured_one() -> None:
    # Naumann et al. 2018: 69.4 milliohm at 10 degC, 47.8 at 25 degC, half charged.
    assert arrhenius(17e3, 10) == pytest.approx(69.4 / 47.8, rel=0.01)


def test_at_25_degrees_nothing_is_slower() -> None:
    assert arrhenius(35e3, 25) == pytest.approx(1.0)
