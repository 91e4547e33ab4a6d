"""Samples in, thinned with age, and out again as series and as rows."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from statistics import mean
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from history_stage import WALL_MS, Clock, Noisy, keeper, plain, site
from tocsin.core.model import Flag
from tocsin.history import HistoryError, reader
from tocsin.history.kinds import Tier
from tocsin.history.sampling import flags_of, limits_json, values
from tocsin.history.thin import Bucket, Piece, buckets

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.history.sampling import Heard

HOUR_MS, DAY_MS = 3_600_000, 86_400_000


def written(
    folder: Path,
    heard: list[Heard],
    *,
    now_ms: int | None = None,
    batch: int = 60,
    **spec: float,
) -> None:
    """Keep *heard* batch by batch and tend the file as of *now_ms*."""
    clock = Clock()
    made = keeper(folder, site(folder, cells=1), clock, **spec)
    for start in range(0, len(heard), batch):
        made.keep(heard[start : start + batch])
    clock.wall = heard[-1].at_ms if now_ms is None else now_ms
    made.tend()
    made.store.close()


def every(
    folder: Path, name: str = "cell/1", points: int = 100_000, **span: int
) -> reader.Series:
    first, last = reader.span(folder) or (0, 0)
    asked = {"since_ms": first, "until_ms": last} | span
    (found,) = reader.series(folder, "p1", [name], points=points, **asked)
    return found


def seconds(count: int, start_ms: int = WALL_MS) -> list[Heard]:
    """One sample a second; cell 1 counts up and has a dip of a second in the middle."""
    dip = count // 2
    return [
        plain(start_ms + 1000 * i, 2_500 if i == dip else 3_000 + i // 60)
        for i in range(count)
    ]


def test_every_sample_comes_back_as_it_was(tmp_path: Path) -> None:
    heard = seconds(600)
    written(tmp_path, heard)
    found = every(tmp_path)
    assert [(p.at_ms, p.low, p.mean, p.high) for p in found.points] == [
        (h.at_ms, *3 * [h.sample.cells_mv[0]]) for h in heard
    ]
    assert (found.kind.symbol, found.kind.divisor) == ("V", 1000)


def test_all_that_a_pack_says_is_kept(tmp_path: Path) -> None:
    made = site(tmp_path)
    heard = Noisy("p1").at(0)
    sample = replace(heard.sample, flags=frozenset({Flag.COLD_TRIP, Flag.OTHER_TRIP}))
    kept = values(replace(heard, sample=sample), made)
    assert [kept[f"cell/{n}"] for n in range(1, 17)] == list(sample.cells_mv)
    assert [kept[f"temp/{n}"] for n in range(1, 17)] == list(sample.temps_dc)
    assert kept["allowed-charge"] == 44_800, "0.16C of 280 Ah from 10 degC on"
    assert flags_of(kept["flags"]) == sample.flags
    assert kept["low-likely"] == 86_400 or kept["low-likely"] == 30_000


def test_a_value_that_is_not_said_is_not_made_up(tmp_path: Path) -> None:
    kept = values(plain(0, 3_300), site(tmp_path, cells=1))
    assert kept == {"cell/1": 3_300, "flags": 0}


def test_a_dip_of_one_second_survives_any_thinning(tmp_path: Path) -> None:
    written(tmp_path, seconds(7_200), now_ms=WALL_MS + 40 * DAY_MS)
    for points in (1, 2, 10, 500):
        found = every(tmp_path, points=points)
        assert len(found.points) <= points
        assert min(p.low for p in found.points) == 2_500
        assert max(p.high for p in found.points) == 3_119


def test_a_bucket_is_the_least_the_mean_and_the_largest(tmp_path: Path) -> None:
    heard = seconds(7_200)
    written(tmp_path, heard, now_ms=WALL_MS + 3 * DAY_MS)
    rows = list(reader.samples(tmp_path, since_ms=0, until_ms=2 * WALL_MS))
    assert {row.tier for row in rows} == {Tier.MINUTE}, "raw samples are too old"
    for i, row in enumerate(rows):
        inside = [h.sample.cells_mv[0] for h in heard[60 * i : 60 * i + 60]]
        assert row.values["cell/1"] == round(mean(inside))


def test_samples_age_into_minutes_and_minutes_into_quarters(tmp_path: Path) -> None:
    clock = Clock()
    made = keeper(tmp_path, site(tmp_path, cells=1), clock)
    for day in range(0, 200, 20):
        made.keep(seconds(120, WALL_MS + day * DAY_MS))
    for age_days, tiers in (
        (1, {Tier.RAW}),
        (10, {Tier.MINUTE}),
        (399, {Tier.MINUTE}),
        (402, {Tier.QUARTER}),
        (3_640, {Tier.QUARTER}),
        (3_900, set()),
    ):
        clock.wall = WALL_MS + 180 * DAY_MS + age_days * DAY_MS
        made.tend()
        newest = WALL_MS + 180 * DAY_MS
        found = reader.samples(tmp_path, since_ms=newest, until_ms=newest + DAY_MS)
        assert {row.tier for row in found} == tiers, age_days
    made.store.close()


def test_nothing_is_dropped_before_it_is_thinned(tmp_path: Path) -> None:
    clock = Clock()
    made = keeper(tmp_path, site(tmp_path, cells=1), clock, raw_ms=1)
    made.keep(seconds(60))
    clock.wall = WALL_MS + HOUR_MS
    made.tend()
    assert {
        row.tier for row in reader.samples(tmp_path, since_ms=0, until_ms=2**60)
    } == {Tier.RAW}
    clock.wall = WALL_MS + 2 * HOUR_MS
    made.tend()
    assert {
        row.tier for row in reader.samples(tmp_path, since_ms=0, until_ms=2**60)
    } == {Tier.MINUTE}
    made.store.close()


def test_a_plot_takes_what_is_newer_than_the_buckets_from_the_samples(
    tmp_path: Path,
) -> None:
    written(tmp_path, seconds(5_400))
    found = every(tmp_path, points=90)
    assert found.points[-1].high == 3_089
    assert len(found.points) == 90
    assert [p.low for p in found.points] == sorted(
        [p.low for p in found.points if p.low != 2_500][:45]
    ) + [2_500] + [p.low for p in found.points[46:]]


def test_an_hour_of_silence_is_a_gap(tmp_path: Path) -> None:
    heard = [*seconds(60), *seconds(60, WALL_MS + HOUR_MS)]
    written(tmp_path, heard)
    for points in (20, 500):
        assert len(every(tmp_path, points=points).runs()) == 2


def test_a_slow_poll_is_no_gap_but_a_missed_one_after_another_is(
    tmp_path: Path,
) -> None:
    polls = [*range(10), *range(13, 20)]
    heard = [plain(WALL_MS + 60_000 * i, 3_300) for i in polls]
    written(tmp_path, heard, batch=1)
    assert [len(run) for run in every(tmp_path).runs()] == [10, 7]


def test_a_clock_that_jumps_back_loses_nothing(tmp_path: Path) -> None:
    heard = [*seconds(90), *seconds(90, WALL_MS - 50_500)]
    written(tmp_path, heard)
    first_ms = heard[90].at_ms
    found = every(tmp_path, since_ms=first_ms)
    assert [p.at_ms for p in found.points] == sorted(h.at_ms for h in heard)
    rows = list(reader.samples(tmp_path, since_ms=first_ms, until_ms=2 * WALL_MS))
    assert all(a.at_ms <= b.at_ms for a, b in pairwise(rows))
    assert len(rows) == 180


def test_a_sensor_that_comes_and_goes_is_kept_while_it_speaks(tmp_path: Path) -> None:
    heard = [
        plain(WALL_MS + 1000 * i, 3_300, temps_dc=(100,) if i % 3 else ())
        for i in range(30)
    ]
    written(tmp_path, heard)
    assert len(every(tmp_path, "temp/1").points) == 20
    assert len(every(tmp_path).points) == 30


def test_the_file_never_holds_more_than_it_may(tmp_path: Path) -> None:
    clock = Clock()
    made = keeper(tmp_path, site(tmp_path), clock, max_mb=0.15, raw_ms=10**12)
    pack, most = Noisy("p1"), 0
    for hour in range(12):
        made.keep([pack.at(3_600 * hour + 8 * i) for i in range(450)])
        clock.wall = WALL_MS + hour * HOUR_MS
        most = max(most, made.store.used_bytes())
        made.tend()
        assert made.store.used_bytes() <= 150_000
    made.store.close()
    assert most > 150_000, "there was too much"
    assert (reader.span(tmp_path) or (0, 0))[1] > WALL_MS + 11 * HOUR_MS


def test_the_limits_in_force_are_kept_when_they_change(tmp_path: Path) -> None:
    first = site(tmp_path, cells=1)
    store = keeper(tmp_path, first).store
    store.note_limits(WALL_MS, "a", limits_json(first, sha256="a"))
    store.note_limits(WALL_MS + 5, "a", limits_json(first, sha256="a"))
    store.note_limits(WALL_MS + 9, "b", limits_json(first, sha256="b"))
    store.close()
    assert reader.limits(tmp_path, WALL_MS - 1) is None
    assert (reader.limits(tmp_path, WALL_MS + 8) or {})["sha256"] == "a"
    found = reader.limits(tmp_path, WALL_MS + 9) or {}
    assert (found["sha256"], found["low_cell_v"]) == ("b", 2.8)
    assert {"low-cell", "cold-charge"} <= {rule["rule"] for rule in found["rules"]}


def test_a_series_for_a_program_has_people_s_units(tmp_path: Path) -> None:
    written(tmp_path, seconds(2))
    assert reader.series_json(every(tmp_path))["points"] == [
        [WALL_MS / 1000, 3.0, 3.0, 3.0],
        [WALL_MS / 1000 + 1, 2.5, 2.5, 2.5],
    ]


@pytest.mark.parametrize("name", ["cel/1", "", "low_likely"])
def test_a_name_that_is_never_kept_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(HistoryError, match="no value"):
        reader.series(tmp_path, "p1", [name], since_ms=0, until_ms=1)


def test_no_history_is_said(tmp_path: Path) -> None:
    with pytest.raises(HistoryError, match="there is no history in"):
        reader.span(tmp_path)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 4_000_000), st.integers(-(10**6), 10**6)),
        min_size=1,
        max_size=60,
        unique_by=lambda pair: pair[0],
    )
)
def test_buckets_of_buckets_are_the_buckets_of_the_samples(
    pairs: list[tuple[int, int]],
) -> None:
    """Least and largest exactly; the mean within the rounding of each level."""
    pairs.sort()
    times, column = [t for t, _ in pairs], [v for _, v in pairs]
    minutes = buckets([Piece(times, {"current": (column,) * 3})], Tier.MINUTE)
    assert sum(1 for _ in minutes) == len({t // Tier.MINUTE for t in times})
    quarters = buckets([_piece(minutes)], Tier.QUARTER)
    for bucket in quarters:
        inside = [
            v for t, v in pairs if t // Tier.QUARTER * Tier.QUARTER == bucket.at_ms
        ]
        low, middle, high = bucket.values["current"]
        assert (low, high) == (min(inside), max(inside))
        assert low <= middle <= high


def _piece(made: list[Bucket]) -> Piece:
    columns = tuple([b.values["current"][i] for b in made] for i in range(3))
    return Piece([b.at_ms for b in made], {"current": columns})  # type: ignore[dict-item]
