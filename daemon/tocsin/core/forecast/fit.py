"""Hypotheses of one cell: where it is empty, what it holds, how wide its knee is.

On the plateau the error of a charge estimate is not Gaussian but "somewhere in forty
per cent", so a grid of hypotheses is weighed instead of one state being corrected.
Each is judged by how well the published curve, laid there, meets the curve the cell
has shown; a free offset takes up what differs from cell to cell (table, hysteresis,
sensor). What the battery's own counter says is a prior, taken both ways it can be
wrong: set at full, or scaled to what is left.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, log1p, sqrt
from typing import TYPE_CHECKING

from tocsin.core.forecast.curve import GRID, MARGIN, squeezed, table_of

if TYPE_CHECKING:
    from tocsin.core.forecast.curve import Curve, Table

PICKS = 20
NODES = 13
SIGMAS = (-2.0, -1.0, 0.0, 1.0, 2.0)
LOW_C = (-1.5, 0.0, 1.5)
FINE_SIGMAS = tuple(n / 2 for n in range(-4, 5))
TEMPER = 0.40
"""Errors of neighbouring points are not independent: each counts for so much."""
OFFSET_WEIGHT = 1_600.0
"""The offset is within 25 mV, one sigma."""
KNEE_SHOWS = 0.09
"""Below this charge the stretch of the knee begins to show."""
COUNTER_SIGMA = 0.040
LOW_KNEE = 0.06
"""Charge at which the low knee is steep enough to be met again."""
LOST = 9.0
"""Hypotheses this much less likely (log) than the best are dropped."""

Pick = tuple[float, float, float, float]
"""(counter reading in Ah when empty, capacity in Ah, stretch of the knee, offset)."""

_Weighed = tuple[float, float, float, float]
"""(weight or log likelihood, empty, capacity, stretch)."""

Point = tuple[float, float, float]
"""(counter reading in Ah, volts at rest, weight)."""


@dataclass(frozen=True, slots=True)
class Learned:
    """What earlier runs have shown of a cell: means and deviations.

    Attributes:
        capacity: Multiples of the nameplate.
        log_stretch: Logarithm of the stretch of its low knee.
    """

    capacity: float = 0.94
    capacity_sd: float = 0.09
    log_stretch: float = 0.15
    log_stretch_sd: float = 0.4


@dataclass(frozen=True, slots=True)
class Window:
    """Where "empty" is sought: from *low_ah* on in steps of *step_ah*."""

    low_ah: float
    step_ah: float


@dataclass(frozen=True, slots=True)
class Fit:
    """The outcome: picks of equal weight, least charge left first."""

    picks: tuple[Pick, ...]
    window: Window
    found: Learned
    empty_sd_ah: float


@dataclass(frozen=True, slots=True)
class Counter:
    """What is counted: our own reading, and the battery's opinion.

    Attributes:
        at_ah: Our counter now.
        charge: What the battery's own counter says, 0 to 1; None if it says nothing.
        nameplate_ah: Of the pack.
        doubt: Of the battery's opinion, one sigma, 0 to 1.
        knee_ah: What our counter should read in the low knee, if that was met before.
        knee_sd_ah: One sigma of it.
    """

    at_ah: float
    charge: float | None
    nameplate_ah: float
    doubt: float = COUNTER_SIGMA
    knee_ah: float | None = None
    knee_sd_ah: float = 1.0


def fit(
    curve: Curve,
    points: list[Point],
    counter: Counter,
    *,
    window: Window,
    learned: Learned,
    by_full: bool,
) -> Fit:
    """Weigh every hypothesis; *by_full* orders the picks by where the cell is full.

    Only where the low knee shows is its stretch a question.
    """
    is_low = not by_full and min(y for _, y, _ in points) < curve.at(KNEE_SHOWS)
    best, found = -1e99, list[_Weighed]()
    for c_sigma in LOW_C if is_low else SIGMAS:
        capacity = learned.capacity + c_sigma * learned.capacity_sd
        capacity_ah = counter.nameplate_ah * capacity
        scale = GRID / capacity_ah
        places = [(x * scale, y, w) for x, y, w in points]
        for g_sigma in FINE_SIGMAS if is_low else (0.0,):
            stretch = _stretch(learned, g_sigma)
            table, knee = table_of(curve, stretch), LOW_KNEE * stretch
            base = -0.5 * (c_sigma * c_sigma + g_sigma * g_sigma)
            for node in range(NODES):
                empty_ah = window.low_ah + node * window.step_ah
                prior = base + _counter_prior(empty_ah, capacity_ah, counter)
                if counter.knee_ah is not None:
                    knee_ah = empty_ah + capacity_ah * knee
                    prior += _heavy((knee_ah - counter.knee_ah) / counter.knee_sd_ah)
                if prior < best - LOST:
                    continue
                shift = empty_ah * scale - MARGIN
                likelihood = prior - _misfit(table, places, shift)
                best = max(best, likelihood)
                found.append((likelihood, empty_ah, capacity_ah, stretch))
    kept = [(exp(h[0] - best), *h[1:]) for h in found if h[0] > best - LOST]
    return _summed_up(kept, counter, learned, is_low=is_low, by_full=by_full)


def _stretch(learned: Learned, sigmas: float) -> float:
    """Return a stretch on a coarse grid, so that tables can be kept."""
    return exp(round(learned.log_stretch + sigmas * learned.log_stretch_sd, 1))


def _counter_prior(empty_ah: float, capacity_ah: float, counter: Counter) -> float:
    charge, nameplate_ah = counter.charge, counter.nameplate_ah
    if charge is None:
        away = (empty_ah - counter.at_ah + 0.5 * capacity_ah) / (0.6 * capacity_ah)
        return -0.5 * away * away
    sigma = (counter.doubt if charge > 0.004 else 0.10) * nameplate_ah
    since_full = counter.at_ah + (1 - charge) * nameplate_ah - capacity_ah
    of_left = counter.at_ah - charge * capacity_ah
    away = min(abs(empty_ah - since_full), abs(empty_ah - of_left)) / sigma
    return _heavy(away)


def _heavy(away: float) -> float:
    """Return the log likelihood of an error of so many sigmas, with heavy tails."""
    return -2 * log1p(away * away / 4)


def _misfit(table: Table, places: list[Point], shift: float) -> float:
    """Return minus the log likelihood of the points, with a free offset."""
    volts, weights = table.volts, table.weights
    last = len(volts) - 1
    total = first = second = 0.0
    for place, y, w in places:
        n = int(place - shift)
        if not 0 <= n <= last:
            n = 0 if n < 0 else last
        r = y - volts[n]
        each = w * weights[n]
        total += each
        each *= r
        first += each
        second += each * r
    return 0.5 * TEMPER * (second - first * first / (total + OFFSET_WEIGHT))


def _summed_up(
    kept: list[_Weighed],
    counter: Counter,
    learned: Learned,
    *,
    is_low: bool,
    by_full: bool,
) -> Fit:
    total = sum(h[0] for h in kept)
    nameplate_ah = counter.nameplate_ah

    def moments(values: list[float]) -> tuple[float, float]:
        mean = sum(h[0] * v for h, v in zip(kept, values, strict=True)) / total
        square = sum(h[0] * (v - mean) ** 2 for h, v in zip(kept, values, strict=True))
        return mean, sqrt(square / total)

    empty_ah, empty_sd = moments([h[1] for h in kept])
    capacity, capacity_sd = moments([h[2] / nameplate_ah for h in kept])
    stretch, stretch_sd = moments([log(h[3]) for h in kept])
    if not is_low:
        stretch, stretch_sd = learned.log_stretch, learned.log_stretch_sd
    half_ah = max(0.03 * nameplate_ah, 3 * empty_sd + 0.01 * nameplate_ah)
    order = sorted(kept, key=lambda h: h[1] + h[2] if by_full else -h[1])
    return Fit(
        picks=_picked(order, total, learned, is_low=is_low),
        window=Window(empty_ah - half_ah, 2 * half_ah / (NODES - 1)),
        found=Learned(capacity, capacity_sd, stretch, stretch_sd),
        empty_sd_ah=empty_sd,
    )


def _picked(
    order: list[_Weighed],
    total: float,
    learned: Learned,
    *,
    is_low: bool,
) -> tuple[Pick, ...]:
    """Return picks at equal steps of probability.

    Where the knee was not seen its stretch is as uncertain as before: the picks take
    turns over it.
    """
    picks, so_far, j = list[Pick](), 0.0, -1
    for n in range(PICKS):
        while so_far < (n + 0.5) / PICKS * total and j < len(order) - 1:
            j += 1
            so_far += order[j][0]
        _, empty_ah, capacity_ah, stretch = order[max(j, 0)]
        if not is_low:
            turn = (-1.0, 0.4, -0.4, 1.0, 0.0)[n % 5]
            stretch = _stretch(learned, turn)
        picks.append((empty_ah, capacity_ah, stretch, 0.0))
    return tuple(picks)


def anchored(
    curve: Curve, picks: tuple[Pick, ...], at_ah: float, volts: float
) -> tuple[Pick, ...]:
    """Return *picks* with the offset that makes each meet *volts* at *at_ah*."""
    return tuple(
        (e, c, g, volts - curve.at(squeezed((at_ah - e) / c, g)))
        for e, c, g, _ in picks
    )
