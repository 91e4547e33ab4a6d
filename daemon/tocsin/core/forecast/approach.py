"""Where the air and the own heat take a temperature.

A cell loses heat to the air in proportion to how much warmer it is (Newton's law of
cooling), its current warms it by the square times the resistance (Joule's law), and the
air itself approaches a floor or a top, at night about exponentially (Goettsche and
Olesen, Remote Sensing of Environment 76, 2001, from memory). So a temperature is

    T(t) = level + B exp(-t / coupling) + C exp(-t / air) + warms * heat(t)

where the heat decays as the cell does. The two time constants are hypotheses on a grid;
for each, the four numbers are fitted to the last hours with what is known beforehand,
and how well that went is its weight. What a load warmed is so taken off before the
trend is judged, and what it will warm is put on again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import erf, exp, log, sqrt
from operator import add, mul
from typing import TYPE_CHECKING

from tocsin.core.forecast.low import NEVER_S

if TYPE_CHECKING:
    from collections.abc import Sequence

COUPLINGS_H = (1.5, 4.0, 10.0)
"""Of cells of a few kg in a box, in moving or still air: hours (from memory)."""
AIRS_H = (1.5, 4.0, 12.0)
NOISE_C = 0.05
"""Of one mean of two minutes: a sensor with steps of a tenth stays on its step."""
FADES_H = 2.0
LEVEL_C = 10.0
SWING_C = 5.0
"""How far air and cell may be apart, one deviation."""
UNSURE = 0.5
"""Of the own heat, one deviation, as a part of it."""
DRIFTS_C_PER_H = 0.1
JOULE_PER_K_AH = 20.5
"""1000 J/(kg K) (Naumann et al., J. Energy Storage 2018; 999 in the BPX example set,
Faraday Institution, 2022) times 4.1 kg at 200 Ah (from memory)."""
GRID_H = (0.0, 0.05, 0.1, 0.17, 0.25, 0.33, 0.42, 0.5, 0.67, 1, 1.5, 2, 3, 5, 8)
CELLS = [[exp(-hours / tau_h) - 1 for hours in GRID_H] for tau_h in COUPLINGS_H]
AIRS = [[exp(-hours / tau_h) - 1 for hours in GRID_H] for tau_h in AIRS_H]
FUTURES = 40
OTHERS = ((1.0, 1.0), (1 / 3, 0.6), (3.0, 1.6))
"""How much longer what flows now may go on, and how much more may flow after it."""


def _draws() -> list[tuple[float, ...]]:
    """Return normal deviates in five dimensions, spread evenly over the futures.

    Multiples of the powers of a generalised golden ratio, the root of x^6 = x + 1
    (Roberts 2018, from memory), through the inverse of the normal distribution.
    """
    steps = [1.1347241384015194**-k for k in range(1, 6)]
    return [
        tuple(_deviate((0.5 + n * step) % 1) for step in steps) for n in range(FUTURES)
    ]


def _deviate(share: float) -> float:
    """Return below which deviate *share* of a normal distribution lies."""
    low, high = -6.0, 6.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        is_below = 0.5 * (1 + erf(middle / sqrt(2))) < share
        low, high = (middle, high) if is_below else (low, middle)
    return low


DRAWS = _draws()


@dataclass(frozen=True, slots=True)
class Heating:
    """What is to be expected of the current, squared, in multiples of 1C.

    Attributes:
        heat: What has been so far, for each coupling.
        now, stays_h: What flows now, and for how much longer.
        then: The mean after that.
    """

    heat: tuple[float, ...]
    now: float
    stays_h: float
    then: float

    def halved(self) -> Heating:
        """Return what half of the current would do from now on."""
        return replace(self, now=self.now / 4, then=self.then / 4)

    def path(self, k: int, stays: float, more: float) -> list[float]:
        """Return the heat that is to come, along `GRID_H`, with coupling *k*."""
        tau_h, stays_h, then = COUPLINGS_H[k], self.stays_h * stays, self.then * more
        heats = list[float]()
        for hours in GRID_H:
            soon_h = min(hours, stays_h)
            first = self.now * tau_h * (1 - exp(-soon_h / tau_h))
            last = then * tau_h
            heats.append(last + (first - last) * exp(-(hours - soon_h) / tau_h))
        return heats


@dataclass(frozen=True, slots=True)
class Fit:
    """One hypothesis.

    Attributes:
        coupling, air: Its time constants, as positions in `COUPLINGS_H` and `AIRS_H`.
        mean: Level above *origin_c*, B, C and the own heat.
        root: Lower root of their precision.
        evidence: Logarithm of how likely it is, but for what all have in common.
    """

    coupling: int
    air: int
    mean: list[float]
    root: list[list[float]]
    evidence: float
    origin_c: float

    def path_c(
        self, draw: tuple[float, ...], heat: float, coming: list[float]
    ) -> list[float]:
        """Return one temperature along `GRID_H`, *draw* deviations from the mean.

        *heat* is what has been so far, *coming* what is to come. A current never cools.
        """
        apart = backward(self.root, draw)
        level, near, far, warms = map(add, self.mean, apart)
        warms, begins_c = max(0.0, warms), self.origin_c + level
        drift_c = draw[-1] * DRIFTS_C_PER_H
        grid = zip(GRID_H, CELLS[self.coupling], AIRS[self.air], coming, strict=True)
        return [
            begins_c
            + near * cell
            + far * air
            + warms * (heat * (cell + 1) + more)
            + drift_c * hours
            for hours, cell, air, more in grid
        ]


def fits(
    rows: Sequence[tuple[float, float, tuple[float, ...]]], warms: float
) -> list[Fit]:
    """Return every hypothesis, fitted to *rows*: (second, degC, heat so far).

    *warms* is what is expected of the own heat, in K an hour at 1C.
    """
    hours = [(row[0] - rows[-1][0]) / 3600 for row in rows]
    origin_c = rows[-1][1]
    columns = [[1.0] * len(rows)]
    columns += [[exp(-h / tau) - 1 for h in hours] for tau in (*COUPLINGS_H, *AIRS_H)]
    columns += [[row[2][k] for row in rows] for k in range(len(COUPLINGS_H))]
    columns.append([row[1] - origin_c for row in rows])
    weights = [exp(h / FADES_H) / NOISE_C**2 for h in hours]
    weighted = [list(map(mul, column, weights)) for column in columns]
    gram = [
        [sum(map(mul, weighted[i], columns[j])) for j in range(i + 1)]
        for i in range(len(columns))
    ]
    return [
        _fitted(gram, i, j, warms, origin_c)
        for i in range(len(COUPLINGS_H))
        for j in range(len(AIRS_H))
    ]


def _fitted(
    gram: list[list[float]], coupling: int, air: int, warms: float, origin_c: float
) -> Fit:
    """Return one hypothesis: linear least squares with a normal prior."""
    chosen = (0, 1 + coupling, 1 + len(COUPLINGS_H) + air, 7 + coupling)
    prior = (LEVEL_C**-2, SWING_C**-2, SWING_C**-2, (UNSURE * warms) ** -2)
    right = [gram[-1][column] for column in chosen]
    right[3] += prior[3] * warms
    precision = [
        [gram[a][b] if a >= b else gram[b][a] for b in chosen[: n + 1]]
        for n, a in enumerate(chosen)
    ]
    for n, each in enumerate(prior):
        precision[n][n] += each
    root = cholesky(precision)
    half = forward(root, right)
    evidence = 0.5 * sum(map(mul, half, half))
    evidence -= sum(log(row[-1]) for row in root)
    return Fit(coupling, air, backward(root, half), root, evidence, origin_c)


def crossings_s(
    every: list[Fit], heating: Heating, limit_c: float, *, hot: bool
) -> list[float]:
    """Return the time to *limit_c* in every future; likely fits have more of them."""
    sign = 1.0 if hot else -1.0
    best = max(fit.evidence for fit in every)
    weights = [exp(fit.evidence - best) for fit in every]
    step, gone = sum(weights) / FUTURES, 0.0
    times = list[float]()
    for fit, weight in zip(every, weights, strict=True):
        gone += weight
        count = min(FUTURES, round(gone / step)) - len(times)
        if count <= 0:
            continue
        heat = heating.heat[fit.coupling]
        coming = [heating.path(fit.coupling, *other) for other in OTHERS]
        for n in range(len(times), len(times) + count):
            path_c = fit.path_c(DRAWS[n], heat, coming[n % len(coming)])
            times.append(_first_s(path_c, limit_c, sign))
    return times


def _first_s(path_c: list[float], limit_c: float, sign: float) -> float:
    """Return when *path_c*, along `GRID_H`, is first at *limit_c* or beyond it."""
    before_c = sign * (path_c[0] - limit_c)
    if before_c >= 0:
        return 0.0
    for k in range(1, len(path_c)):
        over_c = sign * (path_c[k] - limit_c)
        if over_c >= 0:
            part = before_c / (before_c - over_c)
            return 3600 * (GRID_H[k - 1] + part * (GRID_H[k] - GRID_H[k - 1]))
        before_c = over_c
    return NEVER_S


def cholesky(lower: list[list[float]]) -> list[list[float]]:
    """Return the lower root of a positive matrix, of which the lower half is given."""
    root = list[list[float]]()
    for n, row in enumerate(lower):
        made = list[float]()
        for m in range(n):
            made.append((row[m] - sum(map(mul, made, root[m]))) / root[m][m])
        made.append(sqrt(max(1e-12, row[n] - sum(map(mul, made, made)))))
        root.append(made)
    return root


def forward(root: list[list[float]], right: Sequence[float]) -> list[float]:
    """Return what *root* times it is *right*."""
    solved = list[float]()
    for row, value in zip(root, right, strict=True):
        solved.append((value - sum(map(mul, row, solved))) / row[-1])
    return solved


def backward(root: list[list[float]], right: Sequence[float]) -> list[float]:
    """Return what the transpose of *root* times it is *right*."""
    solved = [0.0] * len(root)
    for n in reversed(range(len(root))):
        later = 0.0
        for m in range(n + 1, len(root)):
            later += root[m][n] * solved[m]
        solved[n] = (right[n] - later) / root[n][n]
    return solved
