"""The log of writes: read as its documented format has it, and cut as a disk may be.

Format: Linux, ``Documentation/admin-guide/device-mapper/log-writes.rst``, and
``drivers/md/dm-log-writes.c``; the logs here are made by hand from that layout.
"""

from __future__ import annotations

import io
import random
import struct
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.vm import blocklog

if TYPE_CHECKING:
    from pathlib import Path

SECTOR = 512
FLUSH, FUA, DISCARD = 1, 2, 4


def log_of(*entries: tuple[int, bytes, int], sector: int = SECTOR) -> io.BytesIO:
    """Return a log of (sector number, data, flags)."""
    head = struct.pack("<QQQL", 0x6A736677736872, 1, len(entries), sector)
    text = head.ljust(sector, b"\0")
    for at, data, flags in entries:
        number = len(data) // sector
        text += struct.pack("<QQQQ", at, number, flags, 0).ljust(sector, b"\0")
        text += b"" if flags & DISCARD else data
    return io.BytesIO(text)


def replay(log: io.BytesIO) -> None:
    for write in blocklog.entries(log):
        blocklog.put(log, io.BytesIO(), write)


def full(letter: str, sectors: int = 1) -> bytes:
    return letter.encode() * (SECTOR * sectors)


def test_each_write_is_found_with_its_place_and_its_data() -> None:
    log = log_of((3, full("a"), 0), (0, b"", FLUSH), (5, full("b", 2), FUA))
    writes = blocklog.entries(log)
    assert [(w.at, w.size) for w in writes] == [(1_536, 512), (0, 0), (2_560, 1_024)]
    assert [w.is_flush for w in writes] == [False, True, False]
    assert [w.is_durable for w in writes] == [False, False, True]
    disk = io.BytesIO(bytes(4_096))
    for write in writes:
        blocklog.put(log, disk, write)
    assert disk.getvalue()[1_536:2_048] == full("a")
    assert disk.getvalue()[2_560:3_584] == full("b", 2)
    assert disk.getvalue().count(b"\0") == 4_096 - 3 * SECTOR


def test_a_discard_has_no_data_behind_it() -> None:
    log = log_of((1, full("x", 4), DISCARD), (2, full("b"), 0))
    writes = blocklog.entries(log)
    assert writes[0].size == 0
    disk = io.BytesIO(bytes(2_048))
    blocklog.put(log, disk, writes[1])
    assert disk.getvalue()[1_024:1_536] == full("b")


def test_larger_sectors_are_those_of_the_log() -> None:
    log = log_of((1, b"c" * 4_096, 0), sector=4_096)
    (write,) = blocklog.entries(log)
    assert (write.at, write.size, write.data_at) == (4_096, 4_096, 8_192)


@pytest.mark.parametrize(
    ("cut", "last"), [(0, -1), (1, -1), (2, 1), (3, 1), (4, 3), (5, 3)]
)
def test_what_was_flushed_before_the_cut_is_known(cut: int, last: int) -> None:
    log = log_of(
        (0, full("a"), 0), (0, b"", FLUSH), (1, full("b"), 0), (0, b"", FLUSH),
        (2, full("c"), 0),
    )  # fmt: skip
    assert blocklog.last_flush(blocklog.entries(log), cut) == last


def test_after_a_flush_any_part_of_what_followed_may_be_left() -> None:
    log = blocklog.entries(
        log_of((0, full("a"), 0), (0, b"", FLUSH), (1, full("b", 8), 0))
    )
    sizes = {
        tuple(size for _, size in blocklog.survivors(log, 3, random.Random(seed)))
        for seed in range(200)
    }
    assert () in sizes, "lost whole"
    assert (8 * SECTOR,) in sizes, "there whole"
    assert any(0 < each[0] < 8 * SECTOR for each in sizes if each), "torn"


def test_a_forced_write_is_always_left_whole() -> None:
    log = blocklog.entries(log_of((1, full("b", 8), FUA)))
    for seed in range(100):
        assert blocklog.survivors(log, 1, random.Random(seed)) == [(log[0], 4_096)]


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 6)), max_size=30), st.data()
)
def test_nothing_flushed_and_nothing_after_the_cut_is_ever_among_the_rest(
    made: list[tuple[int, int]], data: st.DataObject
) -> None:
    entries = [(at, full("x", size), 0 if size else FLUSH) for at, size in made]
    log = blocklog.entries(log_of(*entries))
    cut = data.draw(st.integers(0, len(log)))
    left = blocklog.survivors(log, cut, random.Random(data.draw(st.integers())))
    last = blocklog.last_flush(log, cut)
    positions = {write.data_at for write in log[last + 1 : cut]}
    for write, size in left:
        assert write.data_at in positions
        assert 0 < size <= write.size
        assert size % SECTOR == 0


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"", "not begun"),
        (b"\0" * 512, "no log"),
        (log_of((0, full("a"), 0)).getvalue()[:600], None),
    ],
)
def test_a_log_that_is_none_or_is_cut_off_is_refused(
    text: bytes, why: str | None
) -> None:
    with pytest.raises(blocklog.LogError, match=why):
        replay(io.BytesIO(text))


def test_a_log_that_grows_is_counted_anew(tmp_path: Path) -> None:
    path = tmp_path / "log"
    for number in (0, 1, 5):
        path.write_bytes(log_of(*[(0, full("a"), 0)] * number).getvalue())
        assert blocklog.count(path) == number


def test_a_log_whose_head_counts_more_than_is_there_is_refused() -> None:
    text = bytearray(log_of((0, full("a"), 0)).getvalue())
    struct.pack_into("<Q", text, 16, 3)
    with pytest.raises(blocklog.LogError, match="entry 1 is cut off"):
        blocklog.entries(io.BytesIO(bytes(text)))
