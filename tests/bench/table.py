"""The table of ratios that every benchmark adds its rows to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True)
class Row:
    """One thing, measured of Tocsin and of the *bare* yardstick; None for none.

    *aim* is what the ratio, or without a yardstick the figure, should not pass.
    """

    what: str
    unit: str
    ours: float
    bare: float | None = None
    aim: float | None = None

    @property
    def ratio(self) -> float | None:
        """Return how many times the yardstick it is."""
        return self.ours / self.bare if self.bare else None

    def __str__(self) -> str:
        bare = "" if self.bare is None else f"{self.bare:.4g}"
        ratio = "" if self.ratio is None else f"{self.ratio:.2f}"
        aim = "" if self.aim is None else f"{self.aim:g}"
        return (
            f"{self.what:34} {self.unit:12} {self.ours:10.4g} {bare:>10} "
            f"{ratio:>7} {aim:>6}"
        )


def print_table(rows: Sequence[Row]) -> None:
    """Print the rows under their heads."""
    print(
        f"{'what':34} {'unit':12} {'tocsin':>10} {'bare':>10} {'ratio':>7} {'aim':>6}"
    )
    for row in rows:
        print(row)
