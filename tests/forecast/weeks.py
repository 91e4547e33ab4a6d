"""Traces of weeks: the same loads at the same hours, empty on several mornings.

What a bank's own life teaches shows in its last cut-offs, not in its first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.forecast.scenes import HOUR_S, Scene, Use, day_sun, spread, start

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

DAY_S = 24 * HOUR_S
MINUTE_S = 60.0

HABITS = (
    (6.8, 40, 0.10, 8),
    (12.5, 30, 0.15, 10),
    (17.5, 300, 0.05, 8),
    (18.5, 45, 0.20, 8),
    (22.7, 400, 0.055, 6),
    (23.5, 35, 0.12, 6),
    (2.0, 50, 0.12, 6),
    (4.5, 40, 0.15, 6),
)
"""Hour, minutes, multiples of 1C, and by how many minutes it varies (one sigma)."""


def _habits(random: Random, days: int, scale: float) -> list[Use]:
    """Return loads that come every day at about the same hour; second 0 is midnight."""
    end_s = days * DAY_S
    uses = [Use(from_s=0, to_s=end_s, rate=0.010 * scale)]
    on_s, off_s = random.uniform(600, 1200), random.uniform(1200, 2700)
    at_s = random.uniform(0, 1800)
    while at_s < end_s:
        uses.append(Use(from_s=at_s, to_s=at_s + on_s, rate=0.03 * scale))
        at_s += (on_s + off_s) * random.uniform(0.9, 1.1)
    shifts = [random.uniform(-1, 1) for _ in HABITS]
    for day in range(days):
        for (hour, minutes, rate, varies_min), shift in zip(
            HABITS, shifts, strict=True
        ):
            from_s = day * DAY_S + (hour + shift) * HOUR_S
            from_s += random.gauss(0, varies_min * MINUTE_S)
            lasts_s = minutes * MINUTE_S * random.uniform(0.9, 1.1)
            uses.append(Use(from_s=from_s, to_s=from_s + lasts_s, rate=rate * scale))
    return uses


def _suns(
    random: Random, days: int, least: float, most: float
) -> Callable[[float], float]:
    """Return a sun that rises at six, with clouds, stronger on some days."""
    suns = [
        day_sun(random, random.uniform(least, most), (6 + 24 * day) * HOUR_S)
        for day in range(days)
    ]
    return lambda at_s: suns[min(int(at_s / DAY_S), days - 1)](at_s)


def _life(random: Random, kind: str, days: int, scale: float) -> Scene:
    scene = start(random, kind, random.uniform(0.5, 0.7))
    scene.uses = _habits(random, days, scale)
    scene.capacities[random.randrange(4)] *= 0.92
    scene.hours = 24.0 * days
    scene.step_s, scene.row_s = 60.0, 10.0
    scene.is_quick = True
    scene.absorb_v_per_cell = 3.42
    scene.after_cut_off = "wait for sun"
    scene.gaps = [(random.uniform(1, 24 * days) * HOUR_S, 120.0) for _ in range(days)]
    return scene


def _ten_days(random: Random) -> Scene:
    scene = _life(random, "ten days", 10, random.uniform(0.80, 0.95))
    scene.sun = _suns(random, 10, 0.20, 0.42)
    begun = random.uniform(0.30, 0.42)
    scene.socs = spread(random, 4, begun, 0.006)
    return scene


def _starts_unknown(random: Random) -> Scene:
    scene = _ten_days(random)
    scene.kind = "starts unknown"
    scene.says_charge = False
    return scene


def _never_full(random: Random) -> Scene:
    scene = _life(random, "never full", 21, random.uniform(0.55, 0.62))
    scene.sun = _suns(random, 21, 0.12, 0.24)
    scene.offset_a = random.choice((-1, 1)) * random.uniform(0.4, 1.0)
    scene.gain = random.choice((-1, 1)) * random.uniform(0.01, 0.03)
    scene.counter_drift_a = random.choice((-1, 1)) * random.uniform(0.1, 0.25)
    return scene


LONG_KINDS: dict[str, Callable[[Random], Scene]] = {
    "ten days": _ten_days,
    "starts unknown": _starts_unknown,
    "never full": _never_full,
}
