"""Numbers that stand inside a text of a site file, such as a range of registers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from site_files import written
from tocsin_config.fields import whole
from tocsin_config.maps import Wanted, read_map_file
from tocsin_config.problems import LONGEST, Problem

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    ("text", "number"),
    [
        *(("0", 0), ("00", 0), ("0400", 400), ("65535", 65_535), ("-7", -7)),
        *(("0x10", 16), ("0X1f", 31), ("-0x10", -16), ("0x0010", 16)),
    ],
)
def test_a_number_is_read_with_zeros_in_front_and_in_hexadecimal(
    text: str, number: int
) -> None:
    assert whole(text) == number


def test_a_register_may_be_written_with_a_zero_in_front(tmp_path: Path) -> None:
    path = written(tmp_path, '[[point]]\ncells = "1..4 at 0100 step 02"\n', "map.toml")
    _, made, problems = read_map_file(path, Wanted())
    assert problems == []
    assert made is not None
    assert (made.points[0].address, made.points[0].step) == (100, 2)


@pytest.mark.parametrize(
    ("letters", "is_cut"),
    [(LONGEST - 1, False), (LONGEST, False), (LONGEST + 1, True)],
)
def test_a_problem_repeats_no_more_of_a_file_than_helps(
    tmp_path: Path, letters: int, *, is_cut: bool
) -> None:
    text = "x" * letters
    problem = Problem(file=tmp_path, line=1, key=text, wrong=text, right="y")
    for shown in (problem.key, problem.wrong):
        assert shown == (f"{text[:LONGEST]}..." if is_cut else text)
