"""What is kept of a cell: its curve in bins, its anchor, what a deep run has taught."""

from __future__ import annotations

from dataclasses import replace
from math import exp

import pytest

from forecast_curves import NAMEPLATE_AH, NAUMANN
from tocsin.core.forecast.cell import (
    FADES_S,
    FORGOTTEN_S,
    MOST_BINS,
    MOST_POINTS,
    Cell,
    Knee,
    Seen,
    Side,
    points_of,
)
from tocsin.core.forecast.fit import Learned, Point

BIN_AH = 1.4
PICK = (-100.0, 266.0, 1.0, 0.0)


def _seen(reading_ah: float, volts: float = 3.25, at_s: float = 0.0) -> Seen:
    return reading_ah, volts, reading_ah, at_s


def _points(side: Side, *, at_s: float = 0.0, charging: bool = False) -> list[Point]:
    return points_of(
        side,
        surface_ah=0.0,
        volts=3.25,
        nameplate_ah=NAMEPLATE_AH,
        at_s=at_s,
        charging=charging,
    )


def test_directions_are_kept_apart() -> None:
    cell = Cell().shown(_seen(5.0), 3.25, charging=False, bin_ah=BIN_AH)
    assert cell.down.seen == {3: _seen(5.0)}
    assert cell.up.seen == {}
    assert cell.rest_v == 3.25


def test_what_was_kept_of_a_cell_is_never_changed_in_place() -> None:
    old = Cell().shown(_seen(5.0), 3.25, charging=False, bin_ah=BIN_AH)
    kept = dict(old.down.seen)
    new = old.shown(_seen(9.0), 3.24, charging=False, bin_ah=BIN_AH)
    assert old.down.seen == kept
    assert len(new.down.seen) == 2


def test_a_voltage_without_a_current_moves_no_bin() -> None:
    cell = Cell().shown(None, 3.30, charging=False, bin_ah=BIN_AH)
    assert cell.rest_v == 3.30
    assert cell.down == Side()


def test_of_too_many_bins_the_farthest_goes() -> None:
    cell = Cell()
    for n in range(MOST_BINS + 5):
        cell = cell.shown(_seen((0.5 - n) * BIN_AH), 3.2, charging=False, bin_ah=BIN_AH)
    assert len(cell.down.seen) == MOST_BINS
    assert 0 not in cell.down.seen


@pytest.mark.parametrize(("age", "count"), [(0.99, 1), (1.0, 1), (1.001, 0)])
def test_what_was_seen_days_ago_is_forgotten(age: float, count: int) -> None:
    side = Side({0: _seen(1.0)})
    at_s = age * FORGOTTEN_S
    fallback = [(0.0, 3.25, 1.0)]
    points = _points(side, at_s=at_s)
    assert (points != fallback) is bool(count)


def test_what_was_seen_earlier_fades() -> None:
    side = Side({0: _seen(0.5)})
    ((_, _, fresh),) = _points(side)
    ((_, _, faded),) = _points(side, at_s=FADES_S)
    assert faded / fresh == pytest.approx(exp(-1))


def test_what_is_near_weighs_more_than_what_lies_far_behind() -> None:
    side = Side(
        {
            0: _seen(1.0),
            8: _seen(0.05 * NAMEPLATE_AH),
            40: _seen(0.2 * NAMEPLATE_AH),
        }
    )
    weights = {x: weight for x, _, weight in _points(side)}
    ordered = [weights[x] for x in sorted(weights)]
    assert ordered == sorted(ordered, reverse=True)
    assert len(set(ordered)) == 3


@pytest.mark.parametrize(
    ("volts", "is_kept"), [(3.179, True), (3.18, False), (3.181, False)]
)
def test_the_steep_knee_seen_in_an_earlier_run_is_all_kept(
    *, volts: float, is_kept: bool
) -> None:
    # An odd bin that lies far ahead of a discharge.
    side = Side({-21: _seen(-0.1 * NAMEPLATE_AH, volts), 0: _seen(0.0)})
    assert (len(_points(side)) == 2) is is_kept


