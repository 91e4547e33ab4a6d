"""One pack's tracker: pure, free of the clock, at ease with gaps, honest when blind."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from typing import TYPE_CHECKING

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from forecast_curves import NAUMANN
from forecast_packs import NAMEPLATE_AH, pack_of, sample_of
from forecast_sites import lfp_site
from tocsin.core.forecast import FAR_MS, Forecast, Limit
from tocsin.core.forecast.feed import tracked
from tocsin.core.forecast.outlook import LEARN_S
from tocsin.core.measures import PackState
from tocsin.core.model import Sample

if TYPE_CHECKING:
    from tocsin.core.forecast.pack import Tracker
    from tocsin.core.site import Site

SITE = lfp_site()
Row = tuple[int, Sample]
HOUR_S = 3600


def _rows(*, seconds: int, rate: float = -0.3, charge: float = 0.3) -> list[Row]:
    """Return what a pack says every ten seconds, in (second, sample) rows."""
    pack = pack_of(charge=charge)
    rows = list[Row]()
    for second in range(0, seconds, 10):
        swing = 1.2 if second % 600 < 300 else 0.8
        pack.advance(10, rate * swing * NAMEPLATE_AH, 25.0)
        rows.append((second, sample_of(pack)))
    return rows


ROWS = _rows(seconds=3000)


def _heard(
    rows: list[Row],
    old: Tracker | None = None,
    *,
    shift_s: int = 0,
    site: Site = SITE,
) -> Tracker:
    for second, sample in rows:
        old = tracked(old, sample, (second + shift_s) * 1000, 4, site)
    assert old is not None
    return old


def _low(tracker: Tracker) -> Forecast:
    return next(f for f in tracker.forecasts if f.limit is Limit.LOW)


def test_hearing_a_sample_leaves_the_old_tracker_as_it_was() -> None:
    old = _heard(ROWS[:200])
    before = repr(old)
    _heard(ROWS[200:], old)
    assert repr(old) == before


def test_the_same_samples_make_the_same_forecasts_from_a_kept_state() -> None:
    old = _heard(ROWS[:200])
    first, second = _heard(ROWS[200:], old), _heard(ROWS[200:], old)
    assert first.forecasts == second.forecasts == _heard(ROWS).forecasts


@pytest.mark.parametrize("shift_s", [1, 86_400, 50_000_000])
def test_the_origin_of_time_does_not_matter(shift_s: int) -> None:
    plain: Tracker | None = None
    moved: Tracker | None = None
    for second, sample in ROWS:
        plain = tracked(plain, sample, second * 1000, 4, SITE)
        moved = tracked(moved, sample, (second + shift_s) * 1000, 4, SITE)
        assert plain is not None
        assert moved is not None
        assert moved.forecasts == plain.forecasts


def test_nothing_is_foretold_at_first_and_the_reason_is_said() -> None:
    tracker: Tracker | None = None
    for second, sample in ROWS:
        tracker = tracked(tracker, sample, second * 1000, 4, SITE)
        assert tracker is not None
        for told in tracker.forecasts:
            assert told.likely_ms is not None or told.reason
        if tracker.forecasts and second < LEARN_S:
            assert _low(tracker).likely_ms is None
            assert "not known long enough" in _low(tracker).reason
    assert tracker is not None
    assert _low(tracker).likely_ms is not None


def test_missing_rows_make_little_difference() -> None:
    whole = _low(_heard(ROWS))
    holed = _low(_heard([row for n, row in enumerate(ROWS) if n % 7]))
    assert whole.likely_ms is not None
    assert holed.likely_ms == pytest.approx(whole.likely_ms, rel=0.25)


@pytest.mark.parametrize("gap_s", [590, 600, 610, 1200])
def test_after_a_gap_it_goes_on_from_what_flowed_meanwhile(gap_s: int) -> None:
    rows = [r for r in ROWS if not 1200 < r[0] < 1200 + gap_s]
    whole, gapped = _heard(ROWS), _heard(rows)
    assert gapped.counter_ah == pytest.approx(whole.counter_ah, rel=0.1)
    left_ms = _low(gapped).likely_ms
    assert left_ms is not None
    assert left_ms == pytest.approx(_low(whole).likely_ms or 0, rel=0.35)


def test_a_second_sample_of_the_same_moment_adds_nothing() -> None:
    old = _heard(ROWS)
    second, sample = ROWS[-1]
    again = tracked(old, sample, second * 1000, 4, SITE)
    assert again is not None
    assert repr(again) == repr(old)


def test_a_pack_that_warms_under_a_steady_load_keeps_its_resistance() -> None:
    tracker: Tracker | None = None
    for second in range(0, 2 * HOUR_S, 5):
        sample = Sample(
            cells_mv=(3_250,) * 4,
            temps_dc=(second * 200 // (2 * HOUR_S),),
            current_ma=-168_000,
        )
        tracker = tracked(tracker, sample, second * 1000, 4, SITE)
    assert tracker is not None
    assert tracker.ohmic.ohm(0) == pytest.approx(0.12 / NAMEPLATE_AH, rel=0.01)


BLIND = (
    Sample(cells_mv=(3_300,) * 4),
    Sample(current_ma=-20_000),
    Sample(low_cell_mv=3_300, high_cell_mv=3_310, current_ma=-20_000),
)


@pytest.mark.parametrize("sample", BLIND)
def test_without_current_or_cells_nothing_is_foretold(sample: Sample) -> None:
    assert tracked(None, sample, 0, 4, SITE) is None
    old = _heard(ROWS[:5])
    kept = old if sample.cells_mv else None
    assert tracked(old, sample, 60_000, 4, SITE) is kept


def test_a_chemistry_without_a_curve_foretells_nothing() -> None:
    site = replace(SITE, chemistry=replace(SITE.chemistry, curve=()))
    assert tracked(None, ROWS[0][1], 0, 4, site) is None


def test_why_nothing_is_known_is_said_of_every_limit() -> None:
    silent = PackState(heard_ms=0)
    blind = PackState(heard_ms=0, online=True, sample=BLIND[0])
    heard = _heard(ROWS[:1])
    mute = PackState(heard_ms=0, online=True, sample=BLIND[0], tracker=heard)
    new = PackState(heard_ms=0, online=True, sample=ROWS[0][1], tracker=heard)
    for state, reason in (
        (silent, "nothing is heard"),
        (blind, "no current or no cells"),
        (mute, "nothing says the pack's current now"),
        (new, "not known long enough"),
    ):
        told = state.foretold()
        assert [each.limit for each in told] == list(Limit)
        for each in told:
            assert reason in each.reason
            assert each.likely_ms is None


@pytest.mark.parametrize("cells", [3, 5, 8])
def test_another_number_of_cells_begins_anew(cells: int) -> None:
    old = _heard(ROWS)
    sample = replace(ROWS[-1][1], cells_mv=(3_300,) * cells)
    new = tracked(old, sample, 4_000_000, 4, SITE)
    assert new is not None
    assert len(new.cells) == cells
    assert new.begun_s == 4_000
    assert new.forecasts == ()


def test_while_charging_no_low_cut_off_is_foreseen_and_the_reason_is_said() -> None:
    told = _low(_heard(_rows(seconds=2400, rate=0.2)))
    assert told.likely_ms == FAR_MS
    assert told.reason == "the pack is being charged"


def test_while_discharging_no_high_cut_off_is_foreseen() -> None:
    told = next(f for f in _heard(ROWS).forecasts if f.limit is Limit.HIGH)
    assert told.likely_ms == FAR_MS
    assert told.reason == "the pack is not being charged"


def test_a_pack_without_sensors_is_never_told_to_cool() -> None:
    rows = [(second, replace(sample, temps_dc=())) for second, sample in ROWS]
    told = next(f for f in _heard(rows).forecasts if f.limit is Limit.COLD)
    assert told.likely_ms is None
    assert told.reason == "the pack says no temperature"


def _warming(limit: Limit, site: Site = SITE, *, from_dc: int = 380) -> Forecast:
    """Return what is told after an hour of 6 K an hour."""
    rows = [
        (second, replace(sample, temps_dc=(from_dc, from_dc + second // 60)))
        for second, sample in ROWS
    ]
    return next(f for f in _heard(rows, site=site).forecasts if f.limit is limit)


def test_a_pack_that_warms_is_told_when_it_is_too_hot_and_which_sensor() -> None:
    last_c = 38.0 + ROWS[-1][0] // 60 / 10
    told, later = _warming(Limit.HOT), _warming(Limit.HOT_LOAD)
    assert told.part == "2"
    assert told.likely_ms is not None
    assert later.likely_ms is not None
    straight_ms = (45.0 - last_c) / 6.0 * 3_600_000
    assert told.likely_ms == pytest.approx(straight_ms, rel=0.5)
    assert told.likely_ms < later.likely_ms


@pytest.mark.parametrize(
    ("from_dc", "is_told"), [(320, False), (330, True), (340, True)]
)
def test_heat_is_told_from_twelve_degrees_on(*, from_dc: int, is_told: bool) -> None:
    rows = [(second, replace(s, temps_dc=(from_dc,))) for second, s in ROWS]
    told = next(f for f in _heard(rows).forecasts if f.limit is Limit.HOT)
    assert (told.reason == "") is is_told
    assert is_told or told.reason == "no sensor is near it"


def test_without_a_rule_on_heat_there_is_no_limit_and_the_reason_is_said() -> None:
    cool = replace(SITE, rules=())
    for limit in (Limit.HOT, Limit.HOT_LOAD):
        told = _warming(limit, cool)
        assert told.likely_ms is None
        assert told.reason == "no rule of this site says where it is too hot"


GARBAGE = st.builds(
    Sample,
    cells_mv=st.lists(
        st.integers(min_value=500, max_value=5_000), min_size=4, max_size=4
    ).map(tuple),
    temps_dc=st.lists(st.integers(min_value=-600, max_value=1_250), max_size=3).map(
        tuple
    ),
    current_ma=st.integers(min_value=-2_000_000, max_value=2_000_000),
    soc_permille=st.none() | st.integers(min_value=0, max_value=1_000),
)


# A failing history is long, and to shrink it would take minutes.
@settings(max_examples=20, phases=(Phase.explicit, Phase.generate))
@given(
    st.lists(
        st.tuples(
            st.sampled_from((1, 5, 10, 60, 125, 700, 90_000)),
            GARBAGE,
            st.integers(min_value=1, max_value=80),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_whatever_is_possible_is_heard_without_an_unknown_or_a_negative_time(
    rows: list[tuple[int, Sample, int]],
) -> None:
    tracker, second = None, 0
    for step_s, sample, times in rows:
        for _ in range(times):
            second += step_s
            tracker = tracked(tracker, sample, second * 1000, 4, SITE)
            assert tracker is not None
            _is_sound(tracker.forecasts)
    assert tracker is not None
    assert isfinite(tracker.counter_ah)
    assert all(isfinite(tracker.ohm(k)) for k in range(4))


def _is_sound(told: tuple[Forecast, ...]) -> None:
    for each in told:
        times = (each.early_ms, each.likely_ms, each.late_ms)
        assert (None in times) == (times == (None, None, None))
        assert each.likely_ms is not None or each.reason
        spoken = [time_ms for time_ms in times if time_ms is not None]
        assert spoken == sorted(spoken)
        assert all(0 <= time_ms <= FAR_MS for time_ms in spoken)
        assert 0 <= each.surge_permille <= 1_000
        assert each.surge_ma is None or each.surge_ma >= 0
        assert each.relief_ms is None or each.relief_ms >= 0


def _cycled(offset_a: float, hours: int) -> Tracker:
    """Empty and fill four cells at 0.2C, again and again, a reading a minute."""
    tracker: Tracker | None = None
    charge, rate = 0.9, -0.2
    for minute in range(hours * 60):
        charge += rate / 60
        rate = 0.2 if charge < 0.04 else -0.2 if charge > 0.9 else rate
        rest_v = NAUMANN.at(charge) + rate * 0.12
        sample = Sample(
            cells_mv=tuple(round((rest_v + 0.001 * k) * 1000) for k in range(4)),
            current_ma=round((rate * NAMEPLATE_AH + offset_a) * 1000),
            temps_dc=(250,),
        )
        tracker = tracked(tracker, sample, minute * 60_000, 4, SITE)
    assert tracker is not None
    return tracker


@pytest.mark.parametrize("offset_a", [-1.0, 0.0, 1.4])
def test_the_offset_of_the_current_sensor_shows_in_the_banks_own_life(
    offset_a: float,
) -> None:
    drift = _cycled(offset_a, 48).drift
    assert drift.offset_a == pytest.approx(offset_a, abs=0.15)
    assert drift.sd_a < 0.4 * _cycled(offset_a, 3).drift.sd_a
