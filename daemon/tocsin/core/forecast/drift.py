"""How far the current sensor is off at zero, from the bank's own life.

A cell that shows the same voltage in the same knee holds the same charge. So whenever
the first cell comes down into its low knee, or up into its high one, our count should
read what it read the last time; by how much it creeps an hour is the offset. A pack
that its protection has cut off shows the offset at once: nothing can flow.

A wrong *gain* is not sought. What a cell holds and what is drawn are counted by the
same sensor, so it cancels in minutes; against the nameplate it passes for capacity,
which is learned anyway (`fit`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp, sqrt

FIRST_SD = 0.002
"""Of 1C: what to expect of a sensor that nothing is known of."""
MOST = 0.010
"""Of 1C: a sensor that is further off is broken."""
LEAST_SD = 0.0002
AGES = 0.0003
"""Of 1C: by how much it may have changed while nobody counted."""
MARK_SD = 0.010
"""Of the nameplate: the same knee is met again so well."""
REST_SD = 0.0008
"""Of 1C: what may still flow when the protection has cut off."""
REST_S = 300.0
STEADY = 0.002
FORGETS_H = 20 * 24.0
APART_H = 4.0
"""Knees that follow faster than this are one."""


@dataclass(frozen=True, slots=True)
class Marks:
    """A line through what our count read, uncorrected, in one knee of one cell.

    Sums of a regression of ampere-hours on hours, both from the newest mark.
    """

    cell: int = -1
    at_s: float = 0.0
    count_ah: float = 0.0
    weight: float = 0.0
    hours: float = 0.0
    hours_sq: float = 0.0
    ah: float = 0.0
    hours_ah: float = 0.0

    def marked(self, cell: int, at_s: float, count_ah: float) -> Marks:
        """Return the line after one more mark; another cell begins another line."""
        on_h, on_ah = (at_s - self.at_s) / 3600, count_ah - self.count_ah
        if self.weight and on_h < APART_H:
            return self
        if cell != self.cell:
            return Marks(cell, at_s, count_ah, weight=1.0)
        keeps = exp(-on_h / FORGETS_H)
        w, h, a = self.weight, self.hours, self.ah
        return Marks(
            cell,
            at_s,
            count_ah,
            keeps * w + 1,
            keeps * (h - w * on_h),
            keeps * (self.hours_sq - 2 * on_h * h + w * on_h * on_h),
            keeps * (a - w * on_ah),
            keeps * (self.hours_ah - on_h * a - on_ah * h + w * on_h * on_ah),
        )

    def slope(self) -> tuple[float, float]:
        """Return the slope in A, and what it is worth: a sum of squares in h^2."""
        if self.weight < 1.5:
            return 0.0, 0.0
        square = self.hours_sq - self.hours * self.hours / self.weight
        product = self.hours_ah - self.hours * self.ah / self.weight
        return (product / square, square) if square > 0 else (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Rest:
    """A current that has been steady while the protection holds the pack off."""

    begun_s: float
    mean_a: float
    is_taken: bool = False


@dataclass(frozen=True, slots=True)
class Drift:
    """The offset of one pack's current sensor; A, positive while charging.

    Attributes:
        offset_a, sd_a: What is believed now.
        prior_a, prior_sd_a: The same without the marks.
        lifted_ah: What the correction has taken from the count until *since_s*.
    """

    nameplate_ah: float
    offset_a: float = 0.0
    sd_a: float = 0.0
    prior_a: float = 0.0
    prior_sd_a: float = 0.0
    since_s: float = 0.0
    lifted_ah: float = 0.0
    down: Marks = field(default_factory=Marks)
    up: Marks = field(default_factory=Marks)
    rest: Rest | None = None

    @classmethod
    def fresh(cls, nameplate_ah: float) -> Drift:
        """Return what is believed of a sensor that nothing is known of."""
        sd_a = FIRST_SD * nameplate_ah
        return cls(nameplate_ah, sd_a=sd_a, prior_sd_a=sd_a)

    def moved(self, by_s: float) -> Drift:
        """Return the same as if all had been heard *by_s* later."""
        rest = self.rest
        return replace(
            self,
            since_s=self.since_s + by_s,
            down=replace(self.down, at_s=self.down.at_s + by_s),
            up=replace(self.up, at_s=self.up.at_s + by_s),
            rest=rest and replace(rest, begun_s=rest.begun_s + by_s),
        )

    def interrupted(self, at_s: float) -> Drift:
        """Return the drift after nobody counted for a while: old marks say nothing."""
        sd_a = sqrt(self.sd_a**2 + (AGES * self.nameplate_ah) ** 2)
        return Drift(
            self.nameplate_ah,
            self.offset_a,
            sd_a,
            self.offset_a,
            sd_a,
            since_s=at_s,
        )

    def marked(self, cell: int, at_s: float, count_ah: float, *, full: bool) -> Drift:
        """Return the drift after *cell* came into a knee at *count_ah*, corrected."""
        at_ah = count_ah + self._taken_ah(at_s)
        side = self.up if full else self.down
        new = side.marked(cell, at_s, at_ah)
        return self._weighed(
            at_s, replace(self, up=new) if full else replace(self, down=new)
        )

    def _taken_ah(self, at_s: float) -> float:
        return self.lifted_ah + self.offset_a * (at_s - self.since_s) / 3600

    def _weighed(self, at_s: float, new: Drift) -> Drift:
        """Return *new* with prior and marks weighed against each other."""
        nameplate_ah = self.nameplate_ah
        worth = 1 / new.prior_sd_a**2
        total_a = worth * new.prior_a
        for marks in (new.down, new.up):
            slope_a, square = marks.slope()
            each = square / (MARK_SD * nameplate_ah) ** 2
            worth += each
            total_a += each * slope_a
        most_a = MOST * nameplate_ah
        return replace(
            new,
            offset_a=min(most_a, max(-most_a, total_a / worth)),
            sd_a=max(LEAST_SD * nameplate_ah, 1 / sqrt(worth)),
            since_s=at_s,
            lifted_ah=self._taken_ah(at_s),
        )

    def cut(self, at_s: float, seen_a: float) -> Drift:
        """Return the drift after a reading of *seen_a*, uncorrected, while cut off."""
        rest = self.rest
        steady_a = STEADY * self.nameplate_ah
        if abs(seen_a) > MOST * self.nameplate_ah:
            return self if rest is None else replace(self, rest=None)
        if rest is None or abs(seen_a - rest.mean_a) > steady_a:
            return replace(self, rest=Rest(at_s, seen_a))
        if rest.is_taken:
            return self
        mean_a = rest.mean_a + (seen_a - rest.mean_a) * 0.05
        is_taken = at_s - rest.begun_s >= REST_S
        new = replace(self, rest=Rest(rest.begun_s, mean_a, is_taken))
        return self._weighed(at_s, new.rested(mean_a)) if is_taken else new

    def rested(self, mean_a: float) -> Drift:
        """Return the drift with *mean_a* seen at rest taken into the prior."""
        old, new = 1 / self.prior_sd_a**2, 1 / (REST_SD * self.nameplate_ah) ** 2
        return replace(
            self,
            prior_a=(old * self.prior_a + new * mean_a) / (old + new),
            prior_sd_a=1 / sqrt(old + new),
        )
