"""A trace that grows is whole after every row."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tocsin.core.model import Sample
from tocsin.record import Tape
from tocsin.trace import read_trace

if TYPE_CHECKING:
    from pathlib import Path

TWO = Sample(cells_mv=(3_300, 3_301), temps_dc=(200,), current_ma=-5_000)
WIDER = Sample(cells_mv=(3_200, 3_201, 3_202), temps_dc=(100, 110), soc_permille=505)


def test_time_begins_with_the_first_row(tmp_path: Path) -> None:
    with Tape(tmp_path / "night.csv") as tape:
        tape.write(81_000, "left", TWO)
        tape.write(82_500, "left", TWO)
    assert [row.at_ms for row in read_trace(tape.path)] == [0, 1_500]


def test_every_row_can_be_read_while_the_tape_runs(tmp_path: Path) -> None:
    with Tape(tmp_path / "night.csv") as tape:
        for number in range(1, 4):
            tape.write(number * 1_000, "left", TWO)
            assert len(list(read_trace(tape.path))) == number


def test_a_wider_sample_widens_the_file_and_loses_nothing(tmp_path: Path) -> None:
    with Tape(tmp_path / "night.csv") as tape:
        tape.write(0, "left", TWO)
        tape.write(1_000, "right", WIDER)
        tape.write(2_000, "left", TWO)
    text = tape.path.read_text(encoding="utf-8").splitlines()
    assert text == [
        "t_s,pack,current_a,soc_pct,cell_v_1,cell_v_2,cell_v_3,temp_c_1,temp_c_2",
        "0.000,left,-5.000,,3.300,3.301,,20.0,",
        "1.000,right,,50.5,3.200,3.201,3.202,10.0,11.0",
        "2.000,left,-5.000,,3.300,3.301,,20.0,",
    ]
    assert [path.name for path in tmp_path.iterdir()] == ["night.csv"]


def test_times_that_go_back_are_held(tmp_path: Path) -> None:
    with Tape(tmp_path / "night.csv") as tape:
        for at_ms in (5_000, 7_000, 6_000, 7_500):
            tape.write(at_ms, "left", TWO)
    assert [row.at_ms for row in read_trace(tape.path)] == [0, 2_000, 2_000, 2_500]


def test_a_file_that_exists_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_text("mine")
    with pytest.raises(FileExistsError):
        Tape(path)
    assert path.read_text() == "mine"


def test_an_empty_tape_leaves_no_file(tmp_path: Path) -> None:
    with Tape(tmp_path / "night.csv"):
        pass
    assert list(tmp_path.iterdir()) == []
