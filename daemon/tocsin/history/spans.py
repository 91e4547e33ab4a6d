"""Cutting a span of time into tiers, and reading the blocks of each."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.history.kinds import Tier
from tocsin.history.thin import piece

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Mapping, Sequence


@dataclass(frozen=True, slots=True)
class Table:
    """Columns of one block within a span: by name (least, mean, largest)."""

    tier: Tier
    times: Sequence[int]
    columns: Mapping[str, Sequence[Sequence[int]]]


def pieces(
    connection: sqlite3.Connection, pack: str, within: tuple[int, int], fine_ms: int
) -> list[tuple[Tier, int, int]]:
    """Cut a span into (tier, from, to): the coarsest that is no coarser than *fine_ms*.

    What that tier does not reach back to is taken from coarser ones, what it has not
    got yet from finer ones.
    """
    best = max((tier for tier in Tier if tier <= fine_ms), default=Tier.RAW)
    coarser = [tier for tier in Tier if tier > best]
    finer = [tier for tier in Tier if tier < best]
    open_spans = [within]
    found: list[tuple[Tier, int, int]] = []
    for tier in (best, *coarser, *reversed(finer)):
        first_ms, last_ms = connection.execute(
            "SELECT min(from_ms), max(to_ms) FROM block WHERE tier = ? AND pack = ?",
            (tier, pack),
        ).fetchone()
        if first_ms is None:
            continue
        last_ms += max(tier - 1, 0)  # a bucket bears the time of its start
        left: list[tuple[int, int]] = []
        for a_ms, b_ms in open_spans:
            from_ms, to_ms = max(a_ms, first_ms), min(b_ms, last_ms)
            if from_ms > to_ms:
                left.append((a_ms, b_ms))
                continue
            found.append((tier, from_ms, to_ms))
            rest = [(a_ms, from_ms - 1), (to_ms + 1, b_ms)]
            left += [span for span in rest if span[0] <= span[1]]
        open_spans = left
    return sorted(found, key=lambda one: one[1])


def tables(
    connection: sqlite3.Connection,
    pack: str,
    tier: Tier,
    within: tuple[int, int],
    wanted: Sequence[str] | None,
) -> Iterator[Table]:
    """Yield the blocks of *tier* within a span, cut to it; *wanted* None for all."""
    since_ms, until_ms = within
    for stored in connection.execute(
        "SELECT from_ms, rows, names, data FROM block JOIN layout "
        "ON layout.id = layout_id WHERE tier = ? AND pack = ? "
        "AND from_ms BETWEEN ? AND ? AND to_ms >= ? ORDER BY from_ms",
        (tier, pack, since_ms - tier.block_ms, until_ms, since_ms),
    ):
        whole = piece(tier, stored, wanted)
        times = whole.times
        a, b = bisect_left(times, since_ms), bisect_right(times, until_ms)
        if a < b:
            cut = {
                name: [c[a:b] for c in whole.columns[name]] for name in whole.columns
            }
            yield Table(tier, times[a:b], cut)
