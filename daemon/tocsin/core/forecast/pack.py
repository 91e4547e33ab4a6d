"""One pack: what it has shown so far, and how long it has.

`Tracker` is copied before it is changed, so a state of the core that was kept goes on
just as it would have.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp, hypot
from typing import TYPE_CHECKING

from tocsin.core.forecast import outlook
from tocsin.core.forecast.approach import JOULE_PER_K_AH
from tocsin.core.forecast.cell import Cell, Knee, Side, points_of
from tocsin.core.forecast.clone import clone
from tocsin.core.forecast.curve import arrhenius
from tocsin.core.forecast.design import Design, Sums, slower
from tocsin.core.forecast.drift import MARK_SD, Drift
from tocsin.core.forecast.fit import (
    COUNTER_SIGMA,
    LOW_KNEE,
    NODES,
    Counter,
    Window,
    fit,
)
from tocsin.core.forecast.load import Load
from tocsin.core.forecast.ohmic import Ohmic
from tocsin.core.forecast.thermal import Thermal

if TYPE_CHECKING:
    from tocsin.core.forecast.result import Forecast, Limit
    from tocsin.core.forecast.thermal import Approach

SURFACE_J = 30e3
"""Activation energy of diffusion, per mole: that of the BPX example set (Faraday
Institution, 2022)."""
KNEE_J = 37e3
LEAST_KNEE, MOST_KNEE = 0.15, 0.8
SURFACE_H = 0.06
"""Hours of current by which the surface of the particles runs ahead at 25 degC."""
FAST_S, SLOW_S = 50.0, 450.0
SLOW_SHARE = 0.15
"""Part of the resistance that follows the slower mean of the current."""
GAP_S = 600.0
"""After a longer gap the battery's own counter says what flowed meanwhile."""
BIN = 0.005
HIGH_KNEE = 0.992
"""Charge at which the curve is steep enough again."""
COUNTS = 0.008
"""Of 1C: a smaller current says nothing."""
FITTED = 2
"""Cells that are fitted each time: the worst ones, and one more by turns."""
OFTEN_S, SELDOM_S = 15.0, 60.0
NEAR_LEADS = 3
"""A cut-off nearer than so many leads is looked at often."""


