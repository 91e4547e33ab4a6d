"""One cell on paper: constant current and temperature, from one end to a cut-off.

Rested voltage is the preset's curve. Resistance at 50 % and 25 degC is the preset's;
how it grows towards the ends and in the cold is published for a 3 Ah LFP/graphite cell
(Naumann et al., J. Energy Storage 2018, doi 10.1016/j.est.2018.01.019), as a function
of charge and temperature, see `tocsin.core.published`. Part of it builds up slowly (one
RC pair). Not modelled: warming by its own heat, hysteresis, the delay of the protector.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate, pairwise
from math import ceil, exp, floor
from typing import TYPE_CHECKING

from tocsin.core.forecast.curve import curve_of
from tocsin.core.published import (
    PUBLISHED_OHM_AH,
    TOP_STEEPER,
    calendar_loss,
    cycle_loss,
    published_ohm_ah,
)

if TYPE_CHECKING:
    from tocsin.core.forecast.curve import Curve

LOADS = (0.05, 0.1, 0.2, 0.5, 1.0)
"""Multiples of the nameplate's 1C, discharging."""
CHARGES = LOADS[:-1]
TEMPS_C = (-10.0, 0.0, 10.0, 25.0, 40.0)

AGED_YEARS, AGED_CYCLES = 10.0, 2_000.0
AGED_CAPACITY = 0.1 * floor(
    10
    - 10 * calendar_loss(AGED_YEARS, temp_c=25.0, soc=0.5)
    - 10 * cycle_loss(AGED_CYCLES, rate=0.2, depth=0.8)
)
"""Ten years half full at 25 degC and 2000 full cycles at 0.2C, to 80 % each, by the
published laws of `tocsin.core.published`: 81 %, rounded down to a tenth."""
AGED_RESISTANCE = 2.0
"""The usual end of life; common practice, no source. The published growth at rest is
17 % in ten years at 25 degC, 43 % at 35 degC."""

RELAXING_SHARE = 0.4
RELAXING_S = 60.0
"""Part of the resistance that builds up slowly, and how slowly (from memory)."""

