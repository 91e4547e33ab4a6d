"""Resistance from steps of the current, and from nothing else."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.forecast.ohmic import SMALLEST_STEP, Ohmic

NAMEPLATE_AH = 280.0
FIRST_OHM = 0.12 / NAMEPLATE_AH


def _begun(cells: int = 1) -> Ohmic:
    ohmic = Ohmic(NAMEPLATE_AH, FIRST_OHM)
    ohmic.begin(cells)
    return ohmic


def _switched(
    ohmic: Ohmic, ohms: list[float], *, amps: float, hours: float, drift_v_h: float = 0
) -> Ohmic:
    """Switch *amps* on and off every minute; every cell drifts down meanwhile."""
    for second in range(round(hours * 3600)):
        current_a = -amps if second // 60 % 2 else 0.0
        rest_v = 3.30 - drift_v_h * second / 3600
        ohmic.hear(1.0, current_a, [rest_v + ohm * current_a for ohm in ohms])
    return ohmic


def test_before_any_step_the_first_guess_stands() -> None:
    assert _begun().ohm(0) == pytest.approx(FIRST_OHM)


@pytest.mark.parametrize("times", [0.5, 1.0, 2.0, 4.0])
def test_a_known_resistance_is_found_from_steps(times: float) -> None:
    ohmic = _switched(_begun(), [times * FIRST_OHM], amps=60, hours=1)
    assert ohmic.ohm(0) == pytest.approx(times * FIRST_OHM, rel=0.05)


def test_each_cell_has_its_own() -> None:
    ohms = [FIRST_OHM, 2 * FIRST_OHM, 0.5 * FIRST_OHM]
    ohmic = _switched(_begun(3), ohms, amps=60, hours=1)
    assert [ohmic.ohm(k) for k in range(3)] == pytest.approx(ohms, rel=0.05)


def test_a_resistance_that_doubles_is_followed() -> None:
    ohmic = _switched(_begun(), [FIRST_OHM], amps=60, hours=2)
    ohmic = _switched(ohmic, [2 * FIRST_OHM], amps=60, hours=2)
    assert ohmic.ohm(0) == pytest.approx(2 * FIRST_OHM, rel=0.1)


def test_the_knee_falling_under_a_steady_load_is_no_resistance() -> None:
    # 0.6 V an hour: the curve of Naumann et al. 2018 below 5 %, emptied at 0.1C.
    ohmic = _begun()
    for second in range(3600):
        ohmic.hear(1.0, -28.0, [3.0 - 0.6 * second / 3600])
    assert ohmic.ohm(0) == pytest.approx(FIRST_OHM, rel=1e-6)


def test_steps_on_the_falling_knee_show_the_resistance_and_not_the_knee() -> None:
    steady = _switched(_begun(), [FIRST_OHM], amps=60, hours=0.5)
    falling = _switched(_begun(), [FIRST_OHM], amps=60, hours=0.5, drift_v_h=0.6)
    assert falling.ohm(0) == pytest.approx(steady.ohm(0), rel=0.15)


BOUNDS = (
    (0.20, 0.25),
    (0.25, 0.25),
    (0.30, 0.30),
    (7.9, 7.9),
    (8.0, 8.0),
    (8.2, 8.0),
)
"""A quarter and eight times the first guess: below, at, above."""


@pytest.mark.parametrize(("times", "said"), BOUNDS)
def test_what_cannot_be_is_held_at_a_bound(times: float, said: float) -> None:
    ohmic = _begun()
    ohmic.products = [times * FIRST_OHM * ohmic.square]
    assert ohmic.ohm(0) == pytest.approx(said * FIRST_OHM)


@pytest.mark.parametrize(
    ("times", "teaches"), [(0.99, False), (1.0, False), (1.01, True)]
)
def test_a_small_step_teaches_nothing(*, times: float, teaches: bool) -> None:
    ohmic = _begun()
    before = ohmic.square
    ohmic.hear(1.0, 0.0, [3.3])
    ohmic.hear(1.0, -times * SMALLEST_STEP * NAMEPLATE_AH, [3.2])
    assert (ohmic.square > before) is teaches


@pytest.mark.parametrize(
    ("gap_s", "teaches"), [(12.0, True), (12.5, True), (13.0, False)]
)
def test_a_step_across_a_gap_teaches_nothing(*, gap_s: float, teaches: bool) -> None:
    ohmic = _begun()
    before = ohmic.square
    ohmic.hear(1.0, 0.0, [3.3])
    ohmic.hear(gap_s, -60.0, [3.2])
    assert (ohmic.square > before) is teaches


def test_a_copy_goes_on_by_itself() -> None:
    old = _switched(_begun(), [FIRST_OHM], amps=60, hours=0.1)
    before = (old.square, old.products[:], old.passed_a, old.passed_v[:])
    _switched(old.copied(), [3 * FIRST_OHM], amps=60, hours=0.1)
    assert (old.square, old.products, old.passed_a, old.passed_v) == before


@given(
    st.lists(
        st.tuples(
            st.floats(min_value=0.2, max_value=900),
            st.floats(min_value=-600, max_value=600),
            st.floats(min_value=0.5, max_value=5.0),
        ),
        max_size=60,
    )
)
def test_whatever_is_read_the_resistance_stays_possible(
    rows: list[tuple[float, float, float]],
) -> None:
    ohmic = _begun()
    for dt_s, current_a, volts in rows:
        ohmic.hear(dt_s, current_a, [volts])
    assert 0.25 * FIRST_OHM <= ohmic.ohm(0) <= 8 * FIRST_OHM


def test_a_pack_that_warms_under_a_steady_load_is_no_step() -> None:
    # A third of a degree makes cells resist one per cent less (17 kJ/mol, Naumann et
    # al. 2018). At 0.6C that looks like a step of current that no voltage follows.
    ohmic = _begun()
    for second in range(3600):
        slower = 2.0 - 0.02 * (second // 72)
        ohmic.hear(1.0, -168.0, [3.2 - FIRST_OHM * slower * 168.0], slower)
    assert ohmic.ohm(0) == pytest.approx(FIRST_OHM, rel=1e-6)


@pytest.mark.parametrize("slower", [0.8, 1.0, 2.0])
def test_what_is_learned_in_the_cold_is_told_at_25_degrees(slower: float) -> None:
    ohmic = _begun()
    for second in range(3600):
        current_a = -60.0 if second // 60 % 2 else 0.0
        ohmic.hear(1.0, current_a, [3.3 + FIRST_OHM * slower * current_a], slower)
    assert ohmic.ohm(0) == pytest.approx(FIRST_OHM, rel=0.01)
