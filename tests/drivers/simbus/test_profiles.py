"""Scripts in time: exact at their points, and the same whenever they are asked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin_drivers.simbus.profiles import Cycle, Line, Steady, Steps, Sum

RAMP = ((0.0, 0.0), (100.0, 50.0), (200.0, 20.0))


@pytest.mark.parametrize(
    ("t_s", "value"),
    [(-5, 0), (0, 0), (50, 25), (100, 50), (150, 35), (200, 20), (9e9, 20)],
)
def test_a_line_runs_straight_between_its_points(t_s: float, value: float) -> None:
    assert Line(points=RAMP).at(t_s) == pytest.approx(value)


@given(st.floats(0, 1e5), st.integers(0, 99))
def test_flicker_stays_in_bounds_and_depends_on_time_and_seed_alone(
    t_s: float, seed: int
) -> None:
    plain, rough = Line(points=RAMP), Line(points=RAMP, flicker=0.2, seed=seed)
    assert rough.at(t_s) == rough.at(t_s)
    assert abs(rough.at(t_s) - plain.at(t_s)) <= 0.2 * plain.at(t_s) + 1e-9


def test_flicker_does_flicker() -> None:
    rough = Line(points=((0, 100),), flicker=0.2, every_s=60, seed=1)
    values = {rough.at(60.0 * n) for n in range(50)}
    assert len(values) == 50
    assert max(values) - min(values) > 25


@pytest.mark.parametrize(
    ("t_s", "value"), [(-1, 0), (9.9, 0), (10, 5), (19.9, 5), (20, 2), (99, 2)]
)
def test_steps_hold_until_the_next_point(t_s: float, value: float) -> None:
    assert Steps(points=((10, 5), (20, 2))).at(t_s) == value


@pytest.mark.parametrize(
    ("t_s", "value"), [(0, 60), (29.9, 60), (30, 0), (99.9, 0), (100, 60)]
)
def test_a_cycle_goes_on_and_off(t_s: float, value: float) -> None:
    assert Cycle(on_s=30, off_s=70, value=60).at(t_s) == value


def test_a_sum_adds_up() -> None:
    assert Sum((Steady(value=3), Steady(value=4))).at(1) == 7
