"""Real sites of the shipped LFP preset, and how a bank is told over time."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from core_builders import Player
from tocsin.core.events import Reading
from tocsin.core.model import Sample
from tocsin_config import load

if TYPE_CHECKING:
    from tocsin.core.engine import Outcome
    from tocsin.core.site import Site

OUTPUTS = """
[[output]]
name = "charge"
role = "charge-permit"
[[output]]
name = "drying"
role = "load-permit"
stage = 1
[[output]]
name = "kitchen"
role = "load-permit"
stage = 2
[[output]]
name = "lights"
role = "load-permit"
stage = 3
[[output]]
name = "generator"
role = "generator-call"
[[output]]
name = "horn"
role = "horn"
"""
LOADS = ("drying", "kitchen", "lights")


@cache
def bank(
    *packs: str, cells: int = 16, string: str = "", capacity_ah: int = 280
) -> Site:
    """Return the site of an LFP bank; with *string*, the packs are in series in it."""
    text = f"[bank]\ncapacity_ah = {capacity_ah}\ncells_in_series = {cells}\n"
    for name in packs or ("left",):
        text += f'[[pack]]\nname = "{name}"\ndriver = "trace"\n'
        text += f'string = "{string}"\n' if string else ""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(text + OUTPUTS, encoding="utf-8")
        return load(path).site


@dataclass(frozen=True, slots=True)
class Said:
    """What a pack says: every cell alike but one, every sensor alike but one."""

    cell_mv: int = 3_300
    odd_mv: int | None = None
    temp_dc: int = 230
    current_ma: int = 0

    def sample(self, cells: int) -> Sample:
        odd_mv = self.cell_mv if self.odd_mv is None else self.odd_mv
        cells_mv = (*[self.cell_mv] * (cells - 1), odd_mv)
        return Sample(
            cells_mv=cells_mv,
            temps_dc=(self.temp_dc, self.temp_dc + 10),
            current_ma=self.current_ma,
            voltage_mv=sum(cells_mv),
        )


class Watched(Player):
    """A bank whose packs all speak once a second; one of them may say otherwise."""

    def hear(
        self, said: Said, *, for_s: int = 1, odd: Said | None = None, at: str = ""
    ) -> Outcome:
        for _ in range(for_s):
            at_ms = self.state.now_ms + 1_000
            for pack in self.site.bank.packs:
                what = odd if odd is not None and pack.name == at else said
                sample = what.sample(pack.cells)
                self.play(Reading(at_ms=at_ms, pack=pack.name, sample=sample))
        return self.outcomes[-1]

    def levels(self, *names: str) -> tuple[bool, ...]:
        return tuple(map(self.level, names))
