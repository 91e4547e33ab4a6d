"""Habits of the day: what comes at this hour, and how far to believe it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tocsin.core.forecast.days import BIN_S, BINS, Days
from tocsin.core.forecast.load import Load

if TYPE_CHECKING:
    from collections.abc import Callable

CAPACITY_AH = 200.0
HOUR_S = 3600
DAY_S = 24 * HOUR_S
ROUNDED_S = 1e-6


def _lived(
    drawn_a: Callable[[int, int], float], hours: int, *, from_s: int = 0
) -> Load:
    """Watch *drawn_a* (of day and hour) for so long, a reading a minute."""
    load = Load(CAPACITY_AH, 900.0)
    for second in range(0, hours * HOUR_S, 60):
        day, hour = divmod(second // HOUR_S, 24)
        load.hear(float(from_s + second), 60.0, -drawn_a(day, hour))
    return load


def _heater(_: int, hour: int) -> float:
    return 30.0 if hour >= 23 or hour < 3 else 5.0


def _believed(load: Load, ahead_h: float) -> tuple[float, float]:
    """Return what is foretold so far ahead: (trust, drawn in A)."""
    for stretch in load.plan():
        if ahead_h * HOUR_S < stretch.ends_s:
            return stretch.trust, -stretch.mean_a
    return 0.0, 0.0


@pytest.mark.parametrize(("days", "known"), [(1, False), (2, True), (3, True)])
def test_two_days_must_be_seen_before_an_hour_is_believed(
    days: int, *, known: bool
) -> None:
    load = _lived(_heater, 24 * days + 22)
    assert (_believed(load, 1.3)[0] > 0) is known


def test_a_heater_that_comes_at_eleven_is_foreseen_at_ten() -> None:
    load = _lived(_heater, 24 * 5 + 22)
    trust, drawn_a = _believed(load, 1.3)
    assert trust > 0.7
    assert drawn_a == pytest.approx(30.0, abs=3.0)
    assert _believed(load, 0.3)[1] == pytest.approx(5.0, abs=3.0)


def test_its_end_is_foreseen_too() -> None:
    load = _lived(_heater, 24 * 5 + 26)
    assert _believed(load, 1.3)[1] == pytest.approx(5.0, abs=3.0)


def test_a_load_at_any_hour_is_believed_less_than_one_at_its_hour() -> None:
    def anywhen(day: int, hour: int) -> float:
        return 30.0 if hour == (day * 7 + 3) % 24 else 5.0

    regular = _lived(_heater, 24 * 8 + 22)
    random = _lived(anywhen, 24 * 8 + 22)
    assert _believed(random, 1.3)[0] < _believed(regular, 1.3)[0] - 0.2


def test_a_new_habit_takes_the_place_of_the_old_within_a_week() -> None:
    load = _lived(
        lambda day, hour: _heater(day, hour) if day < 8 else 12.0, 24 * 15 + 22
    )
    assert _believed(load, 1.3)[1] == pytest.approx(12.0, abs=3.0)


def test_a_half_hour_in_which_the_protection_cut_off_is_no_habit() -> None:
    load = _lived(_heater, 24 * 5 + 23)
    before = load.days.hours
    for minute in range(31):
        load.cut_off()
        load.hear(float((24 * 5 + 23) * HOUR_S + minute * 60), 60.0, 0.0)
    assert load.days.hours == before


@pytest.mark.parametrize("from_s", [1, 12_345, 900_000])
def test_the_hour_counts_from_the_first_reading(from_s: int) -> None:
    hours = 24 * 3 + 20
    plain, moved = _lived(_heater, hours), _lived(_heater, hours, from_s=from_s)
    assert moved.days.hours == plain.days.hours
    assert moved.plan() == plain.plan()


def test_moving_the_days_moves_the_hours_with_them() -> None:
    load = _lived(_heater, 24 * 3 + 20)
    assert load.moved(5_000.0).plan() == load.plan()


@given(
    st.lists(st.tuples(st.floats(1, 90_000), st.floats(-1e4, 1e4)), max_size=60),
)
@example([(44672.015453438056, 0.0), (86400.0, 0.0)])
def test_the_table_stays_bounded_whatever_is_heard(
    heard: list[tuple[float, float]],
) -> None:
    days, at_s = Days(CAPACITY_AH), 0.0
    for later_s, counted_ah in heard:
        at_s += later_s
        if at_s >= days.ends_s:
            days = days.heard(at_s, counted_ah)
        assert at_s < days.ends_s <= at_s + BIN_S + ROUNDED_S
    assert len(days.hours) == BINS
    assert all(0 <= s.trust <= 1 for s in days.ahead(at_s, 1.0))
