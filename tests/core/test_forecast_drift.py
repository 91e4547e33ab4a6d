"""The offset of the current sensor: from knees that are met again, and from rest."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.forecast.drift import (
    APART_H,
    FIRST_SD,
    LEAST_SD,
    MOST,
    REST_S,
    Drift,
    Marks,
)

NAMEPLATE_AH = 200.0
HOUR_S = 3600.0
DAY_S = 24 * HOUR_S


def _met(drift: Drift, days: int, offset_a: float, *, cell: int = 2) -> Drift:
    """Meet the low knee once a day; our count creeps by what is not yet corrected."""
    count_ah, at_s = -120.0, 0.0
    for day in range(days):
        drift = drift.marked(cell, day * DAY_S, count_ah, full=False)
        count_ah += (offset_a - drift.offset_a) * 24
        at_s += DAY_S
    return drift


def test_nothing_is_corrected_before_anything_was_met_twice() -> None:
    drift = Drift.fresh(NAMEPLATE_AH)
    assert drift.offset_a == 0.0
    assert drift.sd_a == FIRST_SD * NAMEPLATE_AH
    once = _met(drift, 1, 1.0)
    assert once.offset_a == 0.0
    assert once.sd_a == pytest.approx(drift.sd_a)


@pytest.mark.parametrize("offset_a", [-1.5, -0.2, 0.0, 0.4, 1.0])
def test_an_offset_is_found_from_knees_and_its_doubt_shrinks(offset_a: float) -> None:
    doubts = [_met(Drift.fresh(NAMEPLATE_AH), days, offset_a) for days in (1, 2, 3)]
    assert doubts[0].sd_a > doubts[1].sd_a > doubts[2].sd_a
    assert _met(Drift.fresh(NAMEPLATE_AH), 10, offset_a).offset_a == pytest.approx(
        offset_a, abs=0.03
    )


def test_a_line_through_marks_is_that_of_least_squares() -> None:
    marks = Marks()
    for hour, ah in ((0, 1.0), (24, 3.0), (48, 2.5), (72, 6.0)):
        marks = marks.marked(0, hour * HOUR_S, ah)
    slope_a, square = marks.slope()
    assert slope_a == pytest.approx(0.0604, abs=0.003)
    assert square == pytest.approx(2880, rel=0.1)


def test_another_cell_in_the_knee_begins_another_line() -> None:
    marks = Marks().marked(0, 0.0, 10.0).marked(0, DAY_S, 12.0).marked(1, 2 * DAY_S, 0)
    assert marks.slope() == (0.0, 0.0)


@pytest.mark.parametrize(
    ("hours", "counts"),
    [(APART_H - 0.1, False), (APART_H, True), (APART_H + 0.1, True)],
)
def test_a_knee_that_is_met_again_at_once_is_the_same(
    hours: float, *, counts: bool
) -> None:
    marks = Marks().marked(0, 0.0, 10.0).marked(0, hours * HOUR_S, 12.0)
    assert (marks.slope()[1] > 0) is counts


def _rested(seen_a: float, seconds: float) -> Drift:
    drift = Drift.fresh(NAMEPLATE_AH)
    for second in range(0, int(seconds) + 1, 5):
        drift = drift.cut(float(second), seen_a)
    return drift


@pytest.mark.parametrize(
    ("seconds", "found"), [(REST_S - 5, False), (REST_S, True), (REST_S + 5, True)]
)
def test_a_pack_that_is_cut_off_shows_the_offset(
    seconds: float, *, found: bool
) -> None:
    drift = _rested(0.7, seconds)
    assert (drift.offset_a > 0.5) is found
    assert (drift.sd_a < FIRST_SD * NAMEPLATE_AH) is found


@pytest.mark.parametrize(
    ("share", "counts"), [(0.99, True), (1.0, True), (1.01, False)]
)
def test_more_than_a_sensor_may_be_off_is_a_current(
    share: float, *, counts: bool
) -> None:
    drift = _rested(MOST * NAMEPLATE_AH * share, 2 * REST_S)
    assert (drift.offset_a > 0) is counts


def test_a_current_that_swings_while_cut_off_is_the_sun() -> None:
    drift = Drift.fresh(NAMEPLATE_AH)
    for second in range(0, 3600, 5):
        drift = drift.cut(float(second), 1.5 if second % 60 < 30 else 0.5)
    assert drift.offset_a == 0.0


def test_what_was_learned_outlives_a_gap_with_more_doubt() -> None:
    drift = _met(Drift.fresh(NAMEPLATE_AH), 10, 0.6)
    after = drift.interrupted(11 * DAY_S)
    assert after.offset_a == drift.offset_a
    assert drift.sd_a < after.sd_a < FIRST_SD * NAMEPLATE_AH


@given(
    st.lists(
        st.tuples(
            st.integers(0, 3),
            st.floats(0, 1e6),
            st.floats(-1e4, 1e4),
            st.booleans(),
        ),
        max_size=30,
    )
)
def test_whatever_is_met_the_offset_and_its_doubt_stay_bounded(
    knees: list[tuple[int, float, float, bool]],
) -> None:
    drift, at_s = Drift.fresh(NAMEPLATE_AH), 0.0
    for cell, later_s, count_ah, full in knees:
        at_s += later_s
        drift = drift.marked(cell, at_s, count_ah, full=full)
        assert abs(drift.offset_a) <= MOST * NAMEPLATE_AH
        assert LEAST_SD * NAMEPLATE_AH <= drift.sd_a <= FIRST_SD * NAMEPLATE_AH * 1.0001
