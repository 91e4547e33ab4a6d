"""What a pack shows over time: ages, values that stand still, the rate of rise."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core_builders import Player, reading, sample
from core_watched import of, raised
from tocsin.core.events import AlarmFact
from tocsin.core.measures import highest_ahead_mv
from tocsin.core.rules import Measure
from tocsin.core.site import Timing

if TYPE_CHECKING:
    from tocsin.core.model import Sample

# --- ages ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at_ms", "lost"), [(9_999, False), (10_000, True), (10_001, True)]
)
def test_a_reading_is_old_at_its_age(at_ms: int, *, lost: bool) -> None:
    player = Player(of(Measure.DATA_AGE, 10_000, 5_000))
    player.play(reading(0))
    player.tick(at_ms)
    assert (player.alarm("watched") == "unacknowledged") is lost


def ages(off_delay_ms: int, *heard_ms: int) -> list[tuple[int, str]]:
    """Return (at_ms, state) of the alarm of a pack that was heard only then."""
    player = Player(of(Measure.DATA_AGE, 10_000, 5_000, off_delay_ms=off_delay_ms))
    player.play(*(reading(at_ms) for at_ms in heard_ms))
    player.tick(100_000)
    rows = [fact for fact in player.facts if isinstance(fact, AlarmFact)]
    return [(row.at_ms, row.state) for row in rows]


def test_an_age_counts_from_the_last_reading_whatever_the_alarm_did() -> None:
    assert ages(2_000, 12_000) == [
        (10_000, "unacknowledged"),
        (14_000, "returned unacknowledged"),
        (22_000, "unacknowledged"),
    ]


def test_a_source_that_fell_silent_again_does_not_return() -> None:
    assert ages(60_000, 12_000) == [(10_000, "unacknowledged")]


def test_a_source_returns_once_it_has_spoken_for_the_off_delay() -> None:
    assert ages(20_000, *range(12_000, 40_000, 1_000)) == [
        (10_000, "unacknowledged"),
        (32_000, "returned unacknowledged"),
        (49_000, "unacknowledged"),
    ]


LOADED = sample(current_ma=-10_000)
"""0.1C of 100 Ah, from which values that stand still are suspect."""


@pytest.mark.parametrize(("count", "frozen"), [(60, False), (61, True), (62, True)])
def test_values_that_stand_still_under_load_are_suspect_after_their_time(
    count: int, *, frozen: bool
) -> None:
    assert raised(of(Measure.UNCHANGED, 60_000, 100), *[LOADED] * count) is frozen


@pytest.mark.parametrize(
    ("current_ma", "frozen"), [(-9_999, False), (-10_000, True), (10_000, True)]
)
def test_a_resting_pack_may_stand_still(current_ma: int, *, frozen: bool) -> None:
    """Rest is below 0.1C; common practice, no source."""
    said = [sample(current_ma=current_ma)] * 62
    assert raised(of(Measure.UNCHANGED, 60_000, 100), *said) is frozen


def test_a_pack_that_does_not_say_its_current_is_not_suspect() -> None:
    said = [sample(current_ma=None)] * 62
    assert not raised(of(Measure.UNCHANGED, 60_000, 100), *said)


@pytest.mark.parametrize(
    "moved",
    [
        sample(3_300, 3_300, 3_301, 3_300, current_ma=-10_000),
        sample(current_ma=-10_001),
        sample(current_ma=-10_000, temps_dc=(201,)),
        sample(current_ma=-10_000, voltage_mv=13_200),
        sample(current_ma=-10_000, soc_permille=500),
    ],
)
def test_any_value_that_moves_ends_standing_still(moved: Sample) -> None:
    said = [LOADED] * 40
    assert not raised(of(Measure.UNCHANGED, 60_000, 100), *said, moved, *said)


@pytest.mark.parametrize(
    ("trip_ms", "frozen"), [(59_999, True), (60_000, True), (60_001, False)]
)
@pytest.mark.parametrize(
    "before",
    [
        sample(3_301, 3_300, 3_300, 3_300, current_ma=-10_000),
        sample(current_ma=-10_001),
    ],
)
def test_after_a_move_standing_still_counts_from_nothing(
    before: Sample, trip_ms: int, *, frozen: bool
) -> None:
    said = [*[before] * 5, *[LOADED] * 61]  # a second apart
    assert raised(of(Measure.UNCHANGED, trip_ms, 100), *said) is frozen


def test_values_that_stand_still_are_those_of_no_single_cell() -> None:
    player = Player(of(Measure.UNCHANGED, 1_000, 100))
    player.play(*(replace(reading(at_ms), sample=LOADED) for at_ms in (0, 1_000)))
    assert {alarm.where for alarm in player.state.alarms if alarm.active} == {"left"}


def test_where_polls_are_slower_than_the_window_three_readings_are_kept() -> None:
    """The rate over a window of 10 s; a trail is kept for a minute."""
    slow = Timing(good_scans=1, stale_ms=40_000)
    player = Player(replace(of(Measure.HIGHEST_CELL_AHEAD, 3_600, 3_500), timing=slow))
    player.play(*(reading(at_ms) for at_ms in range(0, 75_000, 15_000)))
    kept = [at_ms for at_ms, _ in player.state.packs[0].trail]
    assert kept == [30_000, 45_000, 60_000]


def test_a_counter_that_moves_does_not_end_standing_still() -> None:
    """A gateway that repeats old values may count on."""
    said = [replace(LOADED, beat=i) for i in range(62)]
    assert raised(of(Measure.UNCHANGED, 60_000, 100), *said)


@pytest.mark.parametrize(("stood_s", "old"), [(9, False), (10, True), (11, True)])
def test_a_counter_that_stands_still_is_old_at_its_age(
    stood_s: int, *, old: bool
) -> None:
    said = [*[sample(beat=i) for i in range(3)], *[sample(beat=2)] * stood_s]
    assert raised(of(Measure.BEAT_AGE, 10_000, 2_000), *said) is old


# --- the rate of rise ---------------------------------------------------------


def ramp(mv_per_s: int, *, for_s: int = 10, from_mv: int = 3_400) -> list[Sample]:
    return [
        sample(3_300, from_mv + mv_per_s * s, 3_300, 3_300) for s in range(for_s + 1)
    ]


@pytest.mark.parametrize(
    ("limit_mv", "beyond"), [(3_559, True), (3_560, True), (3_561, False)]
)
def test_a_steady_rise_is_carried_thirty_seconds_ahead(
    limit_mv: int, *, beyond: bool
) -> None:
    """3.400 V, 4 mV/s for 10 s, and 30 s more of it: 3.560 V."""
    where = of(Measure.HIGHEST_CELL_AHEAD, limit_mv, 3_300)
    assert raised(where, *ramp(4)) is beyond


def test_a_cell_that_falls_is_not_carried_down() -> None:
    falling = ramp(-4)
    top_mv = max(falling[-1].cells_mv)
    assert raised(of(Measure.HIGHEST_CELL_AHEAD, top_mv, 3_300), falling[-1])
    assert raised(of(Measure.HIGHEST_CELL_AHEAD, top_mv, 3_300), *falling)


@pytest.mark.parametrize("step_s", range(1, 11))
@pytest.mark.parametrize("step_mv", [-80, 30, 80])
def test_one_step_of_current_does_not_pass_for_a_rise(
    step_s: int, step_mv: int
) -> None:
    """Shedding 0.2C lifts a cell by 37 to 117 mV, calculated from Naumann et al., J.
    Energy Storage 2018, doi 10.1016/j.est.2018.01.019.
    """
    said = [sample(*[3_400 + (step_mv if s >= step_s else 0)] * 4) for s in range(12)]
    highest_mv = 3_400 + max(0, step_mv)
    where = of(Measure.HIGHEST_CELL_AHEAD, highest_mv + 1, 3_300)
    assert not any(raised(where, *said[:n]) for n in range(1, 13))


def test_a_slow_poll_still_sees_a_rise() -> None:
    said = ramp(20, for_s=3)
    where = of(Measure.HIGHEST_CELL_AHEAD, 3_500, 3_300)
    assert raised(where, *said[:3], each_ms=9_000)


def test_a_loss_of_data_forgets_the_rise() -> None:
    player = Player(of(Measure.HIGHEST_CELL_AHEAD, 3_500, 3_300))
    for i, said in enumerate(ramp(1, for_s=5)):
        player.play(replace(reading(i * 1_000), sample=said))
    player.play(reading(30_000, 3_300, 3_450, 3_300, 3_300))
    player.play(reading(30_001, 3_300, 3_451, 3_300, 3_300))
    assert player.alarm("watched") == "normal"
    assert len(player.state.packs[0].trail) == 2


def test_a_trail_never_grows_without_end() -> None:
    player = Player(of(Measure.HIGHEST_CELL_AHEAD, 3_500, 3_300))
    for i in range(300):
        player.play(reading(i * 1_000))
    trail = player.state.packs[0].trail
    assert trail[-1][0] - trail[0][0] == 10_000
    assert len(trail) == 11


def test_a_rise_that_has_stopped_by_half_of_the_trail_is_none() -> None:
    rising = (3_300, 3_310, 3_320, 3_330, 3_330, 3_330)
    trail = tuple((i * 1_000, (mv,)) for i, mv in enumerate(rising))
    assert highest_ahead_mv(trail, 30_000) == (3_330, 0)


def test_what_is_ahead_is_a_whole_number_of_millivolts() -> None:
    """Rounded down: 1 mV in 7 s comes to 4 mV in 30 s, in either half of the trail."""
    for middle_ms in (7_000, 1_000):
        trail = ((0, (3_300,)), (middle_ms, (3_301,)), (8_000, (3_302,)))
        assert highest_ahead_mv(trail, 30_000) == (3_306, 0)


def test_two_readings_of_one_moment_are_no_rise() -> None:
    trail = ((0, (3_300,)), (0, (3_400,)), (1_000, (3_450,)))
    assert highest_ahead_mv(trail, 30_000) == (3_450, 0)


TRAILS = st.lists(
    st.tuples(st.integers(0, 5_000), st.integers(2_000, 3_700)), min_size=1, max_size=9
)


@given(TRAILS)
def test_it_is_never_carried_below_what_was_seen_last(
    steps: list[tuple[int, int]],
) -> None:
    at_ms, trail = 0, []
    for gap_ms, cell_mv in steps:
        at_ms += gap_ms
        trail.append((at_ms, (cell_mv, 3_000)))
    seen = highest_ahead_mv(tuple(trail), 30_000)
    assert seen is not None
    assert seen[0] >= max(trail[-1][1])
    falls = all(b[1][0] <= a[1][0] for a, b in pairwise(trail))
    assert not falls or seen[0] == max(trail[-1][1])


@pytest.mark.parametrize(
    "trail", [(), ((0, ()),), ((0, (3_300,)), (1, (3_300,)), (2, ()))]
)
def test_without_cells_there_is_nothing_to_carry(
    trail: tuple[tuple[int, tuple[int, ...]], ...],
) -> None:
    assert highest_ahead_mv(trail, 30_000) is None


def test_a_pack_that_changes_its_number_of_cells_is_taken_as_it_is() -> None:
    trail = ((0, (3_300,)), (1_000, (3_400, 3_410)), (2_000, (3_420, 3_430)))
    assert highest_ahead_mv(trail, 30_000) == (3_430, 1)
