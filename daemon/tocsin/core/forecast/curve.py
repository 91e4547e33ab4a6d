"""The open-circuit curve of a chemistry on a fine grid, and its stretched low knee.

The knee of one maker's cell is wider than another's, so the part of the curve below
`KNEE` is stretched by a factor that is learned; the rest is squeezed to make room.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import exp

GRID = 2_000
"""Steps from empty to full."""

MARGIN = 1_000
"""Steps beyond either end, where a wrong hypothesis may look."""

SLOPE_ERROR = 0.0030
"""Error of the charge axis, as a share of the capacity."""

KNEE = 0.10
"""The low knee lies below this charge (LFP)."""

GAS_J_PER_MOL_K = 8.314
ICE_K = 273.15
WARM_K = 298.15


def arrhenius(joule_per_mol: float, temp_c: float) -> float:
    """Return by how much slower than at 25 degC a process of that energy is."""
    return exp(joule_per_mol / GAS_J_PER_MOL_K * (1 / (temp_c + ICE_K) - 1 / WARM_K))


class Curve:
    """Volts against charge (0 to 1), rising all the way.

    The published points are joined by monotone cubics (Fritsch and Carlson, SIAM J.
    Numer. Anal. 17, 1980, 238). Beyond both ends the end slopes are carried on.
    """

    def __init__(self, points: tuple[tuple[float, float], ...]) -> None:
        xs, ys = [x for x, _ in points], [y for _, y in points]
        slopes = _monotone_slopes(xs, ys)
        self.volts = tuple(_hermite(xs, ys, slopes, n / GRID) for n in range(GRID + 1))
        self._first_mv = round(self.volts[0] * 1000)
        self._places = tuple(
            self._sought(mv / 1000)
            for mv in range(self._first_mv, round(self.volts[-1] * 1000) + 2)
        )

    def at(self, charge: float) -> float:
        """Return the volts at *charge*."""
        place = charge * GRID
        n = min(max(int(place), 0), GRID - 1)
        low, high = self.volts[n], self.volts[n + 1]
        return low + (place - n) * (high - low)

    def charge_at(self, volts: float) -> float:
        """Return the charge at which the curve shows *volts*."""
        mv = volts * 1000 - self._first_mv
        n = int(mv)
        if not 0 <= n < len(self._places) - 1:
            return self._sought(volts)
        low = self._places[n]
        return low + (mv - n) * (self._places[n + 1] - low)

    def _sought(self, volts: float) -> float:
        n = min(max(bisect_right(self.volts, volts) - 1, 0), GRID - 1)
        low, high = self.volts[n], self.volts[n + 1]
        return (n + (volts - low) / (high - low)) / GRID


@dataclass(frozen=True, slots=True)
class Table:
    """A stretched curve to be read by whole steps; step `MARGIN` is empty.

    Attributes:
        volts: At each step.
        weights: Inverse variance of the published curve there, in 1/V^2.
    """

    volts: tuple[float, ...]
    weights: tuple[float, ...]


@lru_cache(maxsize=64)
def table_of(curve: Curve, stretch: float) -> Table:
    """Return *curve* with its low knee stretched, on the grid and far beyond it."""
    places = [
        squeezed((n - MARGIN) / GRID, stretch) for n in range(GRID + 2 * MARGIN + 1)
    ]
    return Table(
        tuple(curve.at(place) for place in places),
        tuple(_weight(curve, place) for place in places),
    )


def _weight(curve: Curve, place: float) -> float:
    """Return how well the curve is known at *place*, from cell to cell."""
    tilt = (curve.at(place + 0.002) - curve.at(place - 0.002)) / 0.004
    if place < 0.07:
        variance = 2.5e-5
    elif place < 0.40:
        variance = 1.5e-4
    else:
        variance = 6e-5
    return 1 / (variance + (tilt * SLOPE_ERROR) ** 2)


@lru_cache(maxsize=8)
def curve_of(points: tuple[tuple[float, float], ...]) -> Curve:
    """Return the curve through *points* (charge 0 to 1, volts), made once."""
    return Curve(points)


def squeezed(charge: float, stretch: float) -> float:
    """Return the place on the published curve of *charge* in a stretched cell."""
    knee = stretch * KNEE
    if charge < knee:
        return charge / stretch
    return KNEE + (charge - knee) * (1 - KNEE) / (1 - knee)


def stretched(place: float, stretch: float) -> float:
    """Return the charge of a stretched cell at *place* on the published curve."""
    if place < KNEE:
        return place * stretch
    knee = stretch * KNEE
    return knee + (place - KNEE) * (1 - knee) / (1 - KNEE)


def _monotone_slopes(xs: list[float], ys: list[float]) -> list[float]:
    steps = [
        (y1 - y0) / (x1 - x0)
        for x0, x1, y0, y1 in zip(xs, xs[1:], ys, ys[1:], strict=False)
    ]
    if min(steps) <= 0:
        raise ValueError("an open-circuit curve must rise all the way")
    inner = [2 * a * b / (a + b) for a, b in pairwise(steps)]
    return [steps[0], *inner, steps[-1]]


def _hermite(xs: list[float], ys: list[float], slopes: list[float], x: float) -> float:
    k = min(max(bisect_right(xs, x) - 1, 0), len(xs) - 2)
    width = xs[k + 1] - xs[k]
    t = (x - xs[k]) / width
    return (
        ys[k] * (1 + 2 * t) * (1 - t) ** 2
        + slopes[k] * width * t * (1 - t) ** 2
        + ys[k + 1] * t * t * (3 - 2 * t)
        + slopes[k + 1] * width * t * t * (t - 1)
    )
