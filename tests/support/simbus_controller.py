"""A small sane controller for the simulated site, to see whether its story holds.

It is written apart from the daemon on purpose: plain limits, delays and stages, looked
at every ten seconds, so that the story does not depend on the core's own code.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tocsin_drivers.simbus.fern_ridge import STAGES

if TYPE_CHECKING:
    from tocsin_drivers.simbus.bank import SimBank

POLL_S = 10.0
SHED_AT_V = (3.10, 3.00, 2.90)
SHED_AFTER_S = (60.0, 30.0, 0.0)
CLEAR_V = 3.25
RETURNED_AH = 0.05 * 560
RESTORE_GAP_S = 600.0
GENERATOR_LEAST_S = 1_800.0


@dataclass
class Held:
    """True once its input has been true for a time."""

    after_s: float
    since_s: float | None = None

    def now(self, at_s: float, *, true: bool) -> bool:
        if not true:
            self.since_s = None
            return False
        if self.since_s is None:
            self.since_s = at_s
        return at_s - self.since_s >= self.after_s


@dataclass
class Controller:
    """Limits of common practice; *happened* is what it did, as (time, what)."""

    happened: list[tuple[float, str]] = field(default_factory=list)
    outputs: dict[str, bool] = field(
        default_factory=lambda: {
            "charge": True,
            "generator": False,
            **dict.fromkeys(STAGES, True),
        }
    )
    early: Held = field(default_factory=lambda: Held(60.0))
    low: Held = field(default_factory=lambda: Held(30.0))
    shed: tuple[Held, ...] = field(
        default_factory=lambda: tuple(Held(after_s) for after_s in SHED_AFTER_S)
    )
    is_early: bool = False
    is_cold: bool = False
    is_full: bool = False
    back_ah: float = 0.0
    moved_s: float = 0.0

    def look(self, bank: SimBank) -> None:
        at_s = bank.now_s
        readings = [pack.reading for pack in bank.packs.values()]
        low_v = min(min(r.cells_mv) for r in readings) / 1000
        high_v = max(max(r.cells_mv) for r in readings) / 1000
        cold_c = min(min(r.temps_dc) for r in readings) / 10
        self.back_ah += sum(r.current_da for r in readings) / 10 * POLL_S / 3600
        self._charge(at_s, high_v, cold_c)
        self._warn(at_s, low_v)
        self._stages(at_s, low_v)
        bank.follow(self.outputs)

    def _say(self, at_s: float, what: str) -> None:
        self.happened.append((at_s, what))

    def _set(self, at_s: float, output: str, *, on: bool) -> None:
        if self.outputs[output] != on:
            self.outputs[output] = on
            self._say(at_s, f"{output} {'on' if on else 'off'}")

    def _charge(self, at_s: float, high_v: float, cold_c: float) -> None:
        cold = cold_c < 6.0 if self.is_cold else cold_c <= 5.0
        full = high_v > 3.45 if self.is_full else high_v >= 3.60
        for was, now, what in (
            (self.is_cold, cold, "cold"),
            (self.is_full, full, "full"),
        ):
            if was != now:
                self._say(at_s, f"{what} {'begins' if now else 'ends'}")
        self.is_cold, self.is_full = cold, full
        self._set(at_s, "charge", on=not (cold or full))

    def _warn(self, at_s: float, low_v: float) -> None:
        early = self.early.now(at_s, true=low_v <= 3.10)
        if early and not self.is_early:
            self._say(at_s, "pre-warning")
        self.is_early = early or (self.is_early and low_v < 3.20)
        called_s = max(
            (t for t, what in self.happened if what == "generator on"), default=0.0
        )
        if self.low.now(at_s, true=low_v <= 3.00):
            self._set(at_s, "generator", on=True)
        elif low_v >= 3.15 and at_s - called_s >= GENERATOR_LEAST_S:
            self._set(at_s, "generator", on=False)

    def _stages(self, at_s: float, low_v: float) -> None:
        for place, held in enumerate(self.shed):
            wanted = held.now(at_s, true=low_v <= SHED_AT_V[place])
            if wanted and self.outputs[STAGES[place]]:
                for stage in STAGES[: place + 1]:
                    self._set(at_s, stage, on=False)
                self.back_ah, self.moved_s = 0.0, at_s
        if low_v < CLEAR_V or self.back_ah < RETURNED_AH:
            return
        for stage in reversed(STAGES):
            if not self.outputs[stage]:
                if at_s - self.moved_s >= RESTORE_GAP_S:
                    self._set(at_s, stage, on=True)
                    self.moved_s = at_s
                return


def rehearse(
    bank: SimBank, duration_s: float, controller: Controller | None = None
) -> None:
    """Run *bank* to the end, with all permits on and no generator if left alone."""
    bank.follow({"charge": True, **dict.fromkeys(STAGES, True)})
    at_s = 0.0
    while at_s < duration_s:
        at_s += POLL_S
        bank.advance(at_s)
        if controller is not None:
            controller.look(bank)
