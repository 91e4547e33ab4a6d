"""What the load does: means, levels, and how long it goes on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.forecast.load import LONGEST_S, RATES, Load

if TYPE_CHECKING:
    from collections.abc import Callable

CAPACITY_AH = 100.0
LEAD_S = 900.0
HOUR_S = 3600


def _heard(
    drawn_a: Callable[[int], float], seconds: int, *, step_s: int = 5, from_s: int = 0
) -> Load:
    load = Load(CAPACITY_AH, LEAD_S)
    for second in range(0, seconds, step_s):
        load.hear(float(from_s + second), float(step_s), -drawn_a(second))
    return load


def _fridge(second: int) -> float:
    """Ten minutes of every thirty, 12 A on top of 3 A."""
    return 15.0 if second % 1800 < 600 else 3.0


def _kettle(second: int) -> float:
    """Two minutes once an hour, 60 A on top of 3 A."""
    return 60.0 if second % HOUR_S >= HOUR_S - 120 else 3.0


def test_a_constant_load_is_its_own_mean() -> None:
    load = _heard(lambda _: 20.0, 2 * HOUR_S)
    mean_a, sd_a = load.mean(0.2)
    assert mean_a == pytest.approx(-20.0, abs=1e-6)
    assert sd_a < 0.02 * CAPACITY_AH


def test_from_the_first_reading_on_the_mean_is_a_mean() -> None:
    load = _heard(lambda _: 20.0, 5)
    assert load.mean(0.2)[0] == pytest.approx(-20.0)


def test_charge_is_counted_in_ampere_hours_and_positive() -> None:
    load = _heard(lambda _: -10.0, HOUR_S)
    assert load.counted_ah == pytest.approx(10.0)
    assert load.mean(0.2)[0] == pytest.approx(10.0)


def test_the_deviation_shrinks_as_a_steady_load_proves_steady() -> None:
    early = _heard(lambda _: 20.0, 600).mean(0.2)[1]
    late = _heard(lambda _: 20.0, 3 * HOUR_S).mean(0.2)[1]
    assert late < early


def test_the_mean_of_a_fridge_is_that_of_whole_cycles() -> None:
    load = _heard(_fridge, 8 * HOUR_S)
    assert -load.mean(0.2)[0] == pytest.approx(7.0, abs=2.0)


def test_a_fridge_is_a_level_that_comes_twice_an_hour_for_ten_minutes() -> None:
    levels = _heard(_fridge, 8 * HOUR_S).levels()
    top = levels[-1]
    assert top.amps == pytest.approx(15.0, rel=0.05)
    assert top.per_hour == pytest.approx(2.0, rel=0.15)
    assert top.lasts_s == pytest.approx(600, rel=0.1)
    assert not top.is_on


def test_a_kettle_shows_as_a_rare_short_level() -> None:
    levels = _heard(_kettle, 6 * HOUR_S).levels()
    top = levels[-1]
    assert top.amps == pytest.approx(60.0, rel=0.1)
    assert top.per_hour == pytest.approx(1.0, rel=0.2)
    assert top.lasts_s == pytest.approx(120, rel=0.2)


def test_a_level_that_never_ends_is_taken_for_a_quarter_of_an_hour_at_most() -> None:
    level = _heard(lambda _: 20.0, 3 * HOUR_S).levels()[-1]
    assert level.is_on
    assert level.lasts_s == LONGEST_S


@pytest.mark.parametrize(("rate", "levels"), [(0.109, 4), (0.11, 5), (0.111, 5)])
def test_a_load_is_at_a_level_from_its_rate_on(rate: float, levels: int) -> None:
    load = _heard(lambda _: rate * CAPACITY_AH + 1e-9, 600)
    assert len(load.levels()) == levels


@pytest.mark.parametrize(("rate", "is_on"), [(0.84, False), (0.85, True), (0.86, True)])
def test_a_level_is_left_fifteen_per_cent_below_it(*, rate: float, is_on: bool) -> None:
    level = RATES.index(0.25)
    load = _heard(lambda s: 25.0001 if s < 600 else rate * 25.0 + 1e-9, 1200, step_s=30)
    assert load.up[level] is is_on


def test_what_never_ended_goes_on_for_as_long_as_it_has_been() -> None:
    load = _heard(lambda _: 20.0, 1800)
    assert load.stays_s() == pytest.approx(1800, abs=10)


def test_what_has_a_habit_goes_on_for_what_is_left_of_it() -> None:
    load = _heard(_fridge, 8 * HOUR_S + 120)
    # Ten minutes is its habit and two are over.
    assert load.stays_s() == pytest.approx(480, abs=60)


def test_between_two_comings_it_goes_on_until_the_next_is_due() -> None:
    load = _heard(_fridge, 8 * HOUR_S - 300)
    # Twenty minutes lie between, fifteen of them are over; what was not yet watched
    # counts as time without a coming.
    assert 300 <= load.stays_s() <= 500


def test_what_has_outlasted_its_habit_goes_on_for_as_long_as_it_has_been() -> None:
    def stuck(second: int) -> float:
        return 15.0 if second >= 8 * HOUR_S else _fridge(second)

    load = _heard(stuck, 8 * HOUR_S + 3600)
    assert load.stays_s() == pytest.approx(3600, abs=30)


@pytest.mark.parametrize("drawn_a", [0.0, 0.5, 20.0])
def test_how_long_it_goes_on_does_not_depend_on_when_the_clock_began(
    drawn_a: float,
) -> None:
    one = _heard(lambda _: drawn_a, 1800)
    other = _heard(lambda _: drawn_a, 1800, from_s=1_000_000)
    assert other.stays_s() == one.stays_s()


def test_the_peak_is_the_highest_ten_minutes_of_the_last_hour_and_a_half() -> None:
    load = _heard(lambda s: -50.0 if s < HOUR_S else -5.0, 2 * HOUR_S)
    assert load.peak() == pytest.approx(50.0, rel=0.02)
    load = _heard(lambda s: -50.0 if s < HOUR_S else -5.0, 4 * HOUR_S)
    assert load.peak() == pytest.approx(5.0, rel=0.05)


def test_a_copy_goes_on_by_itself() -> None:
    old = _heard(_fridge, HOUR_S)
    before = old.copied()
    going_on = old.copied()
    for second in range(HOUR_S, 2 * HOUR_S, 5):
        going_on.hear(float(second), 5.0, -40.0)
    assert old == before
    assert going_on != before


@given(
    st.lists(
        st.tuples(
            st.floats(min_value=0.1, max_value=4_000),
            st.floats(min_value=-900, max_value=900),
        ),
        min_size=1,
        max_size=80,
    )
)
def test_whatever_flows_nothing_is_negative_or_unknown(
    rows: list[tuple[float, float]],
) -> None:
    load, at_s = Load(CAPACITY_AH, LEAD_S), 0.0
    for dt_s, current_a in rows:
        at_s += dt_s
        load.hear(at_s, dt_s, current_a)
    mean_a, sd_a = load.mean(0.2)
    assert abs(mean_a) <= 900.001
    assert sd_a > 0
    assert load.stays_s() >= 0
    for level in load.levels():
        assert level.amps > 0
        assert level.per_hour >= 0
        assert 0 <= level.lasts_s <= LONGEST_S
