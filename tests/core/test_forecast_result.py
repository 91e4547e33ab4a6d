"""What a forecast says of its futures: one in twenty, one in two, all but one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.forecast.result import FAR_MS, Limit, far, spread


@pytest.mark.parametrize("count", [20, 40, 60, 100])
def test_one_in_twenty_futures_ends_before_the_early_bound(count: int) -> None:
    told = spread(Limit.LOW, [float(n) for n in reversed(range(count))], "3")
    assert told.early_ms is not None
    assert told.likely_ms is not None
    assert told.late_ms is not None
    assert told.early_ms == count // 20 * 1000
    assert told.likely_ms == count // 2 * 1000
    # All but one in twenty end before the late bound.
    assert count - told.late_ms // 1000 == count // 20
    assert told.part == "3"
    assert told.reason == ""


def test_a_single_future_is_all_there_is() -> None:
    told = spread(Limit.COLD, [1.5], "1")
    assert (told.early_ms, told.likely_ms, told.late_ms) == (1_500, 1_500, 1_500)


@pytest.mark.parametrize(
    ("seconds", "said_ms"),
    [(86_399.0, FAR_MS - 1_000), (86_400.0, FAR_MS), (86_401.0, FAR_MS), (9e9, FAR_MS)],
)
def test_further_ahead_than_a_day_nothing_is_foretold(
    seconds: float, said_ms: int
) -> None:
    assert spread(Limit.HIGH, [seconds] * 20, "1").likely_ms == said_ms


def test_where_no_cut_off_is_foreseen_the_reason_is_said() -> None:
    told = far(Limit.HIGH, "the pack is not being charged")
    assert (told.early_ms, told.likely_ms, told.late_ms) == (FAR_MS,) * 3
    assert told.reason == "the pack is not being charged"
    assert told.part == ""


@given(st.lists(st.floats(min_value=0, max_value=1e10), min_size=1, max_size=80))
def test_the_bounds_are_in_order(seconds: list[float]) -> None:
    told = spread(Limit.LOW, seconds, "1")
    assert told.early_ms is not None
    assert told.likely_ms is not None
    assert told.late_ms is not None
    assert 0 <= told.early_ms <= told.likely_ms <= told.late_ms <= FAR_MS
