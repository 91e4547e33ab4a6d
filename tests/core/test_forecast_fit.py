"""Hypotheses of one cell against curves made of a published one, with known truth."""

from __future__ import annotations

from math import exp, isfinite, log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast_curves import NAMEPLATE_AH, NAUMANN, fitted, lefts, shown
from tocsin.core.forecast.curve import squeezed
from tocsin.core.forecast.fit import (
    COUNTER_SIGMA,
    LOW_KNEE,
    PICKS,
    Counter,
    Learned,
    Point,
    _counter_prior,
    anchored,
)

EMPTY_AH = -120.0


def _seen(
    down_to: float,
    *,
    capacity: float = 0.95,
    stretch: float = 1.2,
    offset_v: float = 0.01,
    seed: int = 1,
) -> list[Point]:
    return shown(
        empty_ah=EMPTY_AH,
        capacity_ah=capacity * NAMEPLATE_AH,
        stretch=stretch,
        offset_v=offset_v,
        down_to=down_to,
        seed=seed,
    )


def _true(points: list[Point]) -> float:
    """Return the charge left at the newest point, in multiples of the nameplate."""
    return (points[-1][0] - EMPTY_AH) / NAMEPLATE_AH


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    ("down_to", "within"),
    [(0.03, 0.004), (0.05, 0.008), (0.08, 0.025), (0.12, 0.02), (0.20, 0.03)],
)
def test_what_is_left_near_the_knee_is_found(
    down_to: float, within: float, seed: int
) -> None:
    points = _seen(down_to, seed=seed)
    left = lefts(fitted(points, None), points[-1][0])
    assert left[PICKS // 2] == pytest.approx(_true(points), abs=within)
    assert left[0] <= _true(points) <= left[-1]


@pytest.mark.parametrize("capacity", [0.8, 0.95, 1.05])
@pytest.mark.parametrize("stretch", [1.0, 1.5, 2.0])
@pytest.mark.parametrize("offset_v", [-0.02, 0.0, 0.02])
def test_neither_capacity_nor_stretch_nor_offset_hides_what_is_left(
    capacity: float, stretch: float, offset_v: float
) -> None:
    points = _seen(0.03, capacity=capacity, stretch=stretch, offset_v=offset_v)
    found = fitted(points, None)
    left = lefts(found, points[-1][0])
    assert left[PICKS // 2] == pytest.approx(_true(points), abs=0.01)
    assert found.found.capacity == pytest.approx(capacity, abs=0.13)


@pytest.mark.parametrize("stretch", [1.0, 1.5, 2.0])
def test_the_stretch_of_the_knee_is_found_once_it_shows(stretch: float) -> None:
    found = fitted(_seen(0.03, stretch=stretch), None).found
    assert found.log_stretch == pytest.approx(log(stretch), abs=0.15)
    assert found.log_stretch_sd < 0.8 * Learned().log_stretch_sd


def test_before_the_knee_shows_the_stretch_stays_as_uncertain_as_before() -> None:
    found = fitted(_seen(0.20), None)
    assert found.found.log_stretch == Learned().log_stretch
    assert found.found.log_stretch_sd == Learned().log_stretch_sd
    assert len({pick[2] for pick in found.picks}) > 2


@pytest.mark.parametrize("down_to", [0.35, 0.45])
def test_on_the_plateau_without_a_counter_it_may_be_anywhere(down_to: float) -> None:
    points = _seen(down_to)
    found = fitted(points, None)
    left = lefts(found, points[-1][0])
    assert left[-2] - left[1] > 0.4
    assert left[0] < _true(points) < left[-1]
    assert found.empty_sd_ah > 0.1 * NAMEPLATE_AH


def test_a_counter_narrows_the_plateau() -> None:
    points = _seen(0.45)
    blind = fitted(points, None)
    told = fitted(points, 0.45)
    assert told.empty_sd_ah < 0.7 * blind.empty_sd_ah
    left = lefts(told, points[-1][0])
    assert left[PICKS // 2] == pytest.approx(_true(points), abs=0.06)


@pytest.mark.parametrize("wrong", [-0.10, -0.05, 0.05, 0.10, 0.20])
@pytest.mark.parametrize("down_to", [0.03, 0.05])
def test_near_the_knee_the_curve_outvotes_a_counter_that_is_wrong(
    wrong: float, down_to: float
) -> None:
    points = _seen(down_to)
    left = lefts(fitted(points, max(0.0, _true(points) + wrong)), points[-1][0])
    assert left[PICKS // 2] == pytest.approx(_true(points), abs=0.01)


def test_a_counter_set_at_full_or_scaled_to_what_is_left_is_believed_both_ways() -> (
    None
):
    # 40 % said of 280 Ah, a cell that holds 224: either 168 Ah went since it was full,
    # so 56 are left, or 40 % of 224 Ah are left, which is 89.6.
    counter = Counter(0.0, 0.40, NAMEPLATE_AH)
    since_full, of_left = -56.0, -89.6
    assert _counter_prior(since_full, 224.0, counter) == pytest.approx(0.0)
    assert _counter_prior(of_left, 224.0, counter) == pytest.approx(0.0)
    between = _counter_prior((since_full + of_left) / 2, 224.0, counter)
    outside = _counter_prior(of_left - 40.0, 224.0, counter)
    assert outside < between < 0


@pytest.mark.parametrize(
    ("charge", "is_floor"), [(0.003, True), (0.004, True), (0.005, False)]
)
def test_a_counter_at_its_floor_says_little(*, charge: float, is_floor: bool) -> None:
    counter = Counter(0.0, charge, NAMEPLATE_AH)
    off_ah = -charge * NAMEPLATE_AH - COUNTER_SIGMA * NAMEPLATE_AH
    one_sigma = -2 * log(1.25)
    prior = _counter_prior(off_ah, NAMEPLATE_AH, counter)
    assert (prior > one_sigma + 0.01) is is_floor


def test_a_counter_that_is_far_off_does_not_cost_more_and_more() -> None:
    counter = Counter(0.0, 0.5, NAMEPLATE_AH)
    near, far = (
        _counter_prior(-0.5 * NAMEPLATE_AH - off * NAMEPLATE_AH, NAMEPLATE_AH, counter)
        for off in (0.2, 0.4)
    )
    # Gaussian tails would cost four times as much.
    assert far > 2 * near


def test_what_earlier_runs_have_shown_narrows_the_plateau() -> None:
    points = _seen(0.20, capacity=0.8)
    learned = Learned(0.8, 0.02, log(1.2), 0.12)
    first, later = fitted(points, 0.2), fitted(points, 0.2, learned=learned)
    assert later.found.capacity == pytest.approx(0.8, abs=0.04)
    assert later.found.capacity_sd < first.found.capacity_sd


def test_picks_come_with_the_least_charge_left_first() -> None:
    picks = fitted(_seen(0.08), 0.1).picks
    assert len(picks) == PICKS
    empties = [pick[0] for pick in picks]
    assert empties == sorted(empties, reverse=True)


def test_on_the_charge_side_they_come_with_the_soonest_full_first() -> None:
    picks = fitted(_seen(0.20), 0.3, by_full=True).picks
    fulls = [empty_ah + capacity_ah for empty_ah, capacity_ah, _, _ in picks]
    assert fulls == sorted(fulls)


def test_anchored_picks_meet_the_newest_voltage() -> None:
    points = _seen(0.05)
    at_ah, volts = points[-1][0], 3.05
    for empty_ah, capacity_ah, stretch, offset_v in anchored(
        NAUMANN, fitted(points, None).picks, at_ah, volts
    ):
        place = squeezed((at_ah - empty_ah) / capacity_ah, stretch)
        assert NAUMANN.at(place) + offset_v == pytest.approx(volts)


@given(
    st.lists(
        st.tuples(
            st.floats(min_value=-600, max_value=600),
            st.floats(min_value=0.5, max_value=5.0),
            st.floats(min_value=1e-6, max_value=1.0),
        ),
        min_size=1,
        max_size=12,
    ),
    st.none() | st.floats(min_value=0.0, max_value=1.0),
)
def test_whatever_a_cell_shows_the_fit_is_a_number(
    points: list[Point], charge: float | None
) -> None:
    found = fitted(points, charge, rounds=2)
    assert len(found.picks) == PICKS
    for empty_ah, capacity_ah, stretch, _ in found.picks:
        assert isfinite(empty_ah)
        assert 0 < capacity_ah < 2 * NAMEPLATE_AH
        assert exp(-1) < stretch < exp(1.5)
    assert isfinite(found.empty_sd_ah)
    assert found.window.step_ah > 0


KNEE = {
    "knee_ah": EMPTY_AH + LOW_KNEE * 1.2 * 0.95 * NAMEPLATE_AH,
    "knee_sd_ah": 0.01 * NAMEPLATE_AH,
}
"""Where the cell of `_seen` was in its low knee the day before."""


def test_a_knee_that_was_met_before_says_where_empty_is_on_the_plateau() -> None:
    points = _seen(0.45)
    blind = fitted(points, None)
    found = fitted(points, None, known=KNEE)
    left = lefts(found, points[-1][0])
    assert left[PICKS // 2] == pytest.approx(_true(points), abs=0.03)
    assert found.empty_sd_ah < 0.5 * blind.empty_sd_ah


@pytest.mark.parametrize("wrong", [-0.3, 0.3])
def test_a_counter_that_was_caught_lying_gives_way_to_the_knee(wrong: float) -> None:
    points = _seen(0.45)
    said = _true(points) + wrong
    found = fitted(points, said, known=KNEE | {"doubt": 0.3})
    left = lefts(found, points[-1][0])
    assert left[PICKS // 2] == pytest.approx(_true(points), abs=0.04)
