"""The high side: which cell is full first, and whether the charger stops before it."""

from __future__ import annotations

from dataclasses import KW_ONLY, dataclass
from math import exp
from typing import TYPE_CHECKING

from tocsin.core.forecast.curve import squeezed, stretched
from tocsin.core.forecast.low import NEVER_S, QUANTILES

if TYPE_CHECKING:
    from tocsin.core.forecast.curve import Curve
    from tocsin.core.forecast.fit import Pick

KNEE_SHOWS_V = 3.362
"""Rested, on the charge curve: from here on the knee itself tells where it is."""
GROWS = 1.15
KNEE_SHARE = 0.95
"""Of the nameplate: what the top of the curve measures."""
TOP_SLACK = 0.3


@dataclass(frozen=True, slots=True)
class Above:
    """One cell against the high cut-off.

    Attributes:
        rest_v: Volts without the ohmic drop.
        plateau_v: Offset of its upper plateau from the curve.
        later_ah: By how much it will be full later than the middle of the string.
        is_own: Its own fit is sharp enough; else the alignment places it.
    """

    picks: tuple[Pick, ...]
    rest_v: float
    plateau_v: float
    surface_ah: float
    ohm: float
    later_ah: float
    is_own: bool


@dataclass(frozen=True, slots=True)
class Charging:
    """What is to be expected of the charge; amperes are positive.

    Attributes:
        cells: How many there are; some may not be known yet.
        peak_a: Highest mean of ten minutes lately.
        limit_v: Where the chargers hold the pack; None if it is not known.
    """

    curve: Curve
    cells: int
    nameplate_ah: float
    counter_ah: float
    mean_a: float
    sd_a: float
    now_a: float
    peak_a: float
    cut_v: float
    limit_v: float | None

    def currents(self, n: int) -> tuple[float, float]:
        """Return the mean current and the current at the end, of future *n*.

        Clouds pass: half of the futures see the sun back.
        """
        quantile = QUANTILES[n % len(QUANTILES)]
        mean_a = self.mean_a + self.sd_a * quantile
        if quantile > 0:
            mean_a = max(mean_a, 0.9 * self.peak_a)
        return mean_a, max(mean_a, self.now_a)


def times_s(cells: list[Above], ahead: Charging) -> tuple[list[float], int]:
    """Return the time to the high cut-off in every future, and which cell it is."""
    shows = any(cell.rest_v - cell.plateau_v > KNEE_SHOWS_V for cell in cells)
    middle_ah = sum(cell.later_ah for cell in cells) / len(cells)
    first, futures = [0] * len(cells), list[float]()
    for n in range(len(cells[0].picks)):
        mean_a, end_a = ahead.currents(n)
        if mean_a < 0.004 * ahead.nameplate_ah:
            futures.append(NEVER_S)
            continue
        full_ah = sum(c.picks[n][0] + c.picks[n][1] for c in cells) / len(cells)
        lefts = [
            _left_ah(c, ahead, n, end_a, full_ah - middle_ah, shows=shows)
            for c in cells
        ]
        least_ah = min(lefts)
        end = _End(n, end_a, least_ah, full_ah - middle_ah, shows=shows)
        if _charger_first(cells, ahead, end):
            futures.append(NEVER_S)
            continue
        first[lefts.index(least_ah)] += 1
        futures.append(max(0.0, least_ah) / mean_a * 3600)
    return futures, first.index(max(first))


def _empty_ah(cell: Above, n: int, string_ah: float) -> float:
    empty_ah, capacity_ah, _, _ = cell.picks[n]
    return empty_ah if cell.is_own else string_ah + cell.later_ah - capacity_ah


def _left_ah(
    cell: Above, ahead: Charging, n: int, end_a: float, string_ah: float, *, shows: bool
) -> float:
    """Return the charge until *cell* is at the cut-off with *end_a* flowing."""
    _, capacity_ah, stretch, offset_v = cell.picks[n]
    drop_v = cell.ohm * GROWS * end_a
    curve = ahead.curve
    if shows:
        now_v = cell.rest_v - cell.plateau_v
        if now_v <= KNEE_SHOWS_V:
            return NEVER_S
        at_cut = curve.charge_at(ahead.cut_v - cell.plateau_v - drop_v)
        share = at_cut - curve.charge_at(now_v)
        slack = exp(TOP_SLACK * QUANTILES[n % len(QUANTILES)])
        return max(0.0, KNEE_SHARE * ahead.nameplate_ah * share) * slack
    place = stretched(curve.charge_at(ahead.cut_v - offset_v - drop_v), stretch)
    empty_ah = _empty_ah(cell, n, string_ah)
    return empty_ah + capacity_ah * place - ahead.counter_ah - cell.surface_ah


@dataclass(frozen=True, slots=True)
class _End:
    """How future *n* ends, *least_ah* from now."""

    n: int
    end_a: float
    least_ah: float
    string_ah: float
    _: KW_ONLY
    shows: bool


def _charger_first(cells: list[Above], ahead: Charging, end: _End) -> bool:
    """Return True if the pack is at the chargers' limit before a cell cuts off."""
    if ahead.limit_v is None:
        return False
    pack_v = 0.0
    for cell in cells:
        _, capacity_ah, stretch, offset_v = cell.picks[end.n]
        if end.shows:
            offset_v = cell.plateau_v
            place = max(KNEE_SHARE, ahead.curve.charge_at(cell.rest_v - offset_v))
            place += end.least_ah / (KNEE_SHARE * ahead.nameplate_ah)
        else:
            reading_ah = ahead.counter_ah + cell.surface_ah + end.least_ah
            charge = (reading_ah - _empty_ah(cell, end.n, end.string_ah)) / capacity_ah
            place = squeezed(charge, stretch)
        end_v = ahead.curve.at(place) + offset_v + cell.ohm * GROWS * end.end_a
        pack_v += min(ahead.cut_v, end_v)
    return pack_v * ahead.cells / len(cells) > ahead.limit_v + 0.01


def alignment_ah(seen: list[dict[int, float]], bin_ah: float) -> list[float]:
    """Return by how much later than the middle each cell will be full, in Ah.

    *seen* is, per cell, bin to volts on the charge side. Each cell's curve is slid
    along the median curve to where both agree best.
    """
    shared = set(seen[0]).intersection(*seen[1:])
    middle = {k: sorted(cell[k] for cell in seen)[len(seen) // 2] for k in shared}
    return [-bin_ah * _best_slide(cell, middle) for cell in seen]


def _best_slide(cell: dict[int, float], middle: dict[int, float]) -> float:
    scored = list[tuple[float, int]]()
    for slide in range(-16, 17):
        apart = [cell[k] - middle[k + slide] for k in cell if k + slide in middle]
        if len(apart) < 10:
            continue
        mean = sum(apart) / len(apart)
        variance = sum((v - mean) ** 2 for v in apart) / len(apart)
        score = -0.5 * min(len(apart), 24) * variance / 4e-6 - 0.5 * (slide / 3) ** 2
        scored.append((score, slide))
    if not scored:
        return 0.0
    best = max(scored)[0]
    weights = [(exp(score - best), slide) for score, slide in scored]
    return sum(w * s for w, s in weights) / sum(w for w, _ in weights)
