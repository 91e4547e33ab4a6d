"""Time of day in the core: told by an event, quiet hours over midnight."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core_builders import Player, local, site
from tocsin.core.hours import DAY_MS, HOUR_MS, Hours, clock_text, day_ms, until_ms

NIGHT = Hours(from_ms=22 * HOUR_MS, to_ms=7 * HOUR_MS)
NOON = Hours(from_ms=12 * HOUR_MS, to_ms=14 * HOUR_MS)
TIMES = st.integers(0, DAY_MS - 1)


@pytest.mark.parametrize(
    ("hours", "at_ms", "is_in"),
    [
        (NIGHT, 22 * HOUR_MS - 1, False),
        (NIGHT, 22 * HOUR_MS, True),
        (NIGHT, 22 * HOUR_MS + 1, True),
        (NIGHT, 0, True),
        (NIGHT, 7 * HOUR_MS - 1, True),
        (NIGHT, 7 * HOUR_MS, False),
        (NIGHT, 7 * HOUR_MS + 1, False),
        (NOON, 12 * HOUR_MS - 1, False),
        (NOON, 12 * HOUR_MS, True),
        (NOON, 14 * HOUR_MS - 1, True),
        (NOON, 14 * HOUR_MS, False),
        (NOON, 0, False),
    ],
)
def test_hours_begin_with_their_first_moment_and_have_ended_at_their_last(
    hours: Hours, at_ms: int, *, is_in: bool
) -> None:
    assert hours.cover(at_ms) is is_in


@given(TIMES, TIMES, TIMES)
def test_until_their_next_edge_nothing_changes_and_at_it_everything_does(
    from_ms: int, to_ms: int, at_ms: int
) -> None:
    if from_ms == to_ms:
        return
    hours = Hours(from_ms=from_ms, to_ms=to_ms)
    edge_ms = hours.edge_ms(at_ms)
    before, after = at_ms + edge_ms - 1, at_ms + edge_ms
    assert hours.cover(before % DAY_MS) is hours.cover(at_ms)
    assert hours.cover(after % DAY_MS) is not hours.cover(at_ms)


@given(TIMES, TIMES)
def test_the_way_to_a_time_of_day_is_never_none_and_at_most_a_day(
    to_ms: int, at_ms: int
) -> None:
    way_ms = until_ms(to_ms, at_ms)
    assert 0 < way_ms <= DAY_MS
    assert (at_ms + way_ms) % DAY_MS == to_ms


@pytest.mark.parametrize(("from_ms", "to_ms"), [(-1, 5), (5, DAY_MS), (5, 5)])
def test_hours_that_are_none_are_refused(from_ms: int, to_ms: int) -> None:
    with pytest.raises(ValueError, match=r"hours (are of one day|must end)"):
        Hours(from_ms=from_ms, to_ms=to_ms)


def test_times_of_day_are_written_as_people_write_them() -> None:
    assert clock_text(7 * HOUR_MS + 30 * 60_000) == "07:30"
    assert NIGHT.text() == "22:00-07:00"


def test_the_time_of_day_is_not_known_until_it_is_told_and_then_goes_on() -> None:
    player = Player(site())
    player.tick(5_000)
    assert day_ms(player.state.local_ms, 5_000) is None
    player.play(local(10_000, 23, 59))
    assert day_ms(player.state.local_ms, 10_000) == 23 * HOUR_MS + 59 * 60_000
    assert day_ms(player.state.local_ms, 10_000 + 60_000) == 0
    assert day_ms(player.state.local_ms, 10_000 + DAY_MS) == 86_340_000


def test_a_clock_that_was_set_is_believed() -> None:
    player = Player(site())
    player.play(local(10_000, 2), local(20_000, 3))
    assert day_ms(player.state.local_ms, 20_000) == 3 * HOUR_MS