def test_the_nearest_of_too_many_points_are_fitted() -> None:
    side = Side({-k: _seen(-0.3 * k, 3.1) for k in range(150)})
    points = _points(side)
    assert len(points) == MOST_POINTS
    assert min(x for x, _, _ in points) == pytest.approx(-0.3 * (MOST_POINTS - 1))


def test_with_nothing_seen_the_newest_voltage_is_fitted() -> None:
    assert _points(Side()) == [(0.0, 3.25, 1.0)]


def test_anchored_hypotheses_meet_the_voltage_of_now() -> None:
    cell = replace(Cell(rest_v=3.21), down=Side(picks=(PICK,)))
    ((_, _, _, offset_v),) = cell.anchored(NAUMANN, 0.0, charging=False).down.picks
    assert NAUMANN.at(100 / 266) + offset_v == pytest.approx(3.21)


@pytest.mark.parametrize(
    ("rest_v", "moves"),
    [(3.30, False), (3.301, True), (3.344, True), (3.345, False)],
)
def test_the_offset_of_the_plateau_is_followed_on_the_plateau_only(
    *, rest_v: float, moves: bool
) -> None:
    cell = replace(Cell(rest_v=rest_v), up=Side(picks=(PICK,)))
    after = cell.anchored(NAUMANN, 0.0, charging=True)
    assert (after.plateau_v != cell.plateau_v) is moves
    down = replace(Cell(rest_v=rest_v), down=Side(picks=(PICK,)))
    assert down.anchored(NAUMANN, 0.0, charging=False).plateau_v == cell.plateau_v


def test_without_hypotheses_there_is_nothing_to_anchor() -> None:
    cell = Cell(rest_v=3.3)
    assert cell.anchored(NAUMANN, 0.0, charging=False) is cell


def _ended(capacity_sd: float, stretch_sd: float) -> Learned:
    fresh = Learned(0.9, capacity_sd, 0.3, stretch_sd)
    return replace(Cell(), fresh=fresh).run_ended().learned


@pytest.mark.parametrize(
    ("found", "kept"),
    [(0.01, 0.02), (0.04 / 3, 0.02), (0.02, 0.03), (0.06, 0.09), (0.07, 0.09)],
)
def test_the_capacity_never_becomes_surer_than_a_year_may_change(
    found: float, kept: float
) -> None:
    learned = _ended(found, 0.1)
    assert learned.capacity == 0.9
    assert learned.capacity_sd == pytest.approx(kept)


@pytest.mark.parametrize(
    ("found", "kept"), [(0.07, 0.12), (0.08, 0.12), (0.1, 0.15), (0.3, 0.4)]
)
def test_nor_does_the_stretch_of_the_knee(found: float, kept: float) -> None:
    learned = _ended(0.03, found)
    assert learned.log_stretch == 0.3
    assert learned.log_stretch_sd == pytest.approx(kept)


def test_a_shallow_run_teaches_nothing() -> None:
    cell = Cell()
    assert cell.run_ended() is cell


@pytest.mark.parametrize("more_a", [-0.5, 0.5])
def test_what_was_counted_with_a_wrong_offset_is_counted_anew(more_a: float) -> None:
    knee = Knee(-100.0, 0.0, 0.1)
    side = Side({-72: _seen(-100.0), -36: _seen(-50.0, at_s=36_000.0)})
    cell = Cell(down=side, knee=knee).recounted(more_a, 72_000.0, BIN_AH)
    moved = sorted(seen[0] for seen in cell.down.seen.values())
    assert moved == pytest.approx([-100 + 20 * more_a, -50 + 10 * more_a])
    assert all(k == seen[0] // BIN_AH for k, seen in cell.down.seen.items())
    assert cell.knee == Knee(-100 + 20 * more_a, 0.0, 0.1)


def test_a_knee_counts_from_the_end_of_its_run_on() -> None:
    met = Cell(new_knee=Knee(-90.0, 0.0, 0.0))
    ended = met.run_ended()
    assert (ended.knee, ended.new_knee) == (met.new_knee, None)
    assert ended.run_ended() == ended
