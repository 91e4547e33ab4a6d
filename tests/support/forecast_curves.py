"""Published open-circuit curves, and a curve made of one for tests of the forecast."""

from __future__ import annotations

from random import Random
from types import MappingProxyType
from typing import TYPE_CHECKING

from tocsin.core.forecast.curve import curve_of, squeezed
from tocsin.core.forecast.fit import (
    NODES,
    Counter,
    Fit,
    Learned,
    Point,
    Window,
    fit,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

NAUMANN_PCT_V = (
    (0, 2.286),
    (1, 2.783),
    (2, 2.895),
    (3, 2.967),
    (5, 3.065),
    (7.5, 3.146),
    (10, 3.197),
    (15, 3.212),
    (20, 3.234),
    (25, 3.255),
    (30, 3.270),
    (35, 3.283),
    (40, 3.292),
    (45, 3.297),
    (50, 3.299),
    (55, 3.301),
    (60, 3.303),
    (65, 3.306),
    (70, 3.311),
    (75, 3.319),
    (80, 3.334),
    (85, 3.340),
    (90, 3.342),
    (95, 3.345),
    (98, 3.349),
    (99, 3.362),
    (99.5, 3.396),
    (100, 3.530),
)
"""Naumann et al., J. Energy Storage 2018, doi 10.1016/j.est.2018.01.019, and J. Power
Sources 2020, doi 10.1016/j.jpowsour.2019.227666: per cent of charge, volts at rest, of
a 3 Ah LFP cell at 25 degC, mean of charge and discharge."""

BPX_PCT_V = (
    (10, 3.188),
    (15, 3.204),
    (20, 3.230),
    (30, 3.267),
    (40, 3.275),
    (50, 3.278),
    (60, 3.286),
    (70, 3.306),
    (80, 3.318),
    (90, 3.322),
    (95, 3.323),
)
"""BPX example parameter set of an LFP cell of 2 Ah (Faraday Institution and
About:Energy, 2022): positive minus negative open-circuit potential."""

NAUMANN = curve_of(tuple((pct / 100, volts) for pct, volts in NAUMANN_PCT_V))

NAMEPLATE_AH = 280.0


def shown(
    *,
    empty_ah: float,
    capacity_ah: float,
    stretch: float = 1.0,
    offset_v: float = 0.0,
    down_to: float,
    noise_v: float = 0.001,
    seed: int = 1,
) -> list[Point]:
    """Return what a cell shows of the published curve from half full down to a charge.

    One point every half a per cent, each with noise of its own.
    """
    random = Random(seed)
    points = list[Point]()
    for n in range(100, -1, -1):
        charge = n / 200
        if charge < down_to:
            break
        volts = NAUMANN.at(squeezed(charge, stretch)) + offset_v
        reading_ah = empty_ah + charge * capacity_ah
        points.append((reading_ah, volts + random.gauss(0, noise_v), 1.0))
    return points


def fitted(
    points: list[Point],
    charge: float | None,
    *,
    learned: Learned | None = None,
    by_full: bool = False,
    rounds: int = 6,
    known: Mapping[str, float] = MappingProxyType({}),
) -> Fit:
    """Return the fit of *points* that a pack would have after a few rounds.

    *known* is what an earlier knee says, as fields of `Counter`.
    """
    at_ah = points[-1][0]
    counter = Counter(at_ah, charge, NAMEPLATE_AH, **known)
    if charge is None:
        low_ah, high_ah = at_ah - NAMEPLATE_AH, at_ah + 0.01 * NAMEPLATE_AH
    else:
        said_ah = at_ah - charge * NAMEPLATE_AH
        low_ah = said_ah - 0.15 * NAMEPLATE_AH
        high_ah = said_ah + 0.38 * NAMEPLATE_AH
    window = Window(low_ah, (high_ah - low_ah) / (NODES - 1))
    taught = learned or Learned()
    found = fit(
        NAUMANN, points, counter, window=window, learned=taught, by_full=by_full
    )
    for _ in range(rounds - 1):
        found = fit(
            NAUMANN,
            points,
            counter,
            window=found.window,
            learned=taught,
            by_full=by_full,
        )
    return found


def lefts(found: Fit, at_ah: float) -> list[float]:
    """Return the charge left by every pick, in multiples of the nameplate."""
    return sorted((at_ah - pick[0]) / NAMEPLATE_AH for pick in found.picks)
