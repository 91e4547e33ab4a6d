"""A constant discharge foretold from half empty, and the measures it is judged by.

Measures: Saxena, Celaya, Saha, Saha and Goebel, Int. J. Prognostics and Health
Management 1 (2010). The trace is of PyBaMM's LFP cell (Prada et al., J. Electrochem.
Soc. 160 (2013) A616, as changed in tests/forecast/truth.py), which nobody tuned to.
"""

from __future__ import annotations

from functools import cache
from xml.etree import ElementTree as ET

import pytest
from tests.forecast.alpha import (
    STORED,
    Point,
    at_lambda,
    horizon_min,
    in_band,
    lines,
    picture,
    relative_accuracy,
    told,
)


def _point(left_min: float, said_min: float | None) -> Point:
    early_min, late_min = (
        (None, None) if said_min is None else (said_min * 0.8, said_min * 1.2)
    )
    return Point(
        at_min=100 - left_min,
        left_min=left_min,
        early_min=early_min,
        likely_min=said_min,
        late_min=late_min,
    )


@cache
def _told() -> list[Point]:
    return told(STORED)


@pytest.mark.parametrize(
    ("said_min", "is_within"),
    [(7.9, False), (8.0, True), (10.0, True), (12.0, True), (12.1, False)],
)
def test_the_cone_is_a_fifth_either_way(*, said_min: float, is_within: bool) -> None:
    assert _point(10.0, said_min).is_within(0.2) is is_within


def test_what_is_not_foretold_is_not_within() -> None:
    assert not _point(10.0, None).is_within(0.2)


def test_the_horizon_begins_after_the_last_miss() -> None:
    points = [_point(t, t * 1.1) for t in (60.0, 50.0)]
    points += [_point(40.0, 60.0)] + [_point(t, t * 0.9) for t in (30.0, 20.0, 5.0)]
    assert horizon_min(points) == 30.0
    assert horizon_min(points[:3]) == 0.0


def test_relative_accuracy_is_one_less_the_error() -> None:
    points = [_point(40.0, 50.0), _point(20.0, 20.0), _point(10.0, None)]
    assert relative_accuracy(points) == pytest.approx((0.75 + 1.0 + 0.0) / 3)
    assert at_lambda(points, 0.5).left_min == 20.0


def test_the_band_is_asked_only_where_something_is_foretold() -> None:
    points = [_point(40.0, 50.0), _point(20.0, 40.0), _point(10.0, None)]
    assert in_band(points) == 0.5


@pytest.mark.slow
@pytest.mark.parametrize(("left_min", "most_min"), [(60, 24), (30, 9), (15, 6), (5, 2)])
def test_the_stored_discharge_is_foretold_ever_better(
    left_min: float, most_min: float
) -> None:
    point = min(_told(), key=lambda p: abs(p.left_min - left_min))
    assert point.left_min == pytest.approx(left_min, abs=1)
    assert point.error_min is not None
    assert abs(point.error_min) <= most_min


@pytest.mark.slow
def test_the_band_of_the_stored_discharge_holds_the_truth() -> None:
    assert in_band(_told()) >= 0.80
    assert relative_accuracy(_told()) >= 0.70


@pytest.mark.slow
def test_the_picture_is_whole_and_the_table_has_a_line_for_every_time() -> None:
    drawn = ET.fromstring(picture(_told(), "a & b"))
    tags = {part.tag.rpartition("}")[2] for part in drawn.iter()}
    assert {"svg", "polygon", "polyline", "path", "text"} <= tags
    assert [line.split()[0] for line in lines(_told())[1:6]] == [
        "120",
        "60",
        "30",
        "15",
        "5",
    ]
