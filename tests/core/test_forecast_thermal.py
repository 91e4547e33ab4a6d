"""The coldest sensor by night: Newton's cooling, straight lines, passing warmth.

Newton's law of cooling, T(t) = floor + (T0 - floor) exp(-t / tau), is the truth here.
"""

from __future__ import annotations

from math import exp, log
from random import Random
from statistics import median
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.forecast.low import NEVER_S
from tocsin.core.forecast.thermal import NEAR_C, Chill

if TYPE_CHECKING:
    from collections.abc import Callable

LIMIT_C = 5.0
LEAD_S = 900.0
TAU_S = 6 * 3600.0
"""Of a 200 Ah cell of 4.1 kg in a box: hours (from memory)."""
STEP_S = 10


def _newton(floor_c: float, *, first_c: float = 12.0) -> Callable[[float], float]:
    return lambda at_s: floor_c + (first_c - floor_c) * exp(-at_s / TAU_S)


def _sensed(
    temp_c: Callable[[float], float], until_s: float, *, seed: int = 1
) -> list[tuple[float, Chill]]:
    """Return what is known every minute; the sensor shows steps of a tenth."""
    random, chill = Random(seed), Chill()
    known = list[tuple[float, Chill]]()
    for at_s in range(0, round(until_s), STEP_S):
        seen_c = round(temp_c(at_s) + random.gauss(0, 0.03), 1)
        chill = chill.heard(float(at_s), float(STEP_S), [seen_c + 2, seen_c])
        if at_s % 60 == 0:
            known.append((float(at_s), chill))
    return known


def _likely_s(chill: Chill) -> float:
    times = chill.times_s(LIMIT_C)
    assert times is not None
    return sorted(times)[len(times) // 2]


@pytest.mark.parametrize("floor_c", [-5.0, 0.0, 2.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_cooling_to_a_floor_below_the_limit_is_foretold_within_a_fifth(
    floor_c: float, seed: int
) -> None:
    cold_s = TAU_S * log((12.0 - floor_c) / (LIMIT_C - floor_c))
    known = _sensed(_newton(floor_c), cold_s - 300, seed=seed)
    hour = [(cold_s - at, chill) for at, chill in known if cold_s - at <= 3600]
    errors = [abs(_likely_s(chill) - left_s) / left_s for left_s, chill in hour]
    assert len(errors) > 50
    assert median(errors) < 0.10
    assert sum(error < 0.20 for error in errors) > 0.9 * len(errors)


@pytest.mark.parametrize("floor_c", [5.7, 6.5, 8.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_night_that_levels_off_above_the_limit_never_comes_within_the_lead(
    floor_c: float, seed: int
) -> None:
    known = _sensed(_newton(floor_c), 5 * TAU_S, seed=seed)
    times = [_likely_s(chill) for _, chill in known if chill.times_s(LIMIT_C)]
    assert len(times) > 1000
    assert min(times) > LEAD_S


@pytest.mark.parametrize("c_per_hour", [0.5, 1.0, 3.0])
def test_straight_cooling_is_foretold_within_a_fifth(c_per_hour: float) -> None:
    cold_s = 4.0 / c_per_hour * 3600
    known = _sensed(lambda at: 9.0 - c_per_hour * at / 3600, cold_s - 300)
    soon = [(cold_s - at, chill) for at, chill in known if cold_s - at <= 1800]
    errors = [abs(_likely_s(chill) - left_s) / left_s for left_s, chill in soon]
    assert median(errors) < 0.20


def test_a_load_that_warms_the_cells_for_a_while_does_not_silence_it() -> None:
    def warmed(at_s: float) -> float:
        bump_c = 0.4 * max(0.0, 1 - abs(at_s - 7200) / 900)
        return 9.0 - 1.6 * at_s / 3600 + bump_c

    known = _sensed(warmed, 7201)
    _, chill = known[-1]
    assert _likely_s(chill) < 3 * 3600
    before = [_likely_s(c) for at, c in known if 6300 <= at <= 7200]
    assert max(before) < NEVER_S


@pytest.mark.parametrize("c_per_hour", [0.0, 0.5])
def test_steady_and_warming_temperatures_are_never_cold(c_per_hour: float) -> None:
    known = _sensed(lambda at: 8.0 + c_per_hour * at / 3600, 7200)
    late = [_likely_s(chill) for at, chill in known if at > 3600]
    assert set(late) == {NEVER_S}


@pytest.mark.parametrize(
    ("above_c", "is_there"),
    [(-0.5, True), (0.0, True), (0.05, True), (0.06, False), (1.0, False)],
)
def test_at_the_limit_there_is_no_time_left(*, above_c: float, is_there: bool) -> None:
    trail = tuple((120.0 * n, 9.0 - 0.01 * n) for n in range(40))
    chill = Chill(LIMIT_C + above_c - 1e-9, 1, trail)
    times = chill.times_s(LIMIT_C)
    assert times is not None
    assert (times == [0.0]) is is_there


@pytest.mark.parametrize(
    ("above_c", "is_far"),
    [(NEAR_C - 0.1, False), (NEAR_C, False), (NEAR_C + 0.1, True)],
)
def test_far_above_the_limit_nothing_is_foretold(
    *, above_c: float, is_far: bool
) -> None:
    trail = tuple((120.0 * n, 20.0 - 0.01 * n) for n in range(40))
    times = Chill(LIMIT_C + above_c, 1, trail).times_s(LIMIT_C)
    assert times is not None
    assert (times == [NEVER_S]) is is_far


@pytest.mark.parametrize(("readings", "is_known"), [(5, False), (6, True), (7, True)])
def test_ten_minutes_are_needed_before_anything_is_said(
    *, readings: int, is_known: bool
) -> None:
    chill = Chill()
    for n in range(readings):
        chill = chill.heard(120.0 * n, 120.0, [10.0])
    assert (chill.times_s(LIMIT_C) is not None) is is_known


def test_the_coldest_sensor_is_named() -> None:
    chill = Chill().heard(0.0, 1.0, [9.0, 8.0, 8.5])
    assert chill.part == 2
    assert chill.heard(1.0, 1.0, [7.0, 8.0, 8.5]).part == 1


@given(
    st.lists(
        st.tuples(
            st.floats(min_value=1, max_value=20_000),
            st.floats(min_value=-60, max_value=125),
        ),
        min_size=6,
        max_size=90,
    ),
    st.floats(min_value=-20, max_value=20),
)
def test_whatever_is_sensed_no_time_is_negative_or_unknown(
    rows: list[tuple[float, float]], limit_c: float
) -> None:
    chill, at_s = Chill(), 0.0
    for dt_s, temp_c in rows:
        at_s += dt_s
        chill = chill.heard(at_s, dt_s, [temp_c])
        times = chill.times_s(limit_c)
        assert times is None or all(0 <= each <= NEVER_S for each in times)
