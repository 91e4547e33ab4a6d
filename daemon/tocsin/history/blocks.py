"""Samples as compact bytes: a column a value, differences, bytes apart, deflated.

Neighbours in time hardly differ, so a column is its first value and then differences,
in as few bytes each as the largest needs; the high bytes of all of them stand together,
because they are nearly all the same.
"""

from __future__ import annotations

import sys
import zlib
from array import array
from itertools import accumulate, pairwise
from operator import sub
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

LEVEL = 6
_CODES = ("b", "h", "i", "q")
_SIZES = tuple(array(code).itemsize for code in _CODES)
_REACH = (2**7, 2**15, 2**31)
_FIRST_BYTES = 8


class BlockError(ValueError):
    """The bytes are no block."""


def packed(columns: Sequence[Sequence[int]]) -> bytes:
    """Return *columns* of equal length, at least one value each, as bytes.

    Raises:
        OverflowError: a value does not fit into 64 bits.
    """
    return zlib.compress(b"".join(map(_column, columns)), LEVEL)


def unpacked(
    data: bytes, rows: int, wanted: Collection[int] | None = None
) -> dict[int, list[int]]:
    """Return the columns whose positions are *wanted* (None: all) from `packed` bytes.

    Raises:
        BlockError: they are damaged.
    """
    if rows < 1:
        raise BlockError(f"a block of {rows} rows")
    try:
        raw = zlib.decompress(data)
    except zlib.error as exc:
        raise BlockError(str(exc)) from exc
    columns: dict[int, list[int]] = {}
    place = number = 0
    while place < len(raw):
        width = raw[place]
        if width >= len(_CODES):
            raise BlockError(f"column {number} has no width")
        end = place + 1 + _FIRST_BYTES + (rows - 1) * _SIZES[width]
        if end > len(raw):
            raise BlockError(f"column {number} is cut off")
        if wanted is None or number in wanted:
            columns[number] = _values(raw[place + 1 : end], width)
        place, number = end, number + 1
    return columns


def _column(values: Sequence[int]) -> bytes:
    steps = [sub(later, earlier) for earlier, later in pairwise(values)]
    reach = max(max(steps, default=0), -1 - min(steps, default=0))
    width = sum(reach >= limit for limit in _REACH)
    first = values[0].to_bytes(_FIRST_BYTES, "little", signed=True)
    return bytes((width,)) + first + _apart(array(_CODES[width], steps))


def _apart(steps: array[int]) -> bytes:
    """Return the lowest bytes of all steps, then the next ones, and so on."""
    if sys.byteorder == "big":
        steps.byteswap()
    raw, size = steps.tobytes(), steps.itemsize
    return b"".join(raw[at::size] for at in range(size))


def _values(raw: bytes, width: int) -> list[int]:
    first = int.from_bytes(raw[:_FIRST_BYTES], "little", signed=True)
    steps = array(_CODES[width])
    size, apart = _SIZES[width], raw[_FIRST_BYTES:]
    if size > 1:
        each = len(apart) // size
        together = bytearray(len(apart))
        for at in range(size):
            together[at::size] = apart[at * each : (at + 1) * each]
        apart = bytes(together)
    steps.frombytes(apart)
    if sys.byteorder == "big":
        steps.byteswap()
    return list(accumulate(steps, initial=first))
