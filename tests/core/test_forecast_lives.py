"""A trace through the scorer: restarts in its midst, and what learning gains."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from tests.forecast.learning import FEWEST, learning_lines
from tests.forecast.listen import listen
from tests.forecast.score import Heard, Judged, Result

from forecast_packs import NAMEPLATE_AH, pack_of, sample_of

ENTRY: dict[str, Any] = {
    "id": "one",
    "file": "one.csv",
    "kind": "constant",
    "cells": 4,
    "packs": 1,
    "row_s": 5.0,
    "nameplate_ah": NAMEPLATE_AH,
    "low_cell_v": 2.8,
    "high_cell_v": 3.75,
    "cold_charge_c": -30.0,
    "prior_cutoffs": [],
    "cutoff": None,
    "risk": [],
}


@cache
def _trace() -> str:
    """Return a pack that is emptied within two hours."""
    pack = pack_of(charge=0.6)
    head = [f"cell_v_{k}" for k in range(1, 5)] + ["temp_c_1"]
    rows = ["t_s,pack,current_a,soc_pct," + ",".join(head)]
    for second in range(0, 7_200, 5):
        if pack.protector.discharge_open:
            break
        pack.advance(5, -0.3 * NAMEPLATE_AH, 25.0)
        sample = sample_of(pack)
        volts = ",".join(f"{mv / 1000:.3f}" for mv in sample.cells_mv)
        amps, charge = (sample.current_ma or 0) / 1000, (sample.soc_permille or 0) / 10
        warmth = sample.temps_dc[0] / 10
        rows.append(f"{second},left,{amps:.1f},{charge:.0f},{volts},{warmth:.1f}")
    return "\n".join(rows) + "\n"


@cache
def _heard(*restarts_s: float) -> Heard:
    with TemporaryDirectory() as folder:
        (Path(folder) / "one.csv").write_text(_trace(), encoding="utf-8")
        return listen(ENTRY, Path(folder), restarts_s)[0]


@pytest.mark.parametrize("restarts_s", [(1_800.0,), (6_000.0,), (1_000.0, 5_000.0)])
def test_a_restart_changes_nothing_that_is_foretold(
    restarts_s: tuple[float, ...],
) -> None:
    whole, restarted = _heard(), _heard(*restarts_s)
    assert whole.rows["low_cell"]
    assert restarted.rows == whole.rows


def test_a_warning_that_is_raised_again_after_a_restart_is_the_same() -> None:
    (raised,) = _heard().intervals["low_cell"]
    (again,) = _heard(raised[0] + 120.0).intervals["low_cell"]
    assert again[0] == raised[0]


def _result(*errors_min: float) -> Result:
    cutoffs = [
        Judged(
            kind="low_cell",
            at_s=86_400.0 * n,
            word="in window",
            lead_min=15.0,
            is_burst=False,
            errors_min={15: error},
            in_band={15: True},
        )
        for n, error in enumerate(errors_min)
    ]
    return Result(name="one", kind="ten days", hours=240.0, cutoffs=cutoffs)


def test_the_last_cut_off_is_printed_beside_the_first() -> None:
    lines = learning_lines([_result(-9.0, 3.0, -1.0), _result(7.0, 2.0, 2.0)])
    assert lines[0] == "ten days, 2 banks, 6 cut-offs"
    assert "first" in lines[1]
    assert "15 min: 8.0 (100 %)" in lines[1]
    assert "last" in lines[3]
    assert "15 min: 1.5 (100 %)" in lines[3]


@pytest.mark.parametrize("count", [FEWEST - 1, FEWEST, FEWEST + 1])
def test_a_bank_with_few_cut_offs_says_nothing_of_learning(count: int) -> None:
    assert bool(learning_lines([_result(*[1.0] * count)])) is (count >= FEWEST)
