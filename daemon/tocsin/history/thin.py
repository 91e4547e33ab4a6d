"""Samples to blocks, and blocks of a tier to buckets of the next coarser one."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from tocsin.history.blocks import BlockError, packed, unpacked
from tocsin.history.kinds import Tier, kind_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

Extremes = tuple[int, int, int]
"""Least, mean and largest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Samples, or buckets, of one pack that have the same values.

    Attributes:
        names: Of the values; a block of buckets has three columns of each.
    """

    tier: Tier
    pack: str
    from_ms: int
    to_ms: int
    rows: int
    names: tuple[str, ...]
    data: bytes


class Taken(NamedTuple):
    """Values of one time."""

    at_ms: int
    values: Mapping[str, int]


class Bucket(NamedTuple):
    """Values of a span of time that begins at *at_ms*."""

    at_ms: int
    values: Mapping[str, Extremes]


@dataclass(frozen=True, slots=True)
class Piece:
    """Columns of one block: times, and by name (least, mean, largest)."""

    times: Sequence[int]
    columns: Mapping[str, tuple[Sequence[int], Sequence[int], Sequence[int]]]


def piece(
    tier: Tier,
    stored: tuple[int, int, str, bytes],
    wanted: Collection[str] | None = None,
) -> Piece:
    """Return the columns of a stored block, those of *wanted* only unless it is None.

    A damaged block, which its checksum shows, is empty: a gap, not a wrong value.

    Args:
        tier: Of the block.
        stored: Its first time, rows, names separated by blanks, and data.
        wanted: Names.
    """
    from_ms, rows, text, data = stored
    each = 1 if tier is Tier.RAW else 3
    places = {
        name: 1 + each * i
        for i, name in enumerate(text.split())
        if wanted is None or name in wanted
    }
    numbers = {0, *(place + i for place in places.values() for i in range(each))}
    try:
        found = unpacked(data, rows, numbers)
    except BlockError:
        return Piece([], {})
    if len(found) != len(numbers):
        return Piece([], {})
    return Piece(
        [from_ms + offset for offset in found[0]],
        {
            name: (found[p], found[p + each // 2], found[p + each - 1])
            for name, p in places.items()
        },
    )


def raw_blocks(pack: str, taken: Sequence[Taken], within: Tier) -> Iterator[Block]:
    """Yield *taken*, in the order of its times as they came, as blocks.

    A block ends where the values are others, where time goes back, and where a block of
    *within* does, so that every block goes into exactly one of those.
    """
    run: list[Taken] = []
    for one in taken:
        if run and not _goes_on(run, one, within):
            yield _raw_block(pack, run)
            run = []
        run.append(one)
    if run:
        yield _raw_block(pack, run)


def _goes_on(run: Sequence[Taken], one: Taken, within: Tier) -> bool:
    first, last = run[0], run[-1]
    return (
        one.values.keys() == first.values.keys()
        and last.at_ms <= one.at_ms < first.at_ms + Tier.RAW.block_ms
        and one.at_ms // within.block_ms == first.at_ms // within.block_ms
    )


def _raw_block(pack: str, run: Sequence[Taken]) -> Block:
    first_ms, names = run[0].at_ms, tuple(run[0].values)
    columns = [[one.at_ms - first_ms for one in run]]
    columns += [[one.values[name] for one in run] for name in names]
    return Block(
        tier=Tier.RAW,
        pack=pack,
        from_ms=first_ms,
        to_ms=run[-1].at_ms,
        rows=len(run),
        names=names,
        data=packed(columns),
    )


def buckets(pieces: Sequence[Piece], tier: Tier) -> list[Bucket]:
    """Return the buckets of *tier* that *pieces* come to, oldest first."""
    found: dict[int, dict[str, list[tuple[int, Extremes]]]] = {}
    for piece in pieces:
        for start, a, b in _cuts(piece.times, tier):
            bucket = found.setdefault(start, {})
            for name, (low, mean, high) in piece.columns.items():
                if kind_of(name).is_thinned:
                    three = (min(low[a:b]), sum(mean[a:b]), max(high[a:b]))
                    bucket.setdefault(name, []).append((b - a, three))
    return [
        Bucket(start, {name: _merged(parts) for name, parts in found[start].items()})
        for start in sorted(found)
    ]


def _cuts(times: Sequence[int], tier: Tier) -> Iterator[tuple[int, int, int]]:
    """Yield (start of bucket, from, to) for each run of *times* in one bucket."""
    numbered = enumerate(times)
    for number, run in groupby(numbered, lambda pair: pair[1] // tier):
        places = [place for place, _ in run]
        yield number * tier, places[0], places[-1] + 1


def _merged(parts: Sequence[tuple[int, Extremes]]) -> Extremes:
    rows = sum(count for count, _ in parts)
    return (
        min(three[0] for _, three in parts),
        round(sum(three[1] for _, three in parts) / rows),
        max(three[2] for _, three in parts),
    )


def bucket_blocks(pack: str, tier: Tier, made: Sequence[Bucket]) -> Iterator[Block]:
    """Yield *made*, oldest first, as blocks of those with the same values."""
    for _, same in groupby(made, lambda bucket: tuple(bucket.values)):
        run = list(same)
        first_ms, names = run[0].at_ms, tuple(run[0].values)
        columns = [[bucket.at_ms - first_ms for bucket in run]]
        for name in names:
            columns += [[bucket.values[name][i] for bucket in run] for i in range(3)]
        yield Block(
            tier=tier,
            pack=pack,
            from_ms=first_ms,
            to_ms=run[-1].at_ms,
            rows=len(run),
            names=names,
            data=packed(columns),
        )
