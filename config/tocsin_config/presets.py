"""Chemistry presets: data files beside this one, each a complete alarm table."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib.resources import files
from typing import Annotated

from pydantic import Field

from tocsin.core.rules import Unit
from tocsin.core.site import Chemistry
from tocsin_config.fields import Table
from tocsin_config.rule_models import RuleTable  # noqa: TC001 pydantic reads it

Pair = Annotated[tuple[float, float], Field(strict=False)]


class ProtectorTable(Table):
    """Where a protector for this chemistry usually cuts off."""

    low_cell_v: float
    high_cell_v: float
    cold_charge_c: float
    basis: str


class CellTable(Table):
    """Numbers of the cell that are not limits of a rule.

    ``charge_map`` is (degC of the coldest cell, multiple of 1C) pairs, ascending;
    ``curve`` (per cent of charge, volts at rest) pairs, and without it nothing is
    foretold; ``resistance_ohm_ah`` is resistance times capacity, to begin with.
    """

    charge_map: Annotated[tuple[Pair, ...], Field(strict=False)]
    full_cell_v: float
    full_tail_rate: float
    full_hold_s: float
    possible_v: Pair
    possible_degc: Pair
    curve: Annotated[tuple[Pair, ...], Field(strict=False)] = ()
    resistance_ohm_ah: float = 0.12
    basis: str


class Preset(Table):
    """One chemistry."""

    name: str
    protector: ProtectorTable
    cell: CellTable
    rule: Annotated[tuple[RuleTable, ...], Field(strict=False)]

    @property
    def chemistry(self) -> Chemistry:
        """Return the cell's numbers in the core's integers."""
        cell = self.cell
        return Chemistry(
            name=self.name,
            charge_map=tuple(
                (Unit.DC.inside(from_c), round(rate * 1_000))
                for from_c, rate in cell.charge_map
            ),
            full_cell_mv=Unit.MV.inside(cell.full_cell_v),
            full_tail_permille=round(cell.full_tail_rate * 1_000),
            full_hold_ms=Unit.SECONDS.inside(cell.full_hold_s),
            possible_mv=(
                Unit.MV.inside(cell.possible_v[0]),
                Unit.MV.inside(cell.possible_v[1]),
            ),
            possible_dc=(
                Unit.DC.inside(cell.possible_degc[0]),
                Unit.DC.inside(cell.possible_degc[1]),
            ),
            curve=tuple(
                (Unit.PERMILLE.inside(pct), Unit.MV.inside(volts))
                for pct, volts in cell.curve
            ),
            resistance_mohm_ah=round(cell.resistance_ohm_ah * 1_000),
        )


@lru_cache
def preset(name: str) -> Preset:
    """Return the preset *name*, one of ``tocsin_config.models.PRESETS``."""
    text = files("tocsin_config").joinpath("presets", f"{name}.toml").read_text("utf-8")
    return Preset.model_validate(tomllib.loads(text))
