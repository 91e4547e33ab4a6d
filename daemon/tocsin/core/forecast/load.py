"""What the load does: its mean ahead, and how often it climbs over which level."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import sqrt

from tocsin.core.forecast.clone import clone
from tocsin.core.forecast.days import Days, Stretch

TAUS_S = (120.0, 600.0, 1_800.0, 7_200.0)
"""Running means that compete; the one that foretold best lately weighs most."""

RATES = (0.01, 0.02, 0.04, 0.07, 0.11, 0.17, 0.25, 0.37, 0.55, 0.80, 1.2, 1.8, 2.6, 3.8)
"""Levels of load that are counted, in multiples of 1C."""

MEMORY_S = 8 * 3_600.0
LONGEST_S = 900.0
HOLD_S = 30.0


@dataclass(frozen=True, slots=True)
class Level:
    """A level of load that was seen.

    Attributes:
        amps: Mean load while above the level.
        per_hour: How often the load climbs over it.
        lasts_s: How long it stays.
        is_on: It is above the level now.
        recent: How often, with a memory that fades: one climb counts for a half after
            five and a half hours.
    """

    amps: float
    per_hour: float
    lasts_s: float
    is_on: bool
    recent: float = 1.0


@dataclass(slots=True)
class Load:
    """Current of one pack as it goes by; amperes, positive while charging.

    Attributes:
        capacity_ah: Nameplate.
        ahead_s: How far ahead the mean is judged.
    """

    capacity_ah: float
    ahead_s: float
    counted_ah: float = 0.0
    fast_a: float | None = None
    means: list[float] = field(default_factory=lambda: [0.0] * 4)
    shares: list[float] = field(default_factory=lambda: [0.0] * 4)
    errors: list[float] = field(default_factory=list)
    past: list[tuple[float, float, tuple[float, ...]]] = field(default_factory=list)
    peaks: list[tuple[float, float]] = field(default_factory=list)
    up: list[bool] = field(default_factory=lambda: [False] * len(RATES))
    climbs: list[float] = field(default_factory=lambda: [0.0] * len(RATES))
    amps: list[float] = field(default_factory=list)
    above_s: list[float] = field(default_factory=lambda: [0.0] * len(RATES))
    watched_h: float = 0.0
    top: int = -1
    top_since_s: float = 0.0
    now_s: float = 0.0
    days: Days = field(default_factory=lambda: Days(0.0))

    def __post_init__(self) -> None:
        """Begin with an error that makes no mean the favourite."""
        if not self.days.nameplate_ah:
            self.days = Days(self.capacity_ah)
        if not self.errors:
            self.errors = [(0.025 * self.capacity_ah) ** 2] * len(TAUS_S)
            self.amps = [rate * self.capacity_ah for rate in RATES]

    def copied(self) -> Load:
        """Return a copy that goes on by itself."""
        new = clone(self)
        new.means, new.shares = self.means[:], self.shares[:]
        new.errors, new.amps = self.errors[:], self.amps[:]
        new.up, new.climbs, new.above_s = self.up[:], self.climbs[:], self.above_s[:]
        return new

    def moved(self, by_s: float) -> Load:
        """Return a copy as if all had been heard *by_s* later."""
        new = self.copied()
        new.past = [(s + by_s, ah, means) for s, ah, means in self.past]
        new.peaks = [(s + by_s, mean) for s, mean in self.peaks]
        new.top_since_s += by_s
        new.now_s += by_s
        new.days = new.days.moved(by_s)
        return new

    def cut_off(self) -> None:
        """The protection has cut off: this half hour says nothing of other days."""
        if not self.days.is_spoiled:
            self.days = replace(self.days, is_spoiled=True)

    def hear(self, at_s: float, dt_s: float, current_a: float) -> None:
        """Take the mean current of the last *dt_s*."""
        self.counted_ah += current_a * dt_s / 3600
        for k, tau_s in enumerate(TAUS_S):
            share = min(dt_s / tau_s, 0.7)
            self.means[k] += (current_a - self.means[k]) * share
            self.shares[k] += (1 - self.shares[k]) * share
        fast_a = self.fast_a
        if fast_a is None:
            self.top_since_s = at_s
        step = min(1.0, dt_s / 5)
        self.fast_a = (
            current_a if fast_a is None else fast_a + (current_a - fast_a) * step
        )
        self._climb(-self.fast_a / self.capacity_ah, dt_s, -current_a)
        top = max((k for k, up in enumerate(self.up) if up), default=-1)
        if top != self.top:
            self.top, self.top_since_s = top, at_s
        self.now_s = at_s
        if at_s >= self.days.ends_s:
            self.days = self.days.heard(at_s, self.counted_ah)
        if not self.past or at_s - self.past[-1][0] >= HOLD_S:
            self._look_back(at_s)

    def _climb(self, rate: float, dt_s: float, drawn_a: float) -> None:
        self.watched_h += dt_s / 3600
        for k, level in enumerate(RATES):
            if self.up[k]:
                self.above_s[k] += dt_s
                self.amps[k] += (drawn_a - self.amps[k]) * min(1.0, dt_s / 120)
                self.up[k] = rate >= 0.85 * level
            elif rate >= level:
                self.up[k] = True
                self.climbs[k] += 1
            else:
                break

    def _look_back(self, at_s: float) -> None:
        """Forget a little, and see which mean foretold the time since best."""
        fades = 1 - HOLD_S / MEMORY_S
        self.watched_h *= fades
        self.climbs = [count * fades for count in self.climbs]
        self.above_s = [seconds * fades for seconds in self.above_s]
        means = tuple(m / s for m, s in zip(self.means, self.shares, strict=True))
        if not self.peaks or at_s - self.peaks[-1][0] >= 300:
            self.peaks = [*self.peaks[-17:], (at_s, means[1])]
        past = [*self.past, (at_s, self.counted_ah, means)]
        while at_s - past[0][0] > self.ahead_s + 1.5 * HOLD_S:
            past = past[1:]
        self.past = past
        then_s, counted_ah, foretold = past[0]
        if at_s - then_s >= self.ahead_s - 1.5 * HOLD_S:
            real_a = (self.counted_ah - counted_ah) * 3600 / (at_s - then_s)
            self.errors = [
                error + ((mean - real_a) ** 2 - error) * 0.012
                for error, mean in zip(self.errors, foretold, strict=True)
            ]

    def mean(self, sensor_a: float) -> tuple[float, float]:
        """Return the mean current ahead and its standard deviation, in A.

        *sensor_a* is by how much the sensor may be off at zero, one sigma.
        """
        floor = (0.003 * self.capacity_ah) ** 2
        weights = [1 / (error + floor) ** 1.5 for error in self.errors]
        mean_a = sum(
            w * m / s for w, m, s in zip(weights, self.means, self.shares, strict=True)
        ) / sum(weights)
        return mean_a, sqrt(min(self.errors) + sensor_a**2)

    def plan(self) -> list[Stretch]:
        """Return what comes at the hours ahead; nothing while no habit is known."""
        return self.days.ahead(self.now_s, self.means[2] / self.shares[2])

    def stays_s(self) -> float:
        """Return for how much longer what runs now is likely to go on.

        A level that comes and goes lasts as long as it did before, and the time
        between two comings likewise. What was never seen to end, or has outlasted its
        habit, goes on for as long as it has been so already: the plainest guess where
        nothing is known.
        """
        been_s = self.now_s - self.top_since_s
        habits_s = [been_s] if self.top < 0 else []
        if self.top >= 0:
            count = self.climbs[self.top]
            is_habit = count > 1.5
            habits_s.append(self.above_s[self.top] / count if is_habit else been_s)
        hours = self.watched_h + 0.35
        for k in range(self.top + 1, len(RATES)):
            if self.climbs[k] > 1.5:
                between_s = 3600 * hours - self.above_s[k]
                habits_s.append(between_s / self.climbs[k])
        return min(h - been_s if been_s < h else been_s for h in habits_s)

    def peak(self) -> float:
        """Return the highest mean of ten minutes in the last hour and a half."""
        return max([mean for _, mean in self.peaks] + [self.means[1] / self.shares[1]])

    def levels(self) -> list[Level]:
        """Return the levels seen lately, lowest first."""
        hours = self.watched_h + 0.35
        return [
            Level(
                max(rate * self.capacity_ah, self.amps[k]),
                self.climbs[k] / hours,
                min(LONGEST_S, self.above_s[k] / max(self.climbs[k], 0.5)),
                self.up[k],
                self.climbs[k],
            )
            for k, rate in enumerate(RATES)
            if self.climbs[k] > 0.02 or self.up[k]
        ]
