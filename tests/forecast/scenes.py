"""What happens in a trace: who is switched on when, what the sun and the air do."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

HOUR_S = 3600.0
NAMEPLATE_AH = 200.0


@dataclass(frozen=True, kw_only=True)
class Use:
    """A load of so many times 1C, from one second to another."""

    from_s: float
    to_s: float
    rate: float
    is_burst: bool = False


@dataclass(kw_only=True)
class Scene:
    """One trace to be made.

    Attributes:
        kind: One word of `KINDS`.
        socs, capacities: One per cell, shares of full and of the nameplate.
        sun: Charge current in multiples of 1C as a function of the second.
        rescue_s: When the load stops or the charge comes, in a bait; else None.
        row_s: Seconds from row to row.
        is_quick: The cells are those of `quick`.
        says_charge: The battery has a counter of its own.
        counter_drift_a: By how much that counter is wrong all the time.
    """

    kind: str
    hours: float
    socs: list[float]
    capacities: list[float]
    uses: list[Use]
    sun: Callable[[float], float] = lambda _: 0.0
    air_c: Callable[[float], float] = lambda _: 20.0
    start_c: float = 20.0
    resistance: float = 1.0
    diffusion: float = 1.0
    absorb_v_per_cell: float | None = None
    rescue_s: float | None = None
    strings: int = 1
    cold_counts: bool = False
    after_cut_off: str = "end"
    step_s: float = 30.0
    missing: float = 0.002
    gaps: list[tuple[float, float]] = field(default_factory=list)
    gain: float = 0.0
    offset_a: float = 0.0
    restart_s: float | None = None
    row_s: float = 1.0
    is_quick: bool = False
    says_charge: bool = True
    counter_drift_a: float = 0.0

    def load(self, at_s: float) -> float:
        """Return what is drawn, in multiples of 1C."""
        return sum(u.rate for u in self.uses if u.from_s <= at_s < u.to_s)

    def edges(self) -> list[float]:
        """Return every second at which a load changes."""
        return sorted({s for u in self.uses for s in (u.from_s, u.to_s)})


def spread(random: Random, count: int, mean: float, width: float) -> list[float]:
    """Return *count* unlike values."""
    return [random.gauss(mean, width) for _ in range(count)]


def start(random: Random, kind: str, soc: float, count: int = 4) -> Scene:
    """Return a string of ordinary unlike cells at *soc*, with nothing going on."""
    air = random.uniform(12, 28)
    return Scene(
        kind=kind,
        hours=14.0,
        socs=spread(random, count, soc, 0.006),
        capacities=spread(random, count, random.uniform(0.97, 1.05), 0.012),
        uses=[],
        air_c=lambda _: air,
        start_c=air,
        resistance=random.uniform(0.8, 1.3),
        gain=random.gauss(0, 0.005),
        offset_a=random.gauss(0, 0.1),
        gaps=[(random.uniform(1, 10) * HOUR_S, random.uniform(20, 180))],
    )


def cabin(random: Random, hours: float, scale: float = 1.0) -> list[Use]:
    """Return a fridge that cycles, lights by the clock, a pump, a kettle."""
    uses: list[Use] = []
    end_s = hours * HOUR_S
    uses.append(Use(from_s=0, to_s=end_s, rate=0.012 * scale))
    at = random.uniform(0, 1800)
    on_s, off_s = random.uniform(600, 1200), random.uniform(1200, 2700)
    while at < end_s:
        uses.append(Use(from_s=at, to_s=at + on_s, rate=0.05 * scale))
        at += (on_s + off_s) * random.uniform(0.9, 1.1)
    evening = random.uniform(0, 5) * HOUR_S
    lit_s = random.uniform(3, 5) * HOUR_S
    for day in range(int(hours / 24) + 1):
        from_s = evening + day * 24 * HOUR_S
        uses.append(Use(from_s=from_s, to_s=from_s + lit_s, rate=0.06 * scale))
    for rate, least_s, most_s, every_h in (
        (0.30, 40, 120, 0.8),
        (0.70, 150, 260, 3.0),
    ):
        at = random.expovariate(1 / (every_h * HOUR_S))
        while at < end_s:
            lasts_s = random.uniform(least_s, most_s)
            uses.append(
                Use(
                    from_s=at,
                    to_s=at + lasts_s,
                    rate=rate * min(scale, 1.2),
                    is_burst=True,
                )
            )
            at += lasts_s + random.expovariate(1 / (every_h * HOUR_S))
    return uses


def _constant(random: Random) -> Scene:
    scene = start(random, "constant", random.uniform(0.4, 0.95))
    rate = math.exp(random.uniform(math.log(0.1), math.log(1.0)))
    scene.uses = [Use(from_s=random.uniform(300, 1800), to_s=1e9, rate=rate)]
    return scene


def _cabin(random: Random) -> Scene:
    scene = start(random, "cabin", random.uniform(0.35, 0.8))
    scene.uses = cabin(random, scene.hours, random.uniform(0.8, 1.4))
    return scene


def _steps(random: Random) -> Scene:
    scene = start(random, "inverter steps", random.uniform(0.4, 0.9))
    at = 0.0
    while at < scene.hours * HOUR_S:
        lasts_s = random.uniform(300, 3000)
        rate = random.choice((0.05, 0.1, 0.2, 0.35, 0.5))
        scene.uses.append(Use(from_s=at, to_s=at + lasts_s, rate=rate))
        at += lasts_s
    return scene


def _at(random: Random, kind: str, air_c: float) -> Scene:
    scene = start(random, kind, random.uniform(0.4, 0.8))
    scene.air_c, scene.start_c = (lambda _: air_c), air_c
    if random.random() < 0.5:
        scene.uses = cabin(random, scene.hours, random.uniform(0.8, 1.4))
    else:
        rate = random.uniform(0.1, 0.5)
        scene.uses = [Use(from_s=600, to_s=1e9, rate=rate)]
    return scene


def _cold(random: Random) -> Scene:
    return _at(random, "cold", random.uniform(-5, 3))


def _hot(random: Random) -> Scene:
    return _at(random, "hot", random.uniform(36, 42))


def _aged(random: Random) -> Scene:
    scene = _at(random, "aged", random.uniform(10, 25))
    scene.capacities = spread(random, 4, 0.80, 0.015)
    scene.resistance, scene.diffusion = 2.0, 0.5
    return scene


def _weak(random: Random) -> Scene:
    scene = _cabin(random)
    scene.kind = "weak cell"
    scene.capacities[random.randrange(4)] *= random.uniform(0.80, 0.90)
    return scene


def _imbalanced(random: Random) -> Scene:
    scene = _steps(random)
    scene.kind = "imbalanced"
    scene.socs[random.randrange(4)] -= random.uniform(0.05, 0.12)
    return scene


def day_sun(random: Random, peak: float, sunrise_s: float) -> Callable[[float], float]:
    """Return a bell of twelve hours with clouds in it."""
    cloud = [1.0]
    for _ in range(14 * 60):
        kept = 0.97 * cloud[-1] + 0.03 * random.uniform(-0.2, 1.2)
        cloud.append(min(1.0, max(0.1, kept + random.gauss(0, 0.06))))

    def sun(at_s: float) -> float:
        into = at_s - sunrise_s
        if not 0 < into < 12 * HOUR_S:
            return 0.0
        minute = min(int(into / 60), len(cloud) - 1)
        return peak * math.sin(math.pi * into / (12 * HOUR_S)) * cloud[minute]

    return sun


def _solar(random: Random) -> Scene:
    scene = start(random, "solar to full", random.uniform(0.3, 0.6))
    scene.sun = day_sun(random, random.uniform(0.15, 0.4), 1800)
    scene.hours = 12.0
    scene.socs[random.randrange(4)] += random.uniform(0.01, 0.08)
    scene.uses = cabin(random, 12.0, 0.6)
    scene.absorb_v_per_cell = random.choice((3.45, 3.55, 3.60))
    return scene


def _shore(random: Random) -> Scene:
    scene = start(random, "shore charge", random.uniform(0.3, 0.7))
    rate = random.uniform(0.1, 0.4)
    scene.sun = lambda at_s: rate if at_s > 900 else 0.0
    scene.hours = 8.0
    scene.socs[random.randrange(4)] += random.uniform(0.02, 0.10)
    scene.absorb_v_per_cell = 3.60
    return scene


def _night(random: Random) -> Scene:
    scene = start(random, "night cooling", random.uniform(0.7, 0.9))
    floor_c = random.choice((-8.0, -3.0, 2.0, 3.5, 5.7, 7.0))
    scene.start_c = random.uniform(9, 14)
    slow_s = random.uniform(1.5, 4) * HOUR_S
    scene.air_c = lambda at_s: floor_c + 8 * math.exp(-at_s / slow_s)
    scene.hours = 12.0
    scene.uses = cabin(random, 12.0, 0.5)
    scene.cold_counts = True
    return scene


def _hot_day(random: Random) -> Scene:
    """A shed in the sun: the air rises for hours, and loads or a charge add to it."""
    scene = start(random, "hot day", random.uniform(0.5, 0.9))
    base_c, more_c = random.uniform(33, 40), random.uniform(6, 14)
    rises_s = random.uniform(2, 5) * HOUR_S
    scene.start_c = base_c + random.uniform(0, 3)
    scene.air_c = lambda at_s: (
        base_c + more_c * math.sin(min(0.75 * math.pi, at_s / rises_s * math.pi / 2))
    )
    scene.hours = 10.0
    if random.random() < 0.5:
        scene.uses = cabin(random, 10.0, random.uniform(0.5, 1.0))
    else:
        rate, from_s = random.uniform(0.2, 0.6), random.uniform(1, 3) * HOUR_S
        scene.sun = lambda at_s: rate if at_s > from_s else 0.0
        scene.absorb_v_per_cell = 3.45
    return scene


def _stops(random: Random) -> Scene:
    scene = start(random, "load stops", random.uniform(0.25, 0.5))
    rate = random.uniform(0.2, 0.5)
    drawn_s = (min(scene.socs) - random.uniform(0.03, 0.15)) / rate * HOUR_S
    scene.rescue_s = 600 + drawn_s
    scene.uses = [Use(from_s=600, to_s=scene.rescue_s, rate=rate)]
    scene.hours = scene.rescue_s / HOUR_S + 3
    return scene


def _sunrise(random: Random) -> Scene:
    scene = start(random, "sun in time", random.uniform(0.2, 0.35))
    scene.uses = cabin(random, 14.0, 0.8)
    scene.rescue_s = random.uniform(1.5, 4) * HOUR_S
    scene.sun = day_sun(random, 0.35, scene.rescue_s)
    scene.hours = 8.0
    return scene


def _faulty(random: Random) -> Scene:
    scene = _cabin(random)
    scene.kind = "sensor faults"
    scene.gain = random.choice((-1, 1)) * random.uniform(0.02, 0.04)
    scene.offset_a = random.choice((-1, 1)) * random.uniform(0.5, 1.5)
    scene.missing = 0.05
    scene.gaps = [(random.uniform(0, 12) * HOUR_S, 240.0) for _ in range(5)]
    return scene


def _restart(random: Random) -> Scene:
    scene = _steps(random)
    scene.kind = "restart"
    scene.restart_s = random.uniform(0.5, 2.0) * HOUR_S
    return scene


def _two_strings(random: Random) -> Scene:
    scene = start(random, "two strings", random.uniform(0.3, 0.45), count=32)
    scene.strings = 2
    scene.capacities[random.randrange(32)] *= 0.9
    scene.uses = cabin(random, 12.0, random.uniform(1.0, 1.5))
    scene.hours = 10.0
    return scene


KINDS: dict[str, Callable[[Random], Scene]] = {
    "constant": _constant,
    "cabin": _cabin,
    "inverter steps": _steps,
    "cold": _cold,
    "hot": _hot,
    "aged": _aged,
    "weak cell": _weak,
    "imbalanced": _imbalanced,
    "solar to full": _solar,
    "shore charge": _shore,
    "night cooling": _night,
    "hot day": _hot_day,
    "load stops": _stops,
    "sun in time": _sunrise,
    "sensor faults": _faulty,
    "restart": _restart,
    "two strings": _two_strings,
}
