"""The coldest sensor through the night: an exponential approach to some floor.

A straight line cries wolf in every night that levels off above the limit. Two slopes
of the smoothed temperature, one after the other, give the floor and the time constant.
A load that warms the cells for a while hides the trend; then the long slope counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt

from tocsin.core.forecast.low import NEVER_S, QUANTILES

SMOOTHING_S = 120.0
EVERY_S = 120.0
MOST = 62
WINDOW = 22
NEAR_C = 12.0
SENSOR_C = 0.03
STILL_C_PER_S = 2e-6


@dataclass(frozen=True, slots=True)
class Chill:
    """The coldest sensor lately.

    Attributes:
        smooth_c: Smoothed temperature; None before the first.
        part: Which sensor, from 1.
        trail: (second, smoothed degC), one every two minutes.
    """

    smooth_c: float | None = None
    part: int = 0
    trail: tuple[tuple[float, float], ...] = ()

    def heard(self, at_s: float, dt_s: float, temps_c: list[float]) -> Chill:
        """Return what is known after a reading."""
        now_c = min(temps_c)
        if self.smooth_c is None:
            return Chill(now_c, temps_c.index(now_c) + 1, ((at_s, now_c),))
        smooth_c = self.smooth_c + (now_c - self.smooth_c) * min(1, dt_s / SMOOTHING_S)
        trail = self.trail
        if at_s - trail[-1][0] >= EVERY_S:
            trail = (*trail[-MOST + 1 :], (at_s, smooth_c))
        return Chill(smooth_c, temps_c.index(now_c) + 1, trail)

    def moved(self, by_s: float) -> Chill:
        """Return the same as if heard *by_s* later."""
        trail = tuple((s + by_s, c) for s, c in self.trail)
        return Chill(self.smooth_c, self.part, trail)

    def times_s(self, limit_c: float) -> list[float] | None:
        """Return the time to *limit_c* in every future; None while nothing is known."""
        if self.smooth_c is None or len(self.trail) < 6:
            return None
        above_c = self.smooth_c - limit_c
        if above_c > NEAR_C:
            return [NEVER_S]
        if above_c <= 0.05:
            return [0.0]
        half = min(WINDOW, len(self.trail) // 2)
        late, late_error = _slope(self.trail[-half:])
        early, early_error = _slope(self.trail[-2 * half : -half])
        apart_s = self.trail[-1][0] - self.trail[-1 - half][0]
        above_c += late * SMOOTHING_S
        long, _ = _slope(self.trail)
        straight_s = max(0.0, above_c) / -long if long < -STILL_C_PER_S else NEVER_S
        return [
            straight_s
            if late + a * late_error >= -STILL_C_PER_S
            else _approach_s(
                above_c, early + b * early_error, late + a * late_error, apart_s
            )
            for a in QUANTILES
            for b in (-1.0, 0.0, 1.0)
        ]


def _slope(trail: tuple[tuple[float, float], ...]) -> tuple[float, float]:
    """Return the least-squares slope in degC/s, and its deviation."""
    count = len(trail)
    middle_s = sum(s for s, _ in trail) / count
    middle_c = sum(c for _, c in trail) / count
    square = sum((s - middle_s) ** 2 for s, _ in trail)
    slope = sum((s - middle_s) * (c - middle_c) for s, c in trail) / square
    error = SENSOR_C / sqrt(square / count) / sqrt(max(1.0, count / 3))
    return slope, error


def _approach_s(above_c: float, early: float, late: float, apart_s: float) -> float:
    """Return when a temperature *above_c* over the limit gets there.

    Both slopes are of one exponential, so their ratio gives its time constant.
    """
    ratio = min(0.995, max(0.5, late / early if early < 0 else 1.0))
    tau_s = -apart_s / log(ratio)
    deepest_c = -late * tau_s
    if above_c <= 0:
        return 0.0
    if above_c >= deepest_c * 0.999:
        return NEVER_S
    return -tau_s * log(1 - above_c / deepest_c)
