"""The low side: every hypothesis of a cell, emptied under every load seen lately."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import TYPE_CHECKING

from tocsin.core.forecast.curve import stretched

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.core.forecast.curve import Curve
    from tocsin.core.forecast.days import Stretch
    from tocsin.core.forecast.fit import Pick
    from tocsin.core.forecast.load import Level

NEVER_S = 9e9
QUANTILES = (-1.64, 0.39, -0.67, 1.04, -0.13, -1.04, 0.67, 0.13, 1.64, -0.39)
"""Of the normal distribution, shuffled so that they do not march with the picks."""
MOST_SIGMAS = max(QUANTILES)
LEAST_A = 0.3
WAITS = (0.16, 0.70, 1.90)
"""Of an exponential wait, in multiples of its mean."""
STAYS = (1.0, 1 / 3, 3.0)
"""Quantiles of how long something goes on that may end at any time, in multiples of
how long it has been going on: P(more than x) = been / (been + x)."""
SEEN = 0.5
"""A burst counts as seen lately for about five hours."""
SETTLES_S = 300.0
GROWS = 1.12
"""A load that lasts sees more than the ohmic drop."""
STEEPENS = 0.25
"""From this charge down the resistance grows towards empty."""
RARE_PER_HOUR = 2.0
SHORT_S = 800.0
SOON = 0.33
"""Of the lead: a burst is tried so far ahead."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is to be expected of the load.

    Attributes:
        mean_a, sd_a: Mean current over the lead, positive while charging.
        drawn_a: Drawn at this moment.
        stays_s: For how much longer that is likely to go on.
        levels: Levels of load seen lately.
        lead_s: The lead asked for.
        plan: What comes at the hours ahead, as far as it is known.
    """

    mean_a: float
    sd_a: float
    drawn_a: float
    stays_s: float
    levels: tuple[Level, ...]
    lead_s: float
    plan: tuple[Stretch, ...] = ()


@dataclass(frozen=True, slots=True)
class Below:
    """One cell against the low cut-off.

    Attributes:
        counter_ah: The counter now.
        ohm: Resistance at its temperature.
        surface_h: Hours of current by which the surface runs ahead.
        cut_v: The cut-off.
        knee: By how much of itself the resistance grows towards empty.
    """

    curve: Curve
    picks: tuple[Pick, ...]
    counter_ah: float
    ohm: float
    surface_h: float
    cut_v: float
    knee: float = 0.0

    def left_ah(
        self, pick: Pick, drawn_a: float, mean_a: float, settles: float = 0.6
    ) -> float:
        """Return the charge until *drawn_a* pulls the cell down to the cut-off.

        *settles* is how much of the difference between the two the surface of the
        particles will follow.
        """
        empty_ah, capacity_ah, stretch, offset_v = pick
        now = (self.counter_ah - empty_ah) / capacity_ah
        grows = GROWS + self.knee * min(1.0, max(0.0, now / STEEPENS))
        rest_v = self.cut_v - offset_v + self.ohm * grows * drawn_a
        place = stretched(self.curve.charge_at(rest_v), stretch)
        more_a = settles * max(0.0, drawn_a - mean_a)
        surface_ah = self.surface_h * (mean_a + more_a)
        return self.counter_ah - empty_ah - capacity_ah * place - surface_ah


def times_s(cell: Below, ahead: Ahead) -> list[float]:
    """Return the time to the cut-off in every future.

    What is drawn now goes on for a while, then the mean ahead follows; a larger load
    that comes and goes is awaited, three waits a level. Smaller ones never come first.
    """
    now_a = max(ahead.drawn_a, 0.0)
    awaited = [
        level
        for level in ahead.levels
        if level.amps > max(now_a, LEAST_A)
        and not level.is_on
        and level.per_hour > 0
        and not is_burst(level)
    ]
    habits_a = max((s.sd_a * MOST_SIGMAS - s.mean_a for s in ahead.plan), default=0.0)
    futures = list[float]()
    for n, pick in enumerate(cell.picks):
        sigmas = QUANTILES[n % len(QUANTILES)]
        drawn_a = -(ahead.mean_a + ahead.sd_a * sigmas)
        mean_a = max(drawn_a, 0.0)
        stays_s = ahead.stays_s * STAYS[n % len(STAYS)]
        if ahead.plan:
            steps = _steps(ahead.plan, now_a, stays_s, mean_a, sigmas)
            first_s = _walked(
                cell,
                pick,
                steps,
                mean_a=mean_a,
                settles=1 - exp(-stays_s / SETTLES_S),
                most_a=max(habits_a, now_a, mean_a),
            )
        else:
            first_s = _first_now(cell, pick, now_a, mean_a, stays_s)
        three = [first_s] * len(WAITS)
        for level in awaited:
            left_ah = cell.left_ah(pick, level.amps, mean_a)
            left_ah -= _taken_ah(level.amps, level.lasts_s, mean_a)
            wait = _waited(left_ah, drawn_a)
            mean_s = 3600 / level.per_hour
            three = [
                min(t, wait + share * mean_s)
                for t, share in zip(three, WAITS, strict=True)
            ]
        futures += three
    return futures


def _first_now(
    cell: Below, pick: Pick, now_a: float, mean_a: float, stays_s: float
) -> float:
    """Return the time to the cut-off: *now_a* for *stays_s*, then *mean_a*."""
    settles = 1 - exp(-stays_s / SETTLES_S)
    alone_s = _waited(cell.left_ah(pick, now_a, mean_a, settles), now_a)
    if alone_s <= stays_s:
        return alone_s
    left_ah = cell.left_ah(pick, mean_a, mean_a) - now_a * stays_s / 3600
    return stays_s + _waited(left_ah, mean_a)


def _steps(
    plan: tuple[Stretch, ...],
    now_a: float,
    stays_s: float,
    mean_a: float,
    sigmas: float,
) -> Iterator[tuple[float, float]]:
    """Yield (end in seconds from now, drawn in A) of what is to come.

    As far as a habit is believed it takes the place of what would follow without one:
    *now_a* for *stays_s*, then *mean_a*.
    """
    begins_s = 0.0
    for stretch in plan:
        ends_s, trust = stretch.ends_s, stretch.trust
        habit_a = -trust * (stretch.mean_a + stretch.sd_a * sigmas)
        other = 1 - trust
        if begins_s < stays_s < ends_s:
            yield stays_s, habit_a + other * now_a
        other_a = now_a if stays_s >= ends_s else mean_a
        yield ends_s, habit_a + other * other_a
        begins_s = ends_s


def _walked(
    cell: Below,
    pick: Pick,
    steps: Iterator[tuple[float, float]],
    *,
    mean_a: float,
    settles: float,
    most_a: float,
) -> float:
    """Return the time to the cut-off if *steps* come, the first of which runs already.

    None of them is larger than *most_a*: before the charge at which that much would cut
    off is reached, nothing needs to be looked at.
    """
    safe_ah = cell.left_ah(pick, most_a, max(most_a, mean_a))
    begins_s = taken_ah = 0.0
    for n, (ends_s, drawn_a) in enumerate(steps):
        more_ah = drawn_a * (ends_s - begins_s) / 3600
        if drawn_a > 0 and taken_ah + more_ah >= safe_ah:
            surface_a = drawn_a if n else mean_a
            left_ah = cell.left_ah(pick, drawn_a, surface_a, settles) - taken_ah
            if left_ah <= 0:
                return begins_s
            if left_ah < more_ah:
                return begins_s + left_ah / drawn_a * 3600
        taken_ah += more_ah
        begins_s = ends_s
    return NEVER_S


def _waited(left_ah: float, drawn_a: float) -> float:
    if left_ah <= 0:
        return 0.0
    return left_ah / drawn_a * 3600 if drawn_a > 0.05 else NEVER_S


def _taken_ah(amps: float, lasts_s: float, mean_a: float) -> float:
    """Return what a load takes beyond the mean while it lasts."""
    return max(0.0, amps - mean_a) * lasts_s / 3600


def is_burst(level: Level) -> bool:
    """Return True for a load too short and rare to be awaited: a kettle."""
    return (
        not level.is_on and level.per_hour < RARE_PER_HOUR and level.lasts_s < SHORT_S
    )


def relief_s(cell: Below, mean_a: float) -> float | None:
    """Return how much longer the middle hypothesis lasts with half of *mean_a* drawn.

    None where that says nothing: no load, or no end in sight.
    """
    if mean_a < LEAST_A or not cell.picks:
        return None
    pick = cell.picks[len(cell.picks) // 2]
    half_a = mean_a / 2
    whole_s = _waited(cell.left_ah(pick, mean_a, mean_a), mean_a)
    return _waited(cell.left_ah(pick, half_a, half_a), half_a) - whole_s


def surge(cell: Below, ahead: Ahead) -> tuple[float, float | None]:
    """Return how likely a burst seen lately ends it all, and what is still safe.

    First the share of hypotheses that such a burst, coming soon, would end; then the
    largest load in A that the middle one could still carry for as long. Both say
    nothing (0, None) while no burst is to be expected.
    """
    mean_a = max(-ahead.mean_a, 0.0)
    bursts = [
        level
        for level in ahead.levels
        if not level.is_on
        and level.lasts_s < SHORT_S
        and level.recent > SEEN
        and level.amps > 2.5 * mean_a
        and level.amps > LEAST_A
    ]
    if not bursts or not cell.picks:
        return 0.0, None
    ended = sum(
        any(_is_ended(cell, pick, level, mean_a, ahead.lead_s) for level in bursts)
        for pick in cell.picks
    )
    middle = cell.picks[len(cell.picks) // 2]
    return ended / len(cell.picks), _largest_safe(cell, middle, bursts, mean_a)


def _is_ended(
    cell: Below, pick: Pick, level: Level, mean_a: float, lead_s: float
) -> bool:
    taken_ah = _taken_ah(level.amps, level.lasts_s, mean_a)
    soon_ah = mean_a * lead_s * SOON / 3600
    return cell.left_ah(pick, level.amps, mean_a) - taken_ah <= soon_ah


def _largest_safe(cell: Below, pick: Pick, bursts: list[Level], mean_a: float) -> float:
    """Halve the range until the largest load that ends nothing is known."""
    lasts_s = max(level.lasts_s for level in bursts)
    low, high = 0.0, 1.5 * max(level.amps for level in bursts)
    for _ in range(10):
        amps = (low + high) / 2
        taken_ah = _taken_ah(amps, lasts_s, mean_a)
        is_safe = cell.left_ah(pick, amps, mean_a) > taken_ah
        low, high = (amps, high) if is_safe else (low, amps)
    return low
