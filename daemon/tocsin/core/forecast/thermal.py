"""The coldest and the hottest sensor of a pack lately, and when they reach a limit."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp
from typing import TYPE_CHECKING

from tocsin.core.forecast.approach import COUPLINGS_H, crossings_s, fits
from tocsin.core.forecast.clone import clone
from tocsin.core.forecast.low import NEVER_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.forecast.approach import Heating

EVERY_S = 120.0
MOST = 92
OLDEST_S = 6 * 3_600.0
NEEDED = 6
STALE_S = 300.0
"""A temperature that was not said for so long is not known."""
NEAR_C = 12.0
THERE_C = 0.05
"""Half a step of an ordinary sensor."""
SQUARE_H = 2.0

Row = tuple[float, float, float, tuple[float, ...]]
"""(second, coldest degC, hottest degC, heat so far for each coupling)."""


@dataclass(frozen=True, slots=True)
class Approach:
    """When a limit is reached, as seen at *at_s*.

    Attributes:
        times_s: In every future, from then on.
        gained_s: How much longer half of the current gives; None if it gives nothing.
    """

    at_s: float
    times_s: tuple[float, ...]
    gained_s: float | None


@dataclass(slots=True)
class Thermal:
    """The temperatures of one pack lately.

    Attributes:
        heard_s: Of the newest temperature; None before the first.
        seen_c: The newest coldest and hottest.
        parts: Which sensors those are, from 1.
        trail: One row every two minutes; never changed in place.
        heat: Square of the current in multiples of 1C, times hours, decaying with each
            coupling.
        square: Its mean over two hours.
        sums: Seconds of the row that is gathered, and times them: second, coldest,
            hottest, square of the current.
    """

    nameplate_ah: float
    heard_s: float | None = None
    seen_c: tuple[float, float] = (0.0, 0.0)
    parts: tuple[int, int] = (0, 0)
    trail: tuple[Row, ...] = ()
    heat: tuple[float, ...] = (0.0,) * len(COUPLINGS_H)
    square: float = 0.0
    sums: list[float] = field(default_factory=lambda: [0.0] * 5)

    def copied(self) -> Thermal:
        """Return a copy that goes on by itself."""
        new = clone(self)
        new.sums = self.sums[:]
        return new

    def moved(self, by_s: float) -> Thermal:
        """Return a copy as if all had been heard *by_s* later."""
        new = self.copied()
        new.heard_s = None if self.heard_s is None else self.heard_s + by_s
        new.trail = tuple((row[0] + by_s, *row[1:]) for row in self.trail)
        new.sums[1] += new.sums[0] * by_s
        return new

    def hear(
        self, at_s: float, dt_s: float, temps_c: list[float], current_a: float
    ) -> None:
        """Take a reading, and the mean current of the *dt_s* before it."""
        cold_c, hot_c = min(temps_c), max(temps_c)
        self.heard_s, self.seen_c = at_s, (cold_c, hot_c)
        sums, rate = self.sums, current_a / self.nameplate_ah
        sums[0] += dt_s
        sums[1] += dt_s * at_s
        sums[2] += dt_s * cold_c
        sums[3] += dt_s * hot_c
        sums[4] += dt_s * rate * rate
        if sums[0] >= EVERY_S or not self.trail:
            self.parts = temps_c.index(cold_c) + 1, temps_c.index(hot_c) + 1
            self._close()

    def _close(self) -> None:
        lasted_s, *totals = self.sums
        second, cold_c, hot_c, square = (total / lasted_s for total in totals)
        hours = lasted_s / 3600
        self.heat = tuple(
            square * tau + (heat - square * tau) * exp(-hours / tau)
            for heat, tau in zip(self.heat, COUPLINGS_H, strict=True)
        )
        self.square += (square - self.square) * min(1.0, hours / SQUARE_H)
        kept = [row for row in self.trail if second - row[0] < OLDEST_S]
        self.trail = (*kept[-MOST + 1 :], (second, cold_c, hot_c, self.heat))
        self.sums = [0.0] * 5

    def unknown(self, at_s: float) -> str:
        """Return why no time can be told; empty if one can."""
        if self.heard_s is None:
            return "the pack says no temperature"
        if at_s - self.heard_s > STALE_S:
            return "the temperature has not been said for a while"
        if len(self.trail) < NEEDED:
            return "the temperature is not known long enough"
        return ""

    def known_s(self, limit_c: float, *, hot: bool) -> list[float] | None:
        """Return the time to *limit_c* where no fit is needed: at it, or far away."""
        above_c = self.seen_c[hot] - limit_c if hot else limit_c - self.seen_c[hot]
        if above_c >= -THERE_C:
            return [0.0]
        return [NEVER_S] if above_c < -NEAR_C else None

    def times_s(
        self, limit_c: float, heating: Heating, warms: float, *, hot: bool
    ) -> Approach:
        """Return the time to *limit_c* in every future, counted from the last row.

        *warms* is what the own heat is expected to do, in K an hour at 1C.
        """
        column = [(s, hot_c if hot else c, h) for s, c, hot_c, h in self.trail]
        every = fits(column, warms)
        times = tuple(crossings_s(every, heating, limit_c, hot=hot))
        gained_s = None
        if hot:
            half = crossings_s(every, heating.halved(), limit_c, hot=True)
            gained_s = min(NEVER_S, _middle(half) - _middle(times))
        return Approach(self.trail[-1][0], times, gained_s)


def _middle(times_s: Sequence[float]) -> float:
    return sorted(times_s)[len(times_s) // 2]
