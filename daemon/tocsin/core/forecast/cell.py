"""What one cell has shown: its curve, as volts without the ohmic drop, and the fits."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp
from typing import TYPE_CHECKING

from tocsin.core.forecast.fit import Learned, Pick, Point, Window, anchored

if TYPE_CHECKING:
    from tocsin.core.forecast.curve import Curve

PLATEAU_V = (3.30, 3.345)
MOST_BINS = 260
MOST_POINTS = 90
FORGOTTEN_S = 3 * 86_400.0
FADES_S = 43_200.0

Seen = tuple[float, float, float, float]
"""(counter reading of the surface, volts at rest, counter reading, second)."""


@dataclass(frozen=True, slots=True)
class Side:
    """One direction of the current: discharge and charge differ by hysteresis.

    Attributes:
        seen: Bin to what was seen there last; never changed in place.
        picks: Hypotheses of equal weight; empty before the first fit.
    """

    seen: dict[int, Seen] = field(default_factory=dict)
    picks: tuple[Pick, ...] = ()
    window: Window | None = None
    empty_sd_ah: float = 1e9

    def moved(self, by_s: float) -> Side:
        """Return the side as if all had been seen *by_s* later."""
        seen = {k: (x, y, ah, s + by_s) for k, (x, y, ah, s) in self.seen.items()}
        return replace(self, seen=seen)

    def recounted(self, more_a: float, at_s: float, bin_ah: float) -> Side:
        """Return the side as if *more_a* less had flowed all the time before *at_s*."""
        seen = dict[int, Seen]()
        for x, y, ah, s in sorted(self.seen.values(), key=lambda each: each[3]):
            more_ah = more_a * (at_s - s) / 3600
            seen[int((x + more_ah) // bin_ah)] = (x + more_ah, y, ah + more_ah, s)
        return replace(self, seen=seen)


@dataclass(frozen=True, slots=True)
class Knee:
    """Where the low knee was met.

    Attributes:
        count_ah: Our count then.
        charge_off: By how much the battery's own counter was wrong then, -1 to 1.
    """

    count_ah: float
    at_s: float
    charge_off: float

    def moved(self, by_s: float) -> Knee:
        """Return the knee as if it had been met *by_s* later."""
        return replace(self, at_s=self.at_s + by_s)

    def recounted(self, more_a: float, at_s: float) -> Knee:
        """Return the knee as if *more_a* less had flowed since."""
        more_ah = more_a * (at_s - self.at_s) / 3600
        return replace(self, count_ah=self.count_ah + more_ah)


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell.

    Attributes:
        rest_v: Volts without the ohmic drop, of the newest bin.
        down, up: Discharge and charge side.
        learned: What earlier runs have shown.
        fresh: What the run going on has shown, kept when it ends.
        knee, new_knee: Where the low knee was met in an earlier run, and in this one.
        plateau_v: Offset of the upper plateau from the curve, while charging.
    """

    rest_v: float = 0.0
    down: Side = field(default_factory=Side)
    up: Side = field(default_factory=Side)
    learned: Learned = field(default_factory=Learned)
    fresh: Learned | None = None
    knee: Knee | None = None
    new_knee: Knee | None = None
    plateau_v: float = -0.01

    def side(self, *, charging: bool) -> Side:
        """Return one direction."""
        return self.up if charging else self.down

    def with_side(self, side: Side, *, charging: bool) -> Cell:
        """Return the cell with one direction replaced."""
        return replace(self, up=side) if charging else replace(self, down=side)

    def shown(
        self, seen: Seen | None, rest_v: float, *, charging: bool, bin_ah: float
    ) -> Cell:
        """Return the cell after one more bin; the farthest goes of too many."""
        cell = replace(self, rest_v=rest_v)
        if seen is None:
            return cell
        side = self.side(charging=charging)
        bins = dict(side.seen)
        bins[int(seen[0] // bin_ah)] = seen
        if len(bins) > MOST_BINS:
            bins.pop(max(bins, key=lambda k: abs(bins[k][2] - seen[2])))
        return cell.with_side(replace(side, seen=bins), charging=charging)

    def anchored(self, curve: Curve, reading_ah: float, *, charging: bool) -> Cell:
        """Return the cell with every pick's curve through the newest voltage."""
        side = self.side(charging=charging)
        if not side.picks:
            return self
        picks = anchored(curve, side.picks, reading_ah, self.rest_v)
        cell = self.with_side(replace(side, picks=picks), charging=charging)
        if not charging or not PLATEAU_V[0] < self.rest_v < PLATEAU_V[1]:
            return cell
        offset_v = sorted(pick[3] for pick in picks)[len(picks) // 2]
        moved_v = (min(0.03, max(-0.05, offset_v)) - self.plateau_v) * 0.1
        return replace(cell, plateau_v=self.plateau_v + moved_v)

    def moved(self, by_s: float) -> Cell:
        """Return the cell as if all had been seen *by_s* later."""
        return replace(
            self,
            down=self.down.moved(by_s),
            up=self.up.moved(by_s),
            knee=self.knee and self.knee.moved(by_s),
            new_knee=self.new_knee and self.new_knee.moved(by_s),
        )

    def recounted(self, more_a: float, at_s: float, bin_ah: float) -> Cell:
        """Return the cell as if *more_a* less had flowed all the time before *at_s*."""
        return replace(
            self,
            down=self.down.recounted(more_a, at_s, bin_ah),
            up=self.up.recounted(more_a, at_s, bin_ah),
            knee=self.knee and self.knee.recounted(more_a, at_s),
            new_knee=self.new_knee and self.new_knee.recounted(more_a, at_s),
        )

    def run_ended(self) -> Cell:
        """Return the cell with what a deep run has shown taken to heart.

        Deviations never fall below what a year may change, so that age is followed.
        """
        fresh, knee = self.fresh, self.new_knee or self.knee
        if fresh is None:
            return (
                self if knee is self.knee else replace(self, knee=knee, new_knee=None)
            )
        learned = Learned(
            fresh.capacity,
            min(0.09, max(0.02, 1.5 * fresh.capacity_sd)),
            fresh.log_stretch,
            min(0.4, max(0.12, 1.5 * fresh.log_stretch_sd)),
        )
        return replace(self, learned=learned, fresh=None, knee=knee, new_knee=None)


def points_of(
    side: Side,
    *,
    surface_ah: float,
    volts: float,
    nameplate_ah: float,
    at_s: float,
    charging: bool,
) -> list[Point]:
    """Return what to fit: near by all of it, farther off and earlier less.

    What lies ahead was seen in an earlier run; the counter has drifted since, so it
    fades with its age.
    """
    points = list[Point]()
    for k, (x, y, _, seen_s) in side.seen.items():
        behind = (x - surface_ah) / nameplate_ah * (-1 if charging else 1)
        is_steep = y > 3.37 if charging else y < 3.18
        age_s = at_s - seen_s
        if age_s > FORGOTTEN_S:
            continue
        if behind < 0.02:
            weight = 1.0 if behind > -0.02 or is_steep or k % 4 == 0 else 0.0
        elif behind < 0.10:
            weight = 0.6 if k % 2 == 0 or is_steep else 0.0
        else:
            weight = 0.30 if k % 4 == 0 else 0.0
        if weight:
            points.append((x, y, weight * exp(-age_s / FADES_S)))
    if len(points) > MOST_POINTS:
        points.sort(key=lambda p: abs(p[0] - surface_ah))
        points = points[:MOST_POINTS]
    return points or [(surface_ah, volts, 1.0)]
