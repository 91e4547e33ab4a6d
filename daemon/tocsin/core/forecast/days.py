"""What the load does at this hour: means of every half hour, learned day by day.

Whether a half hour is like that of other days, or like the half hour before, is itself
learned, hour by hour: a heater that comes on at eleven is foreseen, a random pump is
not, and a bank with no habits is left to the running means.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

BINS = 48
BIN_S = 86_400.0 / BINS
FEWEST_DAYS = 2.0
"""Days before a half hour is believed."""
LEARNS = 0.25
"""A new day counts for at least so much: a fortnight ago is nearly forgotten."""
CARRIES = 0.5
"""So much of what differs from other days is left half an hour later."""
DAY_RATE, STAY_RATE = 0.05, 0.025
"""Errors to begin with, in multiples of 1C: a habit has to prove itself."""


@dataclass(frozen=True, slots=True)
class HalfHour:
    """One half hour of the day, over all days.

    Attributes:
        mean_a: Mean current, positive while charging.
        days: How often it was seen.
        day_sq: Mean squared error of foretelling it from other days, A^2.
        stay_sq: The same from the half hour before.
    """

    mean_a: float = 0.0
    days: float = 0.0
    day_sq: float = 0.0
    stay_sq: float = 0.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the time ahead.

    Attributes:
        ends_s: When it ends, from now.
        trust: How much of *mean_a* to believe, 0 to 1.
        mean_a: Mean current by the habits of other days, positive while charging.
        sd_a: Its standard deviation.
    """

    ends_s: float
    trust: float
    mean_a: float
    sd_a: float


@dataclass(frozen=True, slots=True)
class Days:
    """The days of one pack; replaced twice an hour, never changed.

    Attributes:
        origin_s: When the first half hour of the table begins; None before a reading.
        begun_s, begun_ah: Second and count at which the one going on was joined.
        is_spoiled: It says nothing of habits: the protection has cut off.
        before_a: Mean of the half hour before; None if it is not known.
    """

    nameplate_ah: float
    origin_s: float | None = None
    begun_s: float = 0.0
    begun_ah: float = 0.0
    ends_s: float = -1e18
    is_spoiled: bool = False
    before_a: float | None = None
    hours: tuple[HalfHour, ...] = (HalfHour(),) * BINS

    def moved(self, by_s: float) -> Days:
        """Return the same as if all had been heard *by_s* later."""
        origin_s = self.origin_s
        return replace(
            self,
            origin_s=None if origin_s is None else origin_s + by_s,
            begun_s=self.begun_s + by_s,
            ends_s=self.ends_s + by_s,
        )

    def heard(self, at_s: float, counted_ah: float) -> Days:
        """Return the days after a half hour has ended at *at_s*."""
        if self.origin_s is None:
            return self._joined(at_s, at_s, counted_ah, None)
        lasted_s = at_s - self.begun_s
        is_whole = 0.8 * BIN_S < lasted_s < 1.2 * BIN_S
        if not is_whole or self.is_spoiled:
            return self._joined(self.origin_s, at_s, counted_ah, None)
        mean_a = (counted_ah - self.begun_ah) * 3600 / lasted_s
        hours = self._learned(mean_a)
        return self._joined(self.origin_s, at_s, counted_ah, mean_a, hours)

    def _joined(
        self,
        origin_s: float,
        at_s: float,
        counted_ah: float,
        before_a: float | None,
        hours: tuple[HalfHour, ...] | None = None,
    ) -> Days:
        ends_s = origin_s + ((at_s - origin_s) // BIN_S + 1) * BIN_S
        if ends_s <= at_s:  # the difference was rounded down
            ends_s += BIN_S
        return replace(
            self,
            origin_s=origin_s,
            begun_s=at_s,
            begun_ah=counted_ah,
            ends_s=ends_s,
            is_spoiled=False,
            before_a=before_a,
            hours=hours or self.hours,
        )

    def _at(self, second: float) -> int:
        return int((second - (self.origin_s or 0.0)) // BIN_S) % BINS

    def _learned(self, mean_a: float) -> tuple[HalfHour, ...]:
        """Return the table with the half hour that ends learned."""
        n = self._at(self.ends_s - 0.5 * BIN_S)
        old, before = self.hours[n], self.hours[n - 1]
        days = old.days + 1
        share = max(1 / days, LEARNS)
        new = replace(old, days=days, mean_a=old.mean_a + (mean_a - old.mean_a) * share)
        if self.before_a is not None and old.days and before.days:
            by_day_a = old.mean_a + CARRIES * (self.before_a - before.mean_a)
            day_sq, stay_sq = self._errors(old)
            new = replace(
                new,
                day_sq=day_sq + ((mean_a - by_day_a) ** 2 - day_sq) * share,
                stay_sq=stay_sq + ((mean_a - self.before_a) ** 2 - stay_sq) * share,
            )
        return *self.hours[:n], new, *self.hours[n + 1 :]

    def _errors(self, hour: HalfHour) -> tuple[float, float]:
        if hour.day_sq or hour.stay_sq:
            return hour.day_sq, hour.stay_sq
        return (DAY_RATE * self.nameplate_ah) ** 2, (STAY_RATE * self.nameplate_ah) ** 2

    def ahead(self, at_s: float, base_a: float) -> list[Stretch]:
        """Return the day ahead of *at_s*, if the mean is *base_a* now.

        The rest of this half hour is left to what runs now. Nothing is returned while
        no half hour ahead is believed.
        """
        if self.origin_s is None:
            return []
        first = self._at(at_s)
        now = self.hours[first]
        differs_a = base_a - now.mean_a if now.days else 0.0
        ends_s = self.ends_s - at_s
        plan = [Stretch(ends_s, 0.0, 0.0, 0.0)]
        for k in range(1, BINS):
            hour = self.hours[(first + k) % BINS]
            ends_s += BIN_S
            differs_a *= CARRIES
            day_sq, stay_sq = self._errors(hour)
            is_known = hour.days >= FEWEST_DAYS
            trust = stay_sq / (stay_sq + day_sq) if is_known else 0.0
            mean_a = hour.mean_a + differs_a
            plan.append(Stretch(ends_s, trust, mean_a, sqrt(day_sq)))
        return plan if any(stretch.trust for stretch in plan) else []
