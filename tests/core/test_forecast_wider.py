"""A fresher forecast widens its band only for a reason that it names."""

from __future__ import annotations

from dataclasses import replace
from math import inf
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from forecast_packs import NAMEPLATE_AH, pack_of, sample_of
from forecast_sites import lfp_site
from tocsin.core.forecast import FAR_MS, Forecast, Limit
from tocsin.core.forecast.feed import tracked
from tocsin.core.forecast.wider import BECAUSE, ROUNDING_MS, News, explained, width_ms

if TYPE_CHECKING:
    from tocsin.core.forecast.pack import Tracker

SITE = lfp_site()
QUIET = News(mean_a=20.0, now_a=20.0, is_stepped=False, is_fitted=False, is_seen=False)
OLD = Forecast(
    limit=Limit.LOW,
    part="1",
    early_ms=600_000,
    likely_ms=900_000,
    late_ms=1_200_000,
    drawn_ma=20_000,
)


def _later(by_ms: int, **changes: Any) -> Forecast:
    """Return what is told half a minute on, wider by *by_ms*."""
    new = replace(OLD, early_ms=570_000, likely_ms=870_000, late_ms=1_170_000 + by_ms)
    return replace(new, **changes)


@pytest.mark.parametrize(
    ("by_ms", "is_kept"),
    [
        (ROUNDING_MS - 1, True),
        (ROUNDING_MS, True),
        (ROUNDING_MS + 1, False),
    ],
)
def test_with_nothing_new_the_band_is_no_wider(*, by_ms: int, is_kept: bool) -> None:
    new = _later(by_ms)
    told = explained(new, OLD, QUIET)
    assert (told == new) is is_kept
    assert is_kept or width_ms(told) == width_ms(OLD)
    assert told.reason == ""


@pytest.mark.parametrize(
    ("changes", "news", "cause"),
    [
        ({"part": "2"}, {}, "another one comes first"),
        ({}, {"is_stepped": True}, "the load has stepped"),
        ({"drawn_ma": 20_300}, {}, "the mean load has changed"),
        ({}, {"now_a": 25.0}, "the load is not steady"),
        ({}, {"is_fitted": True}, "its hypotheses were weighed anew"),
        ({}, {"is_seen": True}, "a newer piece of its curve was seen"),
    ],
)
def test_what_widens_a_band_is_named(
    changes: dict[str, Any], news: dict[str, Any], cause: str
) -> None:
    told = explained(_later(300_000, **changes), OLD, replace(QUIET, **news))
    assert told.reason == BECAUSE + cause
    assert told.late_ms == 1_470_000


@pytest.mark.parametrize(
    ("drawn_ma", "is_change"), [(20_199, False), (20_200, False), (20_201, True)]
)
def test_a_mean_load_changes_from_a_hundredth_on(
    *, drawn_ma: int, is_change: bool
) -> None:
    told = explained(_later(300_000, drawn_ma=drawn_ma), OLD, QUIET)
    assert (told.reason != "") is is_change


def test_a_band_that_narrows_says_nothing() -> None:
    new = _later(-60_000, part="2")
    assert explained(new, OLD, QUIET) == new
    assert explained(new, None, QUIET) == new


def _banded(times_ms: list[int]) -> Forecast:
    early_ms, likely_ms, late_ms = times_ms
    return replace(OLD, early_ms=early_ms, likely_ms=likely_ms, late_ms=late_ms)


THREE = st.tuples(*[st.integers(min_value=0, max_value=FAR_MS)] * 3).map(sorted)


@given(
    old_ms=THREE,
    new_ms=THREE,
    news=st.sampled_from([QUIET, replace(QUIET, is_fitted=True)]),
)
def test_a_wider_band_always_has_a_reason_and_stays_in_order(
    old_ms: list[int], new_ms: list[int], news: News
) -> None:
    old, new = _banded(old_ms), _banded(new_ms)
    told = explained(new, old, news)
    before, now = width_ms(old), width_ms(told)
    assert before is not None
    assert now is not None
    assert told.reason.startswith(BECAUSE) or now <= before + ROUNDING_MS
    early_ms, likely_ms, late_ms = told.early_ms, told.likely_ms, told.late_ms
    assert early_ms is not None
    assert likely_ms is not None
    assert late_ms is not None
    assert early_ms <= likely_ms <= late_ms


def test_a_band_without_an_end_is_the_widest() -> None:
    assert width_ms(replace(OLD, late_ms=FAR_MS)) == inf
    far = replace(OLD, early_ms=FAR_MS, likely_ms=FAR_MS, late_ms=FAR_MS)
    assert width_ms(far) == 0.0
    assert width_ms(Forecast(limit=Limit.LOW)) is None


LOADS = st.lists(
    st.tuples(
        st.sampled_from([-0.8, -0.3, -0.1, 0.0, 0.2]),
        st.integers(min_value=3, max_value=60),
    ),
    min_size=2,
    max_size=5,
)


@settings(max_examples=6, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(loads=LOADS)
def test_in_every_discharge_and_charge_a_wider_band_has_its_reason(
    loads: list[tuple[float, int]],
) -> None:
    pack, tracker, second = pack_of(charge=0.3), None, 0
    known: dict[Limit, Forecast] = {}
    for rate, steps in loads:
        for _ in range(steps):
            if pack.protector.discharge_open or pack.protector.charge_open:
                return
            pack.advance(20, rate * NAMEPLATE_AH, 25.0)
            second += 20
            new: Tracker | None = tracked(
                tracker, sample_of(pack), second * 1_000, 4, SITE
            )
            assert new is not None
            if tracker is not None and new.looked_s != tracker.looked_s:
                for told in new.forecasts:
                    _look(known.get(told.limit), told)
                    known[told.limit] = told
            tracker = new


def _look(old: Forecast | None, new: Forecast) -> None:
    before = None if old is None else width_ms(old)
    now = width_ms(new)
    if before is not None and now is not None and now > before + ROUNDING_MS:
        assert new.reason.startswith(BECAUSE)