FINE, COARSE = 0.0005, 0.005
"""Steps of the charge near the ends, where the curve bends, and between them."""
LOW_END, HIGH_END = 0.2, 0.95
GRID = 200
"""Published resistance comes in steps of half a percent of the charge."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Case:
    """What a cell goes through.

    Attributes:
        rate: Current as a multiple of the nameplate's 1C, a magnitude.
        temp_c: Of the cell, all the while.
        is_aged: It holds 80 % of its nameplate at twice the resistance.
    """

    rate: float
    temp_c: float
    is_aged: bool

    @property
    def words(self) -> str:
        """Return the case as people say it, as in ``0.2C, -10 degC, aged``."""
        age = "aged" if self.is_aged else "new"
        return f"{self.rate:g}C, {self.temp_c:g} degC, {age}"


@dataclass(frozen=True, slots=True)
class Run:
    """A way from full to the low cut-off, or from empty to the high one.

    Attributes:
        times_s: Since the current began.
        depths_v: Voltage, negative while discharging: the largest so far, so never
            falling.
    """

    times_s: tuple[float, ...]
    depths_v: tuple[float, ...]

    def reached_s(self, depth_v: float) -> float:
        """Return when *depth_v* is reached first; the end, if not before it."""
        k = bisect_left(self.depths_v, depth_v)
        if k == 0:
            return 0.0
        if k == len(self.depths_v):
            return self.times_s[-1]
        low, high = self.depths_v[k - 1], self.depths_v[k]
        share = (depth_v - low) / (high - low)
        return self.times_s[k - 1] + share * (self.times_s[k] - self.times_s[k - 1])

    def depth_v(self, at_s: float) -> float:
        """Return how deep the voltage is at *at_s*, between start and end."""
        k = min(max(bisect_right(self.times_s, at_s), 1), len(self.times_s) - 1)
        before_s, after_s = self.times_s[k - 1], self.times_s[k]
        share = (at_s - before_s) / (after_s - before_s)
        low, high = self.depths_v[k - 1], self.depths_v[k]
        return low + min(max(share, 0.0), 1.0) * (high - low)


@lru_cache(maxsize=128)
def discharged(
    points: tuple[tuple[float, float], ...], ohm_ah: float, cut_v: float, case: Case
) -> Run:
    """Return the run from full until the rested cell itself is at *cut_v*.

    *points* are (charge 0 to 1, volts at rest); *ohm_ah* is resistance times capacity
    at 50 % and 25 degC. The loaded cell is at *cut_v* earlier than the run ends.
    """
    curve = curve_of(points)
    places = tuple(reversed(_places(min(0.0, curve.charge_at(cut_v)), 1.0)))
    return _run(curve, places, ohm_ah, case)


@lru_cache(maxsize=128)
def charged(
    points: tuple[tuple[float, float], ...], ohm_ah: float, cut_v: float, case: Case
) -> Run:
    """Return the run from empty until the rested cell itself is at *cut_v*."""
    curve = curve_of(points)
    top = 1.0 + max(0.0, curve.charge_at(cut_v) - 1.0)
    return _run(curve, _places(0.0, top), ohm_ah, case)


def _run(curve: Curve, places: tuple[float, ...], ohm_ah: float, case: Case) -> Run:
    sign = 1.0 if places[0] < places[-1] else -1.0
    capacity = AGED_CAPACITY if case.is_aged else 1.0
    # The current times this is a voltage, whatever the nameplate.
    scale = case.rate * ohm_ah * (AGED_RESISTANCE if case.is_aged else 1.0)
    fast, slow_share = scale * (1 - RELAXING_SHARE), scale * RELAXING_SHARE
    drops = _drops(case.temp_c, places)
    rested = _rested(curve, places)
    full_s = capacity * 3_600 / case.rate
    steps_s = [abs(b - a) * full_s for a, b in pairwise(places)]
    slow_v = 0.0
    depths_v = [sign * rested[0] + fast * drops[0]]
    for volts, drop, step_s in zip(rested[1:], drops[1:], steps_s, strict=True):
        keep = exp(-step_s / RELAXING_S)
        slow_v = slow_v * keep + drop * slow_share * (1 - keep)
        depths_v.append(sign * volts + slow_v + drop * fast)
    return Run(
        tuple(accumulate(steps_s, initial=0.0)), tuple(accumulate(depths_v, max))
    )


@lru_cache(maxsize=8)
def _places(low: float, high: float) -> tuple[float, ...]:
    """Return charges from *low* to *high*, closer together near the ends."""
    found = [low]
    for start, end, step in (
        (low, LOW_END, FINE),
        (LOW_END, HIGH_END, COARSE),
        (HIGH_END, high, FINE),
    ):
        count = ceil((end - start) / step)
        found += [start + (end - start) * n / count for n in range(1, count + 1)]
    return tuple(found)


@lru_cache(maxsize=8)
def _rested(curve: Curve, places: tuple[float, ...]) -> tuple[float, ...]:
    """Return rested volts, steeper past full than the curve carries itself on."""
    return tuple(
        curve.at(place if place <= 1 else 1 + (place - 1) * TOP_STEEPER)
        for place in places
    )


@lru_cache(maxsize=64)
def _drops(temp_c: float, places: tuple[float, ...]) -> tuple[float, ...]:
    """Return published resistance as a multiple of that at 50 % and 25 degC."""
    charging = places[0] < places[-1]
    # A quarter of a step more, so that no rounding reads the row before.
    rows = tuple(
        published_ohm_ah((n + 0.25) / GRID, temp_c, charging=charging)
        / PUBLISHED_OHM_AH
        for n in range(GRID + 1)
    )
    return tuple(_between(rows, place) for place in places)


def _between(rows: tuple[float, ...], place: float) -> float:
    at = min(max(place, 0.0), 1.0) * GRID
    n = min(int(at), GRID - 1)
    return rows[n] + (at - n) * (rows[n + 1] - rows[n])
