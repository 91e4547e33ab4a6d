"""Samples for the history, made without a bank: slow curves with noise on them."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sin
from random import Random
from typing import TYPE_CHECKING

from site_files import loaded
from tocsin.core.forecast import Forecast, Limit
from tocsin.core.model import Flag, Sample
from tocsin.history.sampling import Heard
from tocsin.history.store import Store
from tocsin.history.writer import Keeper
from tocsin.ports import HistorySpec

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.core.site import Site

WALL_MS = 1_768_586_400_000
"""An hour, and a day's 18:00, in UTC."""
DAY_S = 86_400

SITE = """\
[bank]
capacity_ah = 280
cells_in_series = {cells}
"""


def site(folder: Path, *, packs: int = 1, cells: int = 16) -> Site:
    names = "".join(
        f'[[pack]]\nname = "p{n}"\ndriver = "trace"\n' for n in range(1, packs + 1)
    )
    return loaded(folder, SITE.format(cells=cells) + names).site


@dataclass
class Clock:
    wall: int = WALL_MS

    def wall_ms(self) -> int:
        return self.wall


@dataclass
class Noisy:
    """A pack over a day: the sun charges it, the night empties it, sensors are noisy.

    One millivolt, 30 mA and 0.02 degC of noise, as the simulated bus has.
    """

    name: str
    cells: int = 16
    temps: int = 16
    seed: int = 1

    def __post_init__(self) -> None:
        self._rng = Random(f"{self.name}/{self.seed}")

    def at(self, t_s: float) -> Heard:
        gauss, turn = self._rng.gauss, sin(2 * pi * t_s / DAY_S)
        fridge_a = -4 if t_s % 1_800 < 600 else 0
        amps = 30 * turn + fridge_a + gauss(0, 0.03)
        cells = tuple(
            round(3_290 + 40 * turn + 0.4 * amps + 3 * sin(i) + gauss(0, 1))
            for i in range(self.cells)
        )
        return Heard(
            WALL_MS + round(t_s * 1000) + self._rng.randrange(8),
            self.name,
            Sample(
                cells_mv=cells,
                temps_dc=tuple(
                    round(120 + 60 * turn + i % 3 + gauss(0, 0.2))
                    for i in range(self.temps)
                ),
                current_ma=round(amps * 10) * 100,
                voltage_mv=sum(cells),
                soc_permille=10 * round(50 + 30 * turn),
                charge_limit_ma=140_000,
                discharge_limit_ma=280_000,
                flags=frozenset({Flag.LOW_VOLTAGE_WARNING})
                if turn < -0.9
                else frozenset(),
            ),
            self._forecasts(t_s, turn),
        )

    def _forecasts(self, t_s: float, turn: float) -> tuple[Forecast, ...]:
        ahead_s = 86_400 if turn > 0 else 30_000 - t_s // 5 * 5 % 20_000
        times = [round(1000 * ahead_s * share) for share in (0.8, 1, 1.2)]
        early, likely, late = (min(time, 86_400_000) for time in times)
        return tuple(
            Forecast(
                limit=limit, part="7", early_ms=early, likely_ms=likely, late_ms=late
            )
            for limit in Limit
        )


def plain(at_ms: int, cell_mv: int, pack: str = "p1", **changes: object) -> Heard:
    """A sample of one cell and nothing else."""
    values: dict[str, object] = {"cells_mv": (cell_mv,)} | changes
    return Heard(at_ms, pack, Sample(**values))  # type: ignore[arg-type]


def keeper(
    folder: Path, made: Site, clock: Clock | None = None, **spec: float
) -> Keeper:
    """What keeps samples, without a thread."""
    store = Store(folder, HistorySpec(**spec))  # type: ignore[arg-type]
    return Keeper(store, made, (clock or Clock()).wall_ms)
