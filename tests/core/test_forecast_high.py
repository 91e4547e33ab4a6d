"""Time to the high cut-off: who is full first, and whether the charger stops before."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast_curves import NAUMANN
from tocsin.core.forecast.fit import PICKS
from tocsin.core.forecast.high import (
    KNEE_SHOWS_V,
    Above,
    Charging,
    alignment_ah,
    times_s,
)
from tocsin.core.forecast.low import NEVER_S

CAPACITY_AH = 100.0
BIN_AH = 0.5


def _cell(*, ahead_ah: float = 0.0, is_own: bool = True, rest_v: float = 3.33) -> Above:
    """Return a cell that is *ahead_ah* fuller than one at zero when its counter is."""
    return Above(
        picks=((-ahead_ah, CAPACITY_AH, 1.0, 0.0),) * PICKS,
        rest_v=rest_v,
        plateau_v=0.0,
        surface_ah=0.0,
        ohm=0.001,
        later_ah=-ahead_ah,
        is_own=is_own,
    )


STEADY = Charging(
    curve=NAUMANN,
    cells=4,
    nameplate_ah=CAPACITY_AH,
    counter_ah=90.0,
    mean_a=20.0,
    sd_a=0.0,
    now_a=20.0,
    peak_a=20.0,
    cut_v=3.75,
    limit_v=None,
)


def _middle_s(cells: list[Above], ahead: Charging) -> float:
    futures, _ = times_s(cells, ahead)
    return sorted(futures)[len(futures) // 2]


def test_the_time_of_equal_cells_is_that_of_a_hand_calculation() -> None:
    # 1.15 x 1 milliohm x 20 A = 23 mV, so the cells end at 3.727 V at rest: past the
    # end of the published curve, where its last half per cent climbs 0.134 V.
    end = 1 + (3.727 - 3.530) / 0.134 * 0.005
    seconds = (100 * end - 90) / 20 * 3600
    assert _middle_s([_cell()] * 4, STEADY) == pytest.approx(seconds, rel=0.01)


@pytest.mark.parametrize("first", [0, 1, 3])
@pytest.mark.parametrize("is_own", [True, False])
def test_the_cell_that_is_ahead_is_named(*, first: int, is_own: bool) -> None:
    cells = [
        _cell(ahead_ah=3.0 if k == first else 0.0, is_own=is_own) for k in range(4)
    ]
    assert times_s(cells, STEADY)[1] == first


def test_a_cell_that_is_ahead_ends_it_sooner_by_just_that_charge() -> None:
    even_s = _middle_s([_cell()] * 4, STEADY)
    ahead_s = _middle_s([_cell(), _cell(ahead_ah=2.0), _cell(), _cell()], STEADY)
    assert even_s - ahead_s == pytest.approx(2.0 / 20 * 3600, abs=1)


@pytest.mark.parametrize(
    ("limit_v", "is_foreseen"), [(14.98, False), (15.00, True), (15.02, True)]
)
def test_a_charger_that_stops_before_the_cut_off_means_none_is_foreseen(
    *, limit_v: float, is_foreseen: bool
) -> None:
    # Equal cells are at the cut-off together: 4 x 3.75 V.
    times, _ = times_s([_cell()] * 4, replace(STEADY, limit_v=limit_v))
    assert (NEVER_S not in times) is is_foreseen
    assert (set(times) == {NEVER_S}) is not is_foreseen


def test_one_cell_far_ahead_cuts_off_below_the_charger_limit() -> None:
    # The others are at 93 to 97 per cent then: about 3.37 V each with the charge on.
    cells = [_cell(ahead_ah=4.0), _cell(), _cell(), _cell()]
    times, first = times_s(cells, replace(STEADY, limit_v=4 * 3.60))
    assert NEVER_S not in times
    assert first == 0


def test_a_limit_that_is_not_known_stops_nothing() -> None:
    assert NEVER_S not in times_s([_cell()] * 4, STEADY)[0]


@pytest.mark.parametrize(
    ("mean_a", "ends"), [(0.39, False), (0.40, True), (0.41, True)]
)
def test_a_trickle_is_no_charge(*, mean_a: float, ends: bool) -> None:
    # Of 100 Ah; futures that see the sun come back have the peak.
    ahead = replace(STEADY, mean_a=mean_a, now_a=mean_a, peak_a=0.0)
    times, _ = times_s([_cell()] * 4, ahead)
    assert (set(times) != {NEVER_S}) is ends


def test_half_of_the_futures_see_the_sun_come_back() -> None:
    cloudy = replace(STEADY, mean_a=5.0, now_a=5.0, peak_a=40.0)
    times, _ = times_s([_cell()] * 4, cloudy)
    sunny_s = _middle_s([_cell()] * 4, replace(STEADY, mean_a=36.0, now_a=36.0))
    assert sum(t == pytest.approx(sunny_s, rel=0.05) for t in times) == len(times) // 2


@pytest.mark.parametrize(
    ("above_v", "shows"), [(-0.001, False), (0.0, False), (0.001, True)]
)
def test_once_the_knee_shows_it_alone_tells_where_it_is(
    *, above_v: float, shows: bool
) -> None:
    # The hypotheses say that half is still missing; the voltage knows better.
    cell = _cell(ahead_ah=-40.0, rest_v=KNEE_SHOWS_V + above_v)
    middle_s = _middle_s([cell] * 4, STEADY)
    assert (middle_s < 900) is shows


def _shown(later_ah: float, seed: int) -> dict[int, float]:
    """Return what a cell shows on the charge side, from 70 per cent to its knee."""
    random = Random(seed)
    return {
        k: NAUMANN.at((k * BIN_AH - later_ah) / CAPACITY_AH) + random.gauss(0, 3e-4)
        for k in range(140, 196)
    }


@pytest.mark.parametrize("shift_ah", [-3.0, -1.5, 1.5, 3.0])
def test_a_curve_that_is_shifted_is_found_by_sliding_it(shift_ah: float) -> None:
    shifts = [0.0, 0.0, shift_ah, 0.0, 0.0]
    seen = [_shown(shift, seed) for seed, shift in enumerate(shifts)]
    later = alignment_ah(seen, BIN_AH)
    assert later[2] == pytest.approx(shift_ah, abs=0.5)
    for k in (0, 1, 3, 4):
        assert later[k] == pytest.approx(0.0, abs=0.5)


def test_cells_that_were_never_seen_together_are_taken_as_equal() -> None:
    seen = [dict.fromkeys(range(20), 3.33), dict.fromkeys(range(40, 60), 3.33)]
    assert alignment_ah(seen, BIN_AH) == [0.0, 0.0]
    assert alignment_ah([{}, {}], BIN_AH) == [0.0, 0.0]


@pytest.mark.parametrize(("bins", "is_found"), [(10, False), (11, True), (12, True)])
def test_ten_bins_must_overlap_to_align(*, bins: int, is_found: bool) -> None:
    # Of ten bins only nine overlap once they are slid.
    bent = {k: 3.30 + 0.001 * k * k for k in range(bins)}
    ahead = {k: 3.30 + 0.001 * (k + 1) ** 2 for k in range(bins)}
    later_ah = alignment_ah([bent, bent, ahead], BIN_AH)[2]
    assert (later_ah < -0.1) is is_found


VOLTS = st.floats(min_value=2.0, max_value=3.9)


@st.composite
def _cells(draw: st.DrawFn) -> list[Above]:
    pick = st.tuples(
        st.floats(min_value=-60, max_value=60),
        st.floats(min_value=40, max_value=130),
        st.floats(min_value=0.5, max_value=2.5),
        st.floats(min_value=-0.08, max_value=0.08),
    )
    cell = st.builds(
        Above,
        picks=st.lists(pick, min_size=PICKS, max_size=PICKS).map(tuple),
        rest_v=VOLTS,
        plateau_v=st.floats(min_value=-0.05, max_value=0.03),
        surface_ah=st.floats(min_value=-10, max_value=10),
        ohm=st.floats(min_value=1e-4, max_value=1e-2),
        later_ah=st.floats(min_value=-8, max_value=8),
        is_own=st.booleans(),
    )
    return draw(st.lists(cell, min_size=1, max_size=3))


@given(
    _cells(),
    st.floats(min_value=-100, max_value=300),
    st.floats(min_value=0.0, max_value=60),
    st.none() | st.floats(min_value=10.0, max_value=16.0),
)
def test_whatever_is_known_no_time_is_negative_or_unknown(
    cells: list[Above], mean_a: float, sd_a: float, limit_v: float | None
) -> None:
    ahead = replace(STEADY, mean_a=mean_a, sd_a=sd_a, limit_v=limit_v)
    times, first = times_s(cells, ahead)
    assert len(times) == PICKS
    assert 0 <= first < len(cells)
    assert all(isfinite(each) and each >= 0 for each in times)
