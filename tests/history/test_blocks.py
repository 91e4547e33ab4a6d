"""Compact columns come back as they were, and damage is noticed."""

from __future__ import annotations

import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.history.blocks import BlockError, packed, unpacked

NUMBERS = st.integers(-(2**61), 2**61)
TABLES = st.integers(1, 30).flatmap(
    lambda rows: st.lists(
        st.lists(NUMBERS, min_size=rows, max_size=rows), min_size=1, max_size=5
    )
)


@given(TABLES)
def test_what_was_packed_comes_back(table: list[list[int]]) -> None:
    found = unpacked(packed(table), len(table[0]))
    assert [found[i] for i in range(len(table))] == table


@given(TABLES, st.data())
def test_a_column_can_be_had_alone(table: list[list[int]], data: st.DataObject) -> None:
    number = data.draw(st.integers(0, len(table) - 1))
    assert unpacked(packed(table), len(table[0]), {number}) == {number: table[number]}


@pytest.mark.parametrize("edge", [2**7, 2**15, 2**31])
@pytest.mark.parametrize("off", [-1, 0, 1])
@pytest.mark.parametrize("sign", [1, -1])
def test_differences_at_the_edge_of_a_width_survive(
    edge: int, off: int, sign: int
) -> None:
    column = [0, sign * (edge + off), 0]
    assert unpacked(packed([column]), 3) == {0: column}


def test_a_slow_column_takes_a_small_part_of_its_plain_size() -> None:
    column = [3_300 + i // 50 for i in range(600)]
    assert len(packed([column])) < 600 * 2 / 10


@pytest.mark.parametrize(
    "data",
    [b"", b"no deflate", zlib.compress(b"\x09" + bytes(20)), zlib.compress(b"\x01\0")],
)
def test_damaged_bytes_are_refused(data: bytes) -> None:
    with pytest.raises(BlockError):
        unpacked(data, 3)


@pytest.mark.parametrize("rows", [0, -1, -8, -9, -1_000])
def test_a_block_of_no_rows_is_refused(rows: int) -> None:
    with pytest.raises(BlockError, match=f"{rows} rows"):
        unpacked(packed([[1, 2, 3]]), rows)


def test_a_block_with_fewer_rows_than_said_is_refused() -> None:
    with pytest.raises(BlockError, match="cut off"):
        unpacked(packed([[1, 2, 3]]), 9)


def test_a_difference_that_no_integer_holds_is_refused_when_packed() -> None:
    with pytest.raises(OverflowError):
        packed([[-(2**63), 2**63 - 1]])