@dataclass(slots=True)
class Tracker:
    """What one pack has shown.

    Attributes:
        at_s: Of the newest reading; None before the first.
        counter_ah: Our own count, from zero at the first reading.
        charge: What the battery's own counter says, 0 to 1.
        slower: By how much its resistance is above that at 25 degC.
        fast_a, slow_a: Lagged means of the current.
        fitted: When and at what count "up" and "down" were fitted last.
        mark_ah: Count at the middle of the newest bin, at the surface.
        later_ah: By how much later than the middle each cell will be full.
        approaches: When temperatures reach their limits, as the newest row told.
        is_cut: The protection has cut off, and nothing was drawn since.
    """

    design: Design
    load: Load
    ohmic: Ohmic
    thermal: Thermal
    drift: Drift
    begun_s: float = 0.0
    at_s: float | None = None
    current_a: float = 0.0
    counter_ah: float = 0.0
    charge: float | None = None
    temp_c: float = 25.0
    slower: float = 1.0
    fast_a: float = 0.0
    slow_a: float = 0.0
    sums: Sums = field(default_factory=lambda: Sums([]))
    cells: list[Cell] = field(default_factory=list)
    fitted: dict[str, tuple[float, float]] = field(default_factory=dict)
    turn: int = 0
    mark_ah: float = 0.0
    aligned_s: float = -1e9
    later_ah: list[float] = field(default_factory=list)
    is_charging: bool = False
    is_cut: bool = False
    looked_s: float = -1e9
    forecasts: tuple[Forecast, ...] = ()
    approaches: dict[Limit, Approach] = field(default_factory=dict)

    @classmethod
    def fresh(cls, design: Design) -> Tracker:
        """Return a tracker that has seen nothing."""
        nameplate_ah = design.nameplate_ah
        return cls(
            design,
            Load(nameplate_ah, design.lead_s),
            Ohmic(nameplate_ah, design.ohm_ah / nameplate_ah),
            Thermal(nameplate_ah),
            Drift.fresh(nameplate_ah),
        )

    def moved(self, by_s: float) -> Tracker:
        """Return the tracker as if all had been heard *by_s* later."""
        return replace(
            self,
            load=self.load.moved(by_s),
            drift=self.drift.moved(by_s),
            begun_s=self.begun_s + by_s,
            at_s=None if self.at_s is None else self.at_s + by_s,
            sums=replace(self.sums, begun_s=self.sums.begun_s + by_s),
            cells=[cell.moved(by_s) for cell in self.cells],
            fitted={k: (s + by_s, ah) for k, (s, ah) in self.fitted.items()},
            aligned_s=self.aligned_s + by_s,
            thermal=self.thermal.moved(by_s),
            approaches={
                limit: replace(told, at_s=told.at_s + by_s)
                for limit, told in self.approaches.items()
            },
            looked_s=self.looked_s + by_s,
        )

    def copied(self) -> Tracker:
        """Return a copy that goes on by itself."""
        new = clone(self)
        new.load, new.ohmic = self.load.copied(), self.ohmic.copied()
        new.sums, new.cells = clone(self.sums), self.cells[:]
        new.fitted, new.approaches = dict(self.fitted), dict(self.approaches)
        new.thermal = self.thermal.copied()
        return new

    # --- readings ------------------------------------------------------------------

    def hear(
        self,
        at_s: float,
        current_a: float,
        cells_v: list[float],
        temps_c: list[float],
        charge: float | None,
    ) -> None:
        """Take a reading; *charge* is the battery's own counter, 0 to 1."""
        dt_s = 1.0 if self.at_s is None else at_s - self.at_s
        if self.at_s is None:
            self._begin(at_s, current_a, cells_v)
        if dt_s <= 0:
            return
        if dt_s > GAP_S:
            self.drift = self.drift.interrupted(at_s)
            self.cells = [replace(c, knee=None, new_knee=None) for c in self.cells]
        seen_a, current_a = current_a, current_a - self.drift.offset_a
        mean_a = self._flowed(dt_s, current_a, charge)
        self.counter_ah += mean_a * dt_s / 3600
        self.at_s, self.current_a, self.charge = at_s, current_a, charge
        self.fast_a += (current_a - self.fast_a) * (1 - exp(-dt_s / FAST_S))
        self.slow_a += (current_a - self.slow_a) * (1 - exp(-dt_s / SLOW_S))
        self.is_cut = min(cells_v) < self.design.low_v or (
            self.is_cut and -current_a < COUNTS * self.design.nameplate_ah
        )
        if self.is_cut:
            self.load.cut_off()
            self._drifts(at_s, self.drift.cut(at_s, seen_a))
        self.load.hear(at_s, dt_s, mean_a)
        if temps_c:
            self._warm(sum(temps_c) / len(temps_c))
            self.thermal.hear(at_s, dt_s, temps_c, mean_a)
        flows_a = current_a + SLOW_SHARE * self.fast_a
        self.ohmic.hear(dt_s, flows_a, cells_v, self.slower)
        self._gather(current_a, cells_v)
        self._close_bin(at_s)
        if at_s - self.looked_s >= (OFTEN_S if self.is_near() else SELDOM_S):
            self.forecasts = outlook.ahead(self, at_s)
            self.looked_s = at_s

    def _begin(self, at_s: float, current_a: float, cells_v: list[float]) -> None:
        self.begun_s = self.looked_s = at_s
        self.fast_a = self.slow_a = current_a
        self.cells = [Cell() for _ in cells_v]
        self.sums = Sums([0.0] * len(cells_v), begun_s=at_s)
        self.later_ah = [0.0] * len(cells_v)
        self.ohmic.begin(len(cells_v))

    def _flowed(self, dt_s: float, current_a: float, charge: float | None) -> float:
        """Return the mean current since the last reading."""
        if dt_s <= 3:
            return current_a
        if dt_s > GAP_S and charge is not None and self.charge is not None:
            moved_ah = (charge - self.charge) * self.design.nameplate_ah
            return moved_ah * 3600 / dt_s
        return 0.5 * (current_a + self.current_a)

    def _drifts(self, at_s: float, drift: Drift) -> None:
        """Believe *drift*; what was counted before is counted anew."""
        more_a = drift.offset_a - self.drift.offset_a
        self.drift = drift
        if more_a:
            bin_ah = self.bin_ah()
            self.cells = [cell.recounted(more_a, at_s, bin_ah) for cell in self.cells]

    def _warm(self, temp_c: float) -> None:
        if abs(temp_c - self.temp_c) > 0.3:
            self.temp_c = temp_c
            self.slower = slower(temp_c)

    def _gather(self, current_a: float, cells_v: list[float]) -> None:
        sums = self.sums
        sums.volts = [s + v for s, v in zip(sums.volts, cells_v, strict=True)]
        sums.current_a += current_a
        sums.fast_a += self.fast_a
        sums.slow_a += self.slow_a
        sums.count += 1

    def is_near(self) -> bool:
        """Return True while a cut-off may be a few leads away."""
        near_ms = NEAR_LEADS * 1_000 * self.design.lead_s
        return any(
            f.likely_ms is not None and f.likely_ms < near_ms for f in self.forecasts
        )

    def bin_ah(self) -> float:
        """Return the width of a bin of the curve."""
        return BIN * self.design.nameplate_ah

    def ohm(self, k: int) -> float:
        """Return the resistance of cell *k* (from 0) at its temperature."""
        return self.ohmic.ohm(k) * self.slower

    def warms(self) -> float:
        """Return what the own heat does, in K an hour at 1C."""
        ohms = [self.ohmic.ohm(k) for k in range(len(self.cells))]
        ohm_ah = sum(ohms) / len(ohms) * self.slower * self.design.nameplate_ah
        return 3600 * ohm_ah / JOULE_PER_K_AH

    def surface_h(self) -> float:
        """Return the hours of current by which the surface runs ahead."""
        return SURFACE_H * arrhenius(SURFACE_J, self.temp_c)

    def knee(self) -> float:
        """Return by how much of itself the resistance grows towards empty.

        Naumann et al., J. Energy Storage 2018: discharge resistance at 10 % of charge
        is 1.15, 1.29 and 2.81 times that at 50 %, at 40, 25 and 10 degC.
        """
        grows = 1.29 * arrhenius(KNEE_J, self.temp_c) - 1
        return max(LEAST_KNEE, min(MOST_KNEE, grows))

    def surface_ah(self, fast_a: float, slow_a: float) -> float:
        """Return by how much charge the surface runs ahead of the whole."""
        return self.surface_h() * (0.4 * fast_a + 0.6 * slow_a)

    # --- bins and fits -------------------------------------------------------------

    def _close_bin(self, at_s: float) -> None:
        nameplate_ah, sums = self.design.nameplate_ah, self.sums
        moved_ah = self.counter_ah - sums.begun_ah
        lasted_s = at_s - sums.begun_s
        is_full = lasted_s >= 10 and abs(moved_ah) >= 0.0025 * nameplate_ah
        if lasted_s < 120 and not is_full:
            return
        n = sums.count
        current_a, fast_a = sums.current_a / n, sums.fast_a / n
        surface_ah = self.surface_ah(fast_a, sums.slow_a / n)
        middle_ah = 0.5 * (self.counter_ah + sums.begun_ah)
        drop_a = (current_a + SLOW_SHARE * fast_a) * self.slower
        counts = moved_ah * current_a > 0 and abs(current_a) > COUNTS * nameplate_ah
        before_v = [cell.rest_v for cell in self.cells]
        for k, total in enumerate(sums.volts):
            rest_v = total / n - self.ohmic.ohm(k) * drop_a
            seen = (middle_ah + surface_ah, rest_v, middle_ah, at_s)
            self.cells[k] = self.cells[k].shown(
                seen if counts else None,
                rest_v,
                charging=moved_ah > 0,
                bin_ah=self.bin_ah(),
            )
        self._mark(at_s, before_v, middle_ah + surface_ah, charging=moved_ah > 0)
        volts = [0.0] * len(sums.volts)
        self.sums = Sums(volts, begun_s=at_s, begun_ah=self.counter_ah)
        self._fit_or_anchor(at_s, surface_ah)

    def _mark(
        self, at_s: float, before_v: list[float], count_ah: float, *, charging: bool
    ) -> None:
        """See whether the first cell has come into its knee since the last bin."""
        sign = 1 if charging else -1
        last_ah, self.mark_ah = self.mark_ah, count_ah
        knee_v = self.design.curve.at(HIGH_KNEE if charging else LOW_KNEE)
        first = max(range(len(before_v)), key=lambda k: sign * self.cells[k].rest_v)
        for k, then_v in enumerate(before_v):
            now_v = self.cells[k].rest_v
            if not then_v or not sign * then_v < sign * knee_v <= sign * now_v:
                continue
            part = (knee_v - then_v) / (now_v - then_v)
            met_ah = last_ah + part * (count_ah - last_ah)
            if not charging:
                knee = Knee(met_ah, at_s, (self.charge or 0.0) - LOW_KNEE)
                self.cells[k] = replace(self.cells[k], new_knee=knee)
            if k == first:
                drift = self.drift.marked(k, at_s, met_ah, full=charging)
                self._drifts(at_s, drift)

    def _fit_or_anchor(self, at_s: float, surface_ah: float) -> None:
        charging = self.load.means[0] > 0
        if charging and not self.is_charging:
            self.cells = [cell.run_ended() for cell in self.cells]
        self.is_charging = charging
        side = "up" if charging else "down"
        last_s, last_ah = self.fitted.get(side, (-1e9, 1e9))
        moved_ah = abs(self.counter_ah - last_ah)
        pause_s = 75.0 if self.is_near() else 150.0
        is_due = at_s - last_s > 900 or (
            at_s - last_s >= pause_s and moved_ah >= 0.004 * self.design.nameplate_ah
        )
        if is_due:
            self.fitted[side] = (at_s, self.counter_ah)
            for k in self._chosen(charging=charging):
                self.cells[k] = self._fitted(
                    self.cells[k], at_s, surface_ah, charging=charging
                )
        reading_ah = self.counter_ah + surface_ah
        self.cells = [
            cell.anchored(self.design.curve, reading_ah, charging=charging)
            for cell in self.cells
        ]

    def _chosen(self, *, charging: bool) -> set[int]:
        """Return the cells to fit now: those that come first, and one by turns."""
        sign = -1 if charging else 1
        order = sorted(
            range(len(self.cells)), key=lambda k: sign * self.cells[k].rest_v
        )
        self.turn = (self.turn + 1) % len(order)
        return {*order[:FITTED], self.turn}

    def _fitted(
        self, cell: Cell, at_s: float, surface_ah: float, *, charging: bool
    ) -> Cell:
        nameplate_ah, side = self.design.nameplate_ah, cell.side(charging=charging)
        found = fit(
            self.design.curve,
            points_of(
                side,
                surface_ah=self.counter_ah + surface_ah,
                volts=cell.rest_v,
                nameplate_ah=nameplate_ah,
                at_s=at_s,
                charging=charging,
            ),
            self._counter(cell.knee, at_s),
            window=side.window or self._first_window(),
            learned=cell.learned,
            by_full=charging,
        )
        side = Side(side.seen, found.picks, found.window, found.empty_sd_ah)
        cell = cell.with_side(side, charging=charging)
        is_deep = found.found.log_stretch_sd < 0.8 * cell.learned.log_stretch_sd
        return replace(cell, fresh=found.found) if is_deep and not charging else cell

    def _counter(self, knee: Knee | None, at_s: float) -> Counter:
        """Return what is counted, and how far to rely on it since *knee* was met."""
        nameplate_ah = self.design.nameplate_ah
        if knee is None:
            return Counter(self.counter_ah, self.charge, nameplate_ah)
        crept_ah = self.drift.sd_a * (at_s - knee.at_s) / 3600
        return Counter(
            self.counter_ah,
            self.charge,
            nameplate_ah,
            hypot(COUNTER_SIGMA, knee.charge_off),
            knee.count_ah,
            hypot(MARK_SD * nameplate_ah, crept_ah),
        )

    def _first_window(self) -> Window:
        nameplate_ah = self.design.nameplate_ah
        if self.charge is None:
            low_ah = self.counter_ah - nameplate_ah
            high_ah = self.counter_ah + 0.01 * nameplate_ah
        else:
            at_ah = self.counter_ah - self.charge * nameplate_ah
            low_ah, high_ah = at_ah - 0.15 * nameplate_ah, at_ah + 0.38 * nameplate_ah
        return Window(low_ah, (high_ah - low_ah) / (NODES - 1))
