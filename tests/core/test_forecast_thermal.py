"""The coldest and the hottest sensor: Newton's cooling, Joule's heat, steps of a tenth.

Newton's law of cooling with Joule's heat, dT/dt = (air - T) / tau + warms I^2, is the
truth here, stepped every ten seconds.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, log
from random import Random
from statistics import median
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.forecast.approach import GRID_H, Heating
from tocsin.core.forecast.low import NEVER_S
from tocsin.core.forecast.thermal import NEAR_C, NEEDED, STALE_S, Thermal

if TYPE_CHECKING:
    from collections.abc import Callable

    from tocsin.core.forecast.thermal import Approach

COLD_C, HOT_C = 5.0, 45.0
LEAD_S = 900.0
TAU_S = 6 * 3600.0
"""Of a 200 Ah cell of 4.1 kg in a box: hours (from memory)."""
STEP_S = 10
CAPACITY_AH = 200.0
WARMS = 21.0
"""K an hour at 1C: 0.12 ohm-Ah times 3600 s over 20.5 J/(K Ah)."""
DEVIATION_C = 0.03

Known = list[tuple[float, Thermal, float]]
"""(second, what is known, rate) every minute."""


def _still(_: float) -> float:
    return 0.0


def _lived(
    air_c: Callable[[float], float],
    until_s: float,
    *,
    first_c: float = 12.0,
    rate: Callable[[float], float] = _still,
    limit_c: float = COLD_C,
    seed: int = 1,
) -> tuple[Known, float | None]:
    """Return what is known by the minute, and when the truth was at *limit_c*."""
    random, thermal, temp_c = Random(seed), Thermal(CAPACITY_AH), first_c
    known, reached_s = Known(), None
    for at_s in range(0, round(until_s), STEP_S):
        now = rate(at_s)
        heat_c = WARMS * now * now * STEP_S / 3600
        temp_c += (air_c(at_s) - temp_c) * STEP_S / TAU_S + heat_c
        if reached_s is None and (temp_c - limit_c) * (first_c - limit_c) <= 0:
            reached_s = float(at_s)
        seen_c = round(temp_c + random.gauss(0, DEVIATION_C), 1)
        thermal.hear(float(at_s), float(STEP_S), [seen_c + 0, seen_c], now * 200)
        if at_s % 60 == 0:
            known.append((float(at_s), thermal.copied(), now))
    return known, reached_s


def _told(
    known: Thermal, limit_c: float, rate: float = 0.0, stays_h: float = 1.0
) -> Approach:
    heating = Heating(known.heat, rate * rate, stays_h, known.square)
    return known.times_s(limit_c, heating, WARMS, hot=limit_c == HOT_C)


def _likely_s(known: Thermal, limit_c: float, rate: float = 0.0) -> float:
    near = known.known_s(limit_c, hot=limit_c == HOT_C)
    times = near or _told(known, limit_c, rate).times_s
    return sorted(times)[len(times) // 2]


def _errors(known: Known, reached_s: float, within_s: float, limit_c: float) -> float:
    """Return the median error, as a part of what is left, over the time before."""
    last = [
        (reached_s - at_s, thermal, rate)
        for at_s, thermal, rate in known
        if 300 <= reached_s - at_s <= within_s
    ]
    assert len(last) > 20
    return median(
        abs(_likely_s(thermal, limit_c, rate) - left_s) / left_s
        for left_s, thermal, rate in last
    )


@pytest.mark.parametrize("floor_c", [-5.0, 0.0, 2.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_cooling_to_a_floor_below_the_limit_is_foretold_within_a_fifth(
    floor_c: float, seed: int
) -> None:
    cold_s = TAU_S * log((12.0 - floor_c) / (COLD_C - floor_c))
    known, reached_s = _lived(lambda _: floor_c, cold_s + 600, seed=seed)
    assert reached_s == pytest.approx(cold_s, rel=0.01)
    assert _errors(known, cold_s, 2_700, COLD_C) < 0.20


def test_air_that_cools_exponentially_is_followed() -> None:
    # After sunset: Goettsche and Olesen, Remote Sensing of Environment 76 (2001).
    known, reached_s = _lived(lambda at: -2 + 9 * exp(-at / 10_000), 30_000)
    assert reached_s is not None
    assert _errors(known, reached_s, 1_800, COLD_C) < 0.20


@pytest.mark.parametrize("floor_c", [5.7, 6.5, 8.0])
def test_a_night_that_levels_off_above_the_limit_never_comes_within_the_lead(
    floor_c: float,
) -> None:
    known, _ = _lived(lambda _: floor_c, 4 * TAU_S)
    times = [_likely_s(each, COLD_C) for at, each, _ in known[20::5]]
    assert len(times) > 200
    assert min(times) > LEAD_S


def test_a_load_that_warms_the_cells_for_a_while_does_not_hide_the_trend() -> None:
    def kettle(at_s: float) -> float:
        return 0.5 if at_s % 5_400 < 600 else 0.0

    known, reached_s = _lived(lambda _: 0.0, 40_000, first_c=9.0, rate=kettle)
    assert reached_s is not None
    early_s, late_s = reached_s - 2_700, reached_s - 300
    likely = [
        _likely_s(each, COLD_C, rate) - (reached_s - at)
        for at, each, rate in known
        if early_s <= at <= late_s
    ]
    assert median(abs(error_s) for error_s in likely) < 480
    assert max(likely) < 3_600


@pytest.mark.parametrize("c_per_hour", [0.0, 0.5])
def test_steady_and_warming_temperatures_are_not_soon_cold(c_per_hour: float) -> None:
    known, _ = _lived(
        lambda at: 8.0 + c_per_hour * (at + TAU_S) / 3600, 7_200, first_c=8.0
    )
    late = [_likely_s(each, COLD_C) for at, each, _ in known if at > 3_600]
    assert min(late) > 4 * LEAD_S


@pytest.mark.parametrize("rate", [0.3, 0.5])
def test_a_charge_that_heats_the_cells_is_foretold_within_a_fifth(rate: float) -> None:
    known, reached_s = _lived(
        lambda _: 36.0, 60_000, first_c=36.0, rate=lambda _: rate, limit_c=HOT_C
    )
    assert reached_s is not None
    assert _errors(known, reached_s, 2_700, HOT_C) < 0.20


def test_a_room_that_heats_up_is_foretold_within_a_fifth() -> None:
    known, reached_s = _lived(lambda _: 55.0, 60_000, first_c=33.0, limit_c=HOT_C)
    assert reached_s is not None
    assert _errors(known, reached_s, 2_700, HOT_C) < 0.20


def test_warmth_that_levels_off_below_the_limit_never_comes_within_the_lead() -> None:
    known, _ = _lived(lambda _: 43.0, 3 * TAU_S, first_c=35.0, limit_c=HOT_C)
    times = [_likely_s(each, HOT_C) for at, each, _ in known[20::5]]
    assert min(times) > LEAD_S


def test_half_of_the_current_gives_more_time_and_the_cold_none() -> None:
    known, _ = _lived(
        lambda _: 38.0, 2_700, first_c=38.0, rate=lambda _: 0.5, limit_c=HOT_C
    )
    gained_s = _told(known[-1][1], HOT_C, 0.5).gained_s
    assert gained_s is not None
    assert gained_s > 600
    assert _told(known[-1][1], COLD_C, 0.5).gained_s is None


@pytest.mark.parametrize("rate", [0.1, 0.3, 0.6])
def test_more_current_is_never_longer_to_the_heat_nor_sooner_to_the_cold(
    rate: float,
) -> None:
    warm, _ = _lived(lambda _: 50.0, 5_400, first_c=38.0, limit_c=HOT_C)
    cool, _ = _lived(lambda _: -5.0, 5_400, first_c=9.0)
    for known, limit_c, sign in ((warm, HOT_C, 1), (cool, COLD_C, -1)):
        thermal = known[-1][1]
        less = _told(thermal, limit_c, rate, stays_h=3.0).times_s
        more = _told(thermal, limit_c, rate + 0.1, stays_h=3.0).times_s
        assert all(sign * (m - n) <= 1e-6 for m, n in zip(more, less, strict=True))


@pytest.mark.parametrize(
    ("above_c", "is_there"), [(-0.5, True), (0.0, True), (0.05, True), (0.06, False)]
)
@pytest.mark.parametrize("hot", [False, True])
def test_at_the_limit_there_is_no_time_left(
    *, above_c: float, is_there: bool, hot: bool
) -> None:
    seen_c = HOT_C - above_c if hot else COLD_C + above_c
    thermal = replace(Thermal(CAPACITY_AH), seen_c=(seen_c + 1e-9, seen_c + 1e-9))
    if not hot:
        thermal.seen_c = (seen_c - 1e-9, 20.0)
    known = thermal.known_s(HOT_C if hot else COLD_C, hot=hot)
    assert (known == [0.0]) is is_there


@pytest.mark.parametrize(
    ("apart_c", "is_far"),
    [(NEAR_C - 0.1, False), (NEAR_C, False), (NEAR_C + 0.1, True)],
)
@pytest.mark.parametrize("hot", [False, True])
def test_far_from_the_limit_nothing_is_foretold(
    *, apart_c: float, is_far: bool, hot: bool
) -> None:
    seen_c = HOT_C - apart_c if hot else COLD_C + apart_c
    thermal = replace(Thermal(CAPACITY_AH), seen_c=(seen_c, seen_c))
    known = thermal.known_s(HOT_C if hot else COLD_C, hot=hot)
    assert (known == [NEVER_S]) is is_far


@pytest.mark.parametrize(
    ("rows", "is_known"), [(NEEDED - 1, False), (NEEDED, True), (NEEDED + 1, True)]
)
def test_ten_minutes_are_needed_before_anything_is_said(
    *, rows: int, is_known: bool
) -> None:
    thermal = Thermal(CAPACITY_AH)
    for n in range(rows):
        thermal.hear(120.0 * n, 120.0, [10.0], 0.0)
    unknown = thermal.unknown(120.0 * (rows - 1))
    assert (unknown == "") is is_known
    assert is_known or unknown == "the temperature is not known long enough"


@pytest.mark.parametrize(
    ("gone_s", "is_stale"),
    [(STALE_S - 1, False), (STALE_S, False), (STALE_S + 1, True)],
)
def test_a_temperature_that_is_no_longer_said_is_not_known(
    *, gone_s: float, is_stale: bool
) -> None:
    thermal = Thermal(CAPACITY_AH)
    assert thermal.unknown(0.0) == "the pack says no temperature"
    for n in range(20):
        thermal.hear(120.0 * n, 120.0, [10.0], 0.0)
    unknown = thermal.unknown(120.0 * 19 + gone_s)
    assert unknown == ("the temperature has not been said for a while" * is_stale)


def test_the_coldest_and_the_hottest_sensor_are_named() -> None:
    thermal = Thermal(CAPACITY_AH)
    thermal.hear(0.0, 1.0, [9.0, 8.0, 8.5], 0.0)
    assert thermal.parts == (2, 1)
    thermal.hear(120.0, 120.0, [7.0, 8.0, 8.5], 0.0)
    assert thermal.parts == (1, 3)


@given(
    rows=st.lists(
        st.tuples(
            st.floats(min_value=1, max_value=20_000),
            st.floats(min_value=-60, max_value=125),
            st.floats(min_value=-2_000, max_value=2_000),
        ),
        min_size=NEEDED,
        max_size=60,
    ),
    limit_c=st.floats(min_value=-20, max_value=60),
    hot=st.booleans(),
)
def test_whatever_is_sensed_no_time_is_negative_or_unknown(
    *, rows: list[tuple[float, float, float]], limit_c: float, hot: bool
) -> None:
    thermal, at_s = Thermal(CAPACITY_AH), 0.0
    for dt_s, temp_c, current_a in rows:
        at_s += dt_s
        thermal.hear(at_s, dt_s, [temp_c], current_a)
    rate = rows[-1][2] / CAPACITY_AH
    heating = Heating(thermal.heat, rate * rate, 0.5, thermal.square)
    told = thermal.times_s(limit_c, heating, WARMS, hot=hot)
    assert len(told.times_s) == 40
    assert all(0 <= t <= 3600 * GRID_H[-1] or t == NEVER_S for t in told.times_s)


def test_what_was_heard_does_not_depend_on_the_time_of_the_clock() -> None:
    known, _ = _lived(lambda _: 0.0, 7_200, first_c=8.0)
    thermal = known[-1][1]
    moved = thermal.moved(1_000_000.0)
    assert _told(moved, COLD_C).times_s == pytest.approx(_told(thermal, COLD_C).times_s)
