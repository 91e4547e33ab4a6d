"""What the bank truly is: cells, sun, loads and weather, answering to the pins.

A plant to push the daemon through its states, not a model of any real battery: each
cell is a voltage over charge and a resistance, a charger tapers above its setting, the
battery's own protection opens at its limits. What it shows is exact to the digit that
the wire carries, so the checkers know what the daemon was told.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tocsin.core.rules import Role

if TYPE_CHECKING:
    import random
    from collections.abc import Mapping

    from tocsin_config import Setup

STEP_S = 300.0
DAY_S = 86_400.0
LAG_S = 10_000.0


@dataclass(slots=True)
class Shown:
    """One whole sample, as the wire carries it."""

    cells_mv: tuple[int, ...]
    temps_dc: tuple[int, ...]
    current_ma: int
    soc_permille: int
    charge_refused: bool
    load_refused: bool
    beat: int

    @property
    def voltage_cv(self) -> int:
        """Return the sum of the cells in hundredths of a volt."""
        return round(sum(self.cells_mv) / 10)


@dataclass(slots=True)
class _Pack:
    string: str
    socs: list[float]
    resistance_ohm: list[float]
    temp_c: float
    charge_refused: bool = False
    load_refused: bool = False
    beat: int = 0
    cells_v: list[float] = field(default_factory=list)


class World:
    """One site's bank; the story begins *begins_s* after midnight.

    Attributes:
        extra_a: Of a shunt: how far it is off, in ampere.
        crank_s: How long the set takes to run; it never does while negative.
    """

    def __init__(
        self,
        setup: Setup,
        chance: random.Random,
        levels: Mapping[str, bool],
        *,
        begins_s: float,
    ) -> None:
        site = setup.site
        self._chance = chance
        self._begins_s = begins_s
        self._curve = site.chemistry.rested or _straight(
            site.low_cut_mv, site.high_cut_mv
        )
        self._charges = [each[0] for each in self._curve]
        self._cuts = site.low_cut_mv / 1000, site.high_cut_mv / 1000
        self._capacity_ah = site.bank.capacity_mah / 1000
        self._strings = len(site.bank.strings)
        self._pins_of = {
            role: [o.name for o in site.outputs if o.role is role] for role in Role
        }
        self._levels = levels
        self.extra_a = 0.0
        self.generator_since_s: float | None = None
        self.crank_s = 20.0
        resistance = site.chemistry.resistance_mohm_ah / 1000 / self._capacity_ah
        middle = chance.choice([0.06, 0.1, 0.2, 0.5, 0.8, 0.9, 0.95])
        self.packs = {
            pack.name: _Pack(
                string=pack.string,
                socs=[
                    min(1.0, max(0.02, middle + chance.gauss(0, 0.02)))
                    for _ in range(pack.cells)
                ],
                resistance_ohm=[
                    resistance * chance.uniform(0.8, 1.6) for _ in range(pack.cells)
                ],
                temp_c=15.0,
            )
            for pack in site.bank.packs
        }
        self._base_rate = chance.choice([0.01, 0.03, 0.08, 0.2])
        self._sun_rate = chance.uniform(0.05, 0.45)
        self._absorbs_v = self._volts(0.97) + chance.choice([0.0, 0.05, 0.2, 0.4])
        self._mean_c = chance.choice(
            [-19.0, 2.0, 5.0, 6.0, 12.0, 20.0, 20.0, 38.0, 46.0]
        )
        self._swing_c = chance.uniform(2.0, 9.0)
        self._bursts: list[tuple[float, float, float]] = []
        self._at_s = 0.0
        self.current_a = 0.0
        for pack in self.packs.values():
            pack.temp_c = self._mean_c

    def burst(self, now_s: float, for_s: float, rate: float) -> None:
        """Let a load of so many C run for a while."""
        self._bursts.append((now_s, now_s + for_s, rate))

    def shown(self, name: str, now_s: float, *, sensors: int) -> Shown:
        """Return what pack *name* shows now."""
        self.go_on(now_s)
        pack = self.packs[name]
        pack.beat = (pack.beat + 1) % 60_000
        noise = self._chance.randrange
        temp_dc = round(pack.temp_c * 10)
        return Shown(
            cells_mv=tuple(
                min(4_990, max(510, round(v * 1000) + noise(-1, 2)))
                for v in pack.cells_v
            ),
            temps_dc=tuple(temp_dc + noise(-3, 4) for _ in range(sensors)),
            current_ma=round(self.current_a / self._strings * 1000) + noise(-40, 41),
            soc_permille=min(
                1000, max(0, round(sum(pack.socs) / len(pack.socs) * 1e3))
            ),
            charge_refused=pack.charge_refused,
            load_refused=pack.load_refused,
            beat=pack.beat,
        )

    def shunt_ma(self, now_s: float) -> int:
        """Return what a shunt for the whole bank shows."""
        self.go_on(now_s)
        return round((self.current_a + self.extra_a) * 1000)

    def go_on(self, now_s: float) -> None:
        """Let the bank live until now."""
        if not self._at_s:
            self._at_s = now_s
        while True:
            step_s = min(STEP_S, now_s - self._at_s)
            self._live(step_s)
            if step_s <= 0 or self._at_s >= now_s:
                return

    def runs(self) -> bool:
        """Return whether the set runs now."""
        begun_s = self.generator_since_s
        return begun_s is not None and 0 <= self.crank_s <= self._at_s - begun_s

    def _live(self, for_s: float) -> None:
        self._at_s += for_s
        now_s = self._at_s
        self._set(now_s)
        rate = self._charge_rate(now_s) - self._load_rate(now_s)
        if rate > 0 and any(p.charge_refused for p in self.packs.values()):
            rate = 0.0
        if rate < 0 and any(p.load_refused for p in self.packs.values()):
            rate = 0.0
        self.current_a = rate * self._capacity_ah * self._strings
        heat = any(self._levels[n] for n in self._pins_of[Role.HEATER_CALL])
        air_c = self._mean_c + self._swing_c * math.sin(
            2 * math.pi * ((now_s + self._begins_s) / DAY_S - 0.4)
        )
        share = 1 - math.exp(-for_s / LAG_S)
        for pack in self.packs.values():
            self._live_pack(pack, rate, for_s)
            to_c = air_c + 30 * rate * rate + (14 if heat else 0)
            pack.temp_c += (to_c - pack.temp_c) * share

    def _live_pack(self, pack: _Pack, rate: float, for_s: float) -> None:
        amps = rate * self._capacity_ah
        volts = []
        for i, soc in enumerate(pack.socs):
            new = min(1.02, max(0.0, soc + rate * for_s / 3600))
            pack.socs[i] = new
            volts.append(self._volts(new) + amps * pack.resistance_ohm[i])
        pack.cells_v = volts
        low, high = min(volts), max(volts)
        pack.charge_refused = high > self._cuts[1] - (0.1 if pack.charge_refused else 0)
        pack.load_refused = low < self._cuts[0] + (0.15 if pack.load_refused else 0)

    def _set(self, now_s: float) -> None:
        is_called = any(self._levels[n] for n in self._pins_of[Role.GENERATOR_CALL])
        if not is_called:
            self.generator_since_s = None
        elif self.generator_since_s is None:
            self.generator_since_s = now_s

    def _charge_rate(self, now_s: float) -> float:
        permits = self._pins_of[Role.CHARGE_PERMIT]
        if permits and not all(self._levels[n] for n in permits):
            return 0.0
        day = (now_s + self._begins_s) / DAY_S
        sun = self._sun_rate * max(0.0, math.sin(2 * math.pi * (day - 0.25)))
        rate = sun + (0.2 if self.runs() else 0.0)
        top = max((max(p.cells_v, default=0.0) for p in self.packs.values()), default=0)
        over = top - self._absorbs_v
        return rate if over <= 0 else rate * max(0.02, 1 - over / 0.1)

    def _load_rate(self, now_s: float) -> float:
        self._bursts = [each for each in self._bursts if each[1] > now_s]
        rate = self._base_rate + sum(
            r for begin, _, r in self._bursts if begin <= now_s
        )
        stages = self._pins_of[Role.LOAD_PERMIT]
        if stages:
            rate *= 0.05 + 0.95 * sum(self._levels[n] for n in stages) / len(stages)
        return rate

    def _volts(self, charge: float) -> float:
        curve, charges = self._curve, self._charges
        if charge >= charges[-1]:
            return curve[-1][1] + (charge - charges[-1]) * 25
        at = max(1, bisect_left(charges, charge))
        (c0, v0), (c1, v1) = curve[at - 1], curve[at]
        return v0 + (v1 - v0) * (charge - c0) / (c1 - c0)


def _straight(low_mv: int, high_mv: int) -> tuple[tuple[float, float], ...]:
    low, high = low_mv / 1000, high_mv / 1000
    return ((0.0, low - 0.1), (0.08, low + 0.35), (0.9, high - 0.3), (1.0, high - 0.02))
