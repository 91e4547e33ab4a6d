"""Resistance of every cell, learned from steps of the current."""

from __future__ import annotations

from dataclasses import dataclass, field

from tocsin.core.forecast.clone import clone

HIGH_PASS_S = 25.0
"""Short, so that the knee of the curve does not pass for resistance."""
SMALLEST_STEP = 0.004
"""Of 1C: smaller steps teach nothing but noise."""
MOST = 0.1 * 0.1 * 800
"""Most information that is kept, (multiples of 1C)^2 times seconds, so that age is
followed."""


@dataclass(slots=True)
class Ohmic:
    """A regression of high-passed volts against high-passed current, per cell.

    Steps of the current are scaled by how much colder cells resist, so the result is at
    25 degC. The current itself is not: a room that warms up is no step.

    Attributes:
        first_ohm: Resistance to begin with.
        square: Sum of squared steps of current, A^2 s.
        products: Per cell, sum of steps of volts times current, V A s.
    """

    nameplate_ah: float
    first_ohm: float
    square: float = 0.0
    products: list[float] = field(default_factory=list)
    passed_a: float = 0.0
    passed_v: list[float] = field(default_factory=list)

    def copied(self) -> Ohmic:
        """Return a copy that goes on by itself."""
        new = clone(self)
        new.products = self.products[:]
        return new

    def begin(self, cells: int) -> None:
        """Take the first guess for as much as a few steps would say."""
        self.square = (0.04 * self.nameplate_ah) ** 2 * 40
        self.products = [self.first_ohm * self.square] * cells

    def hear(
        self, dt_s: float, flows_a: float, cells_v: list[float], slower: float = 1.0
    ) -> None:
        """Take a reading; *cells_v* is kept and must not be changed.

        *slower* is by how much the cells resist more than at 25 degC.
        """
        share = dt_s / HIGH_PASS_S
        passed = self.passed_v
        if not passed or share > 0.5:
            self.passed_v, self.passed_a = cells_v, flows_a
            return
        risen_a = flows_a - self.passed_a
        self.passed_a += risen_a * share
        step_a = risen_a * slower
        if abs(step_a) > SMALLEST_STEP * self.nameplate_ah:
            weight = step_a * dt_s
            self.square += step_a * weight
            self.products = [
                s + (v - p) * weight
                for s, v, p in zip(self.products, cells_v, passed, strict=True)
            ]
            most = MOST * self.nameplate_ah**2
            if self.square > most:
                fades = most / self.square
                self.products = [s * fades for s in self.products]
                self.square = most
        self.passed_v = [
            p + (v - p) * share for p, v in zip(passed, cells_v, strict=True)
        ]

    def ohm(self, k: int) -> float:
        """Return the resistance of cell *k* (from 0) at 25 degC."""
        ohm = self.products[k] / self.square
        return min(max(ohm, 0.25 * self.first_ohm), 8 * self.first_ohm)
