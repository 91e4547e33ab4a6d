"""Time to the low cut-off: by hand, and what must hold whatever the numbers."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast_curves import NAUMANN
from tocsin.core.forecast import FAR_MS, Limit
from tocsin.core.forecast.days import Stretch
from tocsin.core.forecast.fit import PICKS, Pick
from tocsin.core.forecast.load import Level
from tocsin.core.forecast.low import (
    LEAST_A,
    NEVER_S,
    RARE_PER_HOUR,
    SHORT_S,
    Ahead,
    Below,
    is_burst,
    relief_s,
    surge,
    times_s,
)
from tocsin.core.forecast.result import spread

PLAIN = Below(
    curve=NAUMANN,
    picks=((0.0, 100.0, 1.0, 0.0),),
    counter_ah=30.0,
    ohm=0.095 / 22.4,
    surface_h=0.0,
    cut_v=2.80,
)
"""100 Ah, 30 Ah above empty, 4.24 milliohm."""

STEADY = Ahead(
    mean_a=-20.0, sd_a=0.0, drawn_a=20.0, stays_s=0.0, levels=(), lead_s=900.0
)

KETTLE = Level(amps=90.0, per_hour=1.0, lasts_s=180.0, is_on=False)
FRIDGE = Level(amps=40.0, per_hour=2.5, lasts_s=600.0, is_on=False)

AMPS = st.floats(min_value=0.0, max_value=400.0)


@st.composite
def _picks(draw: st.DrawFn) -> tuple[Pick, ...]:
    pick = st.tuples(
        st.floats(min_value=-60, max_value=60),
        st.floats(min_value=40, max_value=130),
        st.floats(min_value=0.5, max_value=2.5),
        st.floats(min_value=-0.08, max_value=0.08),
    )
    return tuple(draw(st.lists(pick, min_size=PICKS, max_size=PICKS)))


@st.composite
def _cells(draw: st.DrawFn) -> Below:
    return Below(
        curve=NAUMANN,
        picks=draw(_picks()),
        counter_ah=draw(st.floats(min_value=-50, max_value=150)),
        ohm=draw(st.floats(min_value=1e-4, max_value=1e-2)),
        surface_h=draw(st.floats(min_value=0.0, max_value=0.3)),
        cut_v=draw(st.floats(min_value=2.0, max_value=3.0)),
        knee=draw(st.floats(min_value=0.0, max_value=0.3)),
    )


@st.composite
def _loads(draw: st.DrawFn) -> Ahead:
    level = st.builds(
        Level,
        amps=AMPS,
        per_hour=st.floats(min_value=0.0, max_value=30.0),
        lasts_s=st.floats(min_value=0.0, max_value=900.0),
        is_on=st.booleans(),
    )
    return Ahead(
        mean_a=draw(st.floats(min_value=-400, max_value=400)),
        sd_a=draw(st.floats(min_value=0.0, max_value=50.0)),
        drawn_a=draw(st.floats(min_value=-400, max_value=400)),
        stays_s=draw(st.floats(min_value=0.0, max_value=80_000.0)),
        levels=tuple(draw(st.lists(level, max_size=4))),
        lead_s=draw(st.floats(min_value=300, max_value=3_600)),
    )


def test_the_time_of_one_hypothesis_is_that_of_a_hand_calculation() -> None:
    # Under load for long, 20 A drop 1.12 x 4.241 milliohm x 20 A = 95 mV. At the
    # cut-off of 2.80 V the rested cell would show 2.895 V, which is 2 % (Naumann et
    # al. 2018): 28 Ah lie above it, and 20 A draw them in 1.4 h.
    assert times_s(PLAIN, STEADY) == pytest.approx([1.4 * 3600] * 3, abs=1)


def test_what_the_surface_is_ahead_is_taken_off() -> None:
    # 0.06 h at 20 A are 1.2 Ah, which 20 A draw in 216 s.
    later_s = times_s(PLAIN, STEADY)[0]
    sooner_s = times_s(replace(PLAIN, surface_h=0.06), STEADY)[0]
    assert later_s - sooner_s == pytest.approx(216)


def test_what_is_drawn_now_goes_on_first_and_then_the_mean_follows() -> None:
    # 60 A for 600 s take 10 Ah; the mean of 20 A then takes the other 18 Ah.
    ahead = replace(STEADY, drawn_a=60.0, stays_s=600.0)
    expected_s = 600 + (28 - 10) * 180
    assert times_s(PLAIN, ahead)[0] == pytest.approx(expected_s, abs=1)


def test_a_level_that_comes_often_is_awaited() -> None:
    # It alone would pull the cell down once 40 A x 600 s and its own drop are left.
    alone_s = times_s(PLAIN, STEADY)[0]
    awaited_s = times_s(PLAIN, replace(STEADY, levels=(FRIDGE,)))
    assert min(awaited_s) < alone_s
    assert max(awaited_s) <= alone_s


def test_a_kettle_is_not_awaited_but_told_as_a_surge() -> None:
    ahead = replace(STEADY, levels=(KETTLE,))
    assert times_s(PLAIN, ahead) == times_s(PLAIN, STEADY)
    assert surge(PLAIN, ahead)[1] is not None


@pytest.mark.parametrize(
    ("per_hour", "is_one"),
    [(RARE_PER_HOUR - 0.1, True), (RARE_PER_HOUR, False), (RARE_PER_HOUR + 0.1, False)],
)
def test_a_burst_is_rare(*, per_hour: float, is_one: bool) -> None:
    assert is_burst(replace(KETTLE, per_hour=per_hour)) is is_one


@pytest.mark.parametrize(
    ("lasts_s", "is_one"), [(SHORT_S - 1, True), (SHORT_S, False), (SHORT_S + 1, False)]
)
def test_a_burst_is_short(*, lasts_s: float, is_one: bool) -> None:
    assert is_burst(replace(KETTLE, lasts_s=lasts_s)) is is_one


@pytest.mark.parametrize(
    ("now", "share"), [(-0.5, 0.0), (0.0, 0.0), (0.125, 0.5), (0.25, 1.0), (0.4, 1.0)]
)
def test_the_resistance_grows_by_what_is_still_ahead_of_the_cell(
    now: float, share: float
) -> None:
    # 0.3 in all, from a quarter full down; what lies behind was learned already.
    cell = replace(PLAIN, counter_ah=100 * now, knee=0.3)
    larger = replace(cell, knee=0.0, ohm=cell.ohm * (1.12 + 0.3 * share) / 1.12)
    pick = cell.picks[0]
    assert cell.left_ah(pick, 60, 60) == pytest.approx(larger.left_ah(pick, 60, 60))


def test_without_a_load_there_is_no_end() -> None:
    idle = replace(STEADY, mean_a=0.0, drawn_a=0.0)
    assert set(times_s(PLAIN, idle)) == {NEVER_S}
    assert spread(Limit.LOW, times_s(PLAIN, idle), "1").likely_ms == FAR_MS


def test_a_cell_that_is_already_past_it_has_no_time_left() -> None:
    assert set(times_s(replace(PLAIN, counter_ah=0.5), STEADY)) == {0.0}


@given(_cells(), _loads())
def test_times_are_never_negative_nor_unknown_and_their_spread_is_in_order(
    cell: Below, ahead: Ahead
) -> None:
    times = times_s(cell, ahead)
    assert len(times) == 3 * PICKS
    assert all(isfinite(each) and each >= 0 for each in times)
    told = spread(Limit.LOW, times, "1")
    assert told.early_ms is not None
    assert told.likely_ms is not None
    assert told.late_ms is not None
    assert 0 <= told.early_ms <= told.likely_ms <= told.late_ms <= FAR_MS


@given(_cells(), _loads(), AMPS, AMPS)
def test_more_load_never_means_more_time(
    cell: Below, ahead: Ahead, more_a: float, more_mean_a: float
) -> None:
    less = replace(ahead, levels=())
    more = replace(
        less,
        drawn_a=max(ahead.drawn_a, 0.0) + more_a,
        mean_a=ahead.mean_a - more_mean_a,
    )
    for before_s, after_s in zip(times_s(cell, less), times_s(cell, more), strict=True):
        assert after_s <= before_s * (1 + 1e-9) + 1e-6


@given(_cells(), _loads(), AMPS, AMPS)
def test_with_awaited_levels_more_load_means_no_more_than_their_length_more(
    cell: Below, ahead: Ahead, more_a: float, more_mean_a: float
) -> None:
    # What a level takes is counted on top of the mean, so that a mean that grows
    # takes from it; and those below what is drawn are not awaited.
    top_a = max(ahead.drawn_a, 0.0) + more_a
    levels = tuple(level for level in ahead.levels if level.amps > top_a)
    longest_s = max((level.lasts_s for level in levels), default=0.0)
    less = replace(ahead, levels=levels)
    more = replace(less, drawn_a=top_a, mean_a=ahead.mean_a - more_mean_a)
    for before_s, after_s in zip(times_s(cell, less), times_s(cell, more), strict=True):
        assert after_s <= before_s * (1 + 1e-9) + longest_s + 1e-6


@given(_cells(), _loads(), st.floats(min_value=0.0, max_value=50.0))
def test_more_charge_never_means_less_time(
    cell: Below, ahead: Ahead, more_ah: float
) -> None:
    fuller = replace(
        cell, picks=tuple((e - more_ah, c, g, v) for e, c, g, v in cell.picks)
    )
    # Its resistance will still grow by more, but never by enough to matter.
    for before_s, after_s in zip(
        times_s(cell, ahead), times_s(fuller, ahead), strict=True
    ):
        assert after_s >= before_s * (1 - 1e-9) - 1e-6


@given(_cells(), AMPS)
def test_half_the_load_never_costs_time(cell: Below, mean_a: float) -> None:
    relief = relief_s(cell, mean_a)
    assert relief is None or relief >= 0


@pytest.mark.parametrize(
    ("mean_a", "is_known"), [(LEAST_A - 0.01, False), (LEAST_A, True), (0.31, True)]
)
def test_relief_is_told_of_a_load_only(*, mean_a: float, is_known: bool) -> None:
    assert (relief_s(PLAIN, mean_a) is not None) is is_known


def test_half_the_load_more_than_doubles_the_time() -> None:
    # Twice the time for the same charge, and the smaller drop leaves less behind.
    whole_s, relief = times_s(PLAIN, STEADY)[0], relief_s(PLAIN, 20.0)
    assert relief is not None
    assert whole_s < relief < 1.05 * whole_s


@given(
    _cells(),
    _loads(),
    st.floats(min_value=30.0, max_value=500.0),
    st.floats(min_value=10.0, max_value=700.0),
)
def test_the_largest_safe_load_is_safe_and_five_per_cent_more_is_not(
    cell: Below, ahead: Ahead, amps: float, lasts_s: float
) -> None:
    burst = Level(amps=amps, per_hour=1.0, lasts_s=lasts_s, is_on=False)
    share, safe_a = surge(cell, replace(ahead, mean_a=-2.0, levels=(burst,)))
    assert 0 <= share <= 1
    assert safe_a is not None
    assert 0 <= safe_a <= 1.5 * amps
    middle = cell.picks[len(cell.picks) // 2]

    def is_safe(load_a: float) -> bool:
        taken_ah = max(0.0, load_a - 2.0) * lasts_s / 3600
        return cell.left_ah(middle, load_a, 2.0) > taken_ah

    assert safe_a == 0 or is_safe(safe_a)
    # A load half as large again as any seen lately is as far as anyone looked.
    if safe_a < 1.49 * amps:
        assert not is_safe(safe_a * 1.05 + 0.002 * amps)


def test_a_small_safe_load_leaves_every_hypothesis_ended_by_the_kettle() -> None:
    nearly = replace(PLAIN, counter_ah=6.0, ohm=0.004)
    share, safe_a = surge(nearly, replace(STEADY, mean_a=-4.0, levels=(KETTLE,)))
    assert share == 1.0
    assert safe_a is not None
    assert safe_a < KETTLE.amps


@pytest.mark.parametrize(
    ("mean_a", "is_told"), [(35.9, True), (36.0, False), (36.1, False)]
)
def test_a_burst_stands_out_from_the_mean(*, mean_a: float, is_told: bool) -> None:
    # 90 A is told of while it is more than two and a half times the mean.
    _, safe_a = surge(PLAIN, replace(STEADY, mean_a=-mean_a, levels=(KETTLE,)))
    assert (safe_a is not None) is is_told


def _plan(*drawn_a: float, trust: float = 1.0) -> tuple[Stretch, ...]:
    """Half hours to come, the first of which is left to what runs now."""
    later = (Stretch(1800.0 * n, trust, -a, 0.0) for n, a in enumerate(drawn_a, 2))
    return (Stretch(1800.0, 0.0, 0.0, 0.0), *later)


def test_a_heater_that_is_expected_shortens_the_time_before_it_comes() -> None:
    idle = replace(STEADY, mean_a=-2.0, drawn_a=2.0)
    plan = _plan(60.0, *[2.0] * 20)
    (alone_s, *_) = times_s(PLAIN, idle)
    (with_heater_s, *_) = times_s(PLAIN, replace(idle, plan=plan))
    assert alone_s > 10 * 3600
    assert 1800 < with_heater_s < 3600


def test_what_is_not_believed_changes_nothing() -> None:
    plan = _plan(*[60.0] * 47, trust=0.0)
    planned = times_s(PLAIN, replace(STEADY, plan=plan))
    assert planned == pytest.approx(times_s(PLAIN, STEADY))


def test_charge_that_is_expected_counts() -> None:
    plan = _plan(-40.0, *[20.0] * 40)
    assert min(times_s(PLAIN, replace(STEADY, plan=plan))) > max(times_s(PLAIN, STEADY))


@given(
    _cells(),
    _loads(),
    st.lists(AMPS, min_size=3, max_size=20),
    st.tuples(st.floats(0.0, 1.0), st.integers(0, 19), AMPS),
)
def test_more_load_at_any_hour_never_means_more_time(
    cell: Below,
    ahead: Ahead,
    drawn_a: list[float],
    change: tuple[float, int, float],
) -> None:
    trust, hour, more_a = change
    more = list(drawn_a)
    more[hour % len(more)] += more_a
    less_s = times_s(cell, replace(ahead, plan=_plan(*drawn_a, trust=trust)))
    more_s = times_s(cell, replace(ahead, plan=_plan(*more, trust=trust)))
    assert all(
        later <= sooner * (1 + 1e-9) + 1e-6
        for later, sooner in zip(more_s, less_s, strict=True)
    )
    assert all(isfinite(each) for each in more_s)
