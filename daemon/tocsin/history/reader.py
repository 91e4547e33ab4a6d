"""The history's reading half: from any process, and without changing a row.

Every function opens the file of a folder, reads, and closes it. They block for some
tens of milliseconds, so an event loop calls them by ``asyncio.to_thread``. The writer
is never held up: the file has a write-ahead log.

Times are ms since 1970, spans are closed at both ends. Values are integers in the
core's units; `Kind` says how people read them, `series_json` does it for a plot.

    span(folder)                                     what time is covered
    names(folder)                                    which values, by pack
    series(folder, "right", ["cell/11"], since_ms=a, until_ms=b, points=500)
    samples(folder, since_ms=a, until_ms=b)          for an export, oldest first
    limits(folder, at_ms)                            the limits in force then
"""

from __future__ import annotations

import heapq
import json
import sqlite3
from bisect import bisect_left
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import pairwise
from statistics import median_low
from typing import TYPE_CHECKING, Any, NamedTuple

from tocsin.clock import iso_time
from tocsin.history.kinds import FILE_NAME, HistoryError, Kind, Tier, kind_of
from tocsin.history.schema import is_ready
from tocsin.history.spans import Table, pieces, tables
from tocsin.readonly import connected

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

GAP_MS = {Tier.RAW: 15_000, Tier.MINUTE: 90_000, Tier.QUARTER: 1_350_000}
"""Points of a tier further apart than this have nothing between them."""

PART_MS = 3_600_000
"""So much of an export is held in memory at a time."""


class Point(NamedTuple):
    """Least, mean and largest value around *at_ms*; all three alike for one sample."""

    at_ms: int
    low: int
    mean: int
    high: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One value of one pack over a span, oldest point first.

    Attributes:
        name: As asked for, such as ``cell/7``.
        gap_ms: Between two points further apart than this nothing is known: draw no
            line from one to the other.
    """

    pack: str
    name: str
    kind: Kind
    gap_ms: int
    points: tuple[Point, ...]

    def runs(self) -> list[tuple[Point, ...]]:
        """Return the points in pieces without a gap inside."""
        cuts = [
            i
            for i in range(1, len(self.points))
            if self.points[i].at_ms - self.points[i - 1].at_ms > self.gap_ms
        ]
        edges = [0, *cuts, len(self.points)]
        return [self.points[a:b] for a, b in pairwise(edges) if a < b]


@dataclass(frozen=True, slots=True)
class Kept:
    """What is kept of one pack at one time.

    Attributes:
        values: By name. Of a bucket the means.
        tier: How finely; anything but RAW is a mean over the bucket from *at_ms* on.
    """

    at_ms: int
    pack: str
    values: Mapping[str, int]
    tier: Tier


def span(folder: Path) -> tuple[int, int] | None:
    """Return the times of the oldest and the newest sample; None if there is none.

    Raises:
        HistoryError: there is no history, it is damaged, or it is not for us to read.
    """
    with _opened(folder) as connection:
        if connection is None:
            return None
        first, last = connection.execute(
            "SELECT min(from_ms), max(to_ms) FROM block"
        ).fetchone()
        return None if first is None else (first, last)


def names(folder: Path) -> dict[str, list[str]]:
    """Return the names of all values that are kept of each pack.

    Raises:
        HistoryError: as for `span`.
    """
    with _opened(folder) as connection:
        if connection is None:
            return {}
        found: dict[str, dict[str, None]] = {}
        for pack, text in connection.execute(
            "SELECT pack, names FROM (SELECT DISTINCT pack, layout_id FROM block) "
            "JOIN layout ON layout.id = layout_id ORDER BY pack, layout_id"
        ):
            found.setdefault(pack, {}).update(dict.fromkeys(text.split()))
        return {pack: list(every) for pack, every in found.items()}


def tiers(folder: Path) -> list[dict[str, Any]]:
    """Return what each tier holds: ``tier``, ``from``, ``to``, ``blocks``, ``mb``.

    Raises:
        HistoryError: as for `span`.
    """
    with _opened(folder) as connection:
        if connection is None:
            return []
        found = connection.execute(
            "SELECT tier, min(from_ms), max(to_ms), count(*), sum(length(data)) "
            "FROM block GROUP BY tier ORDER BY tier"
        ).fetchall()
    return [
        {
            "tier": Tier(tier).name.lower(),
            "from": iso_time(from_ms),
            "to": iso_time(to_ms),
            "blocks": count,
            "mb": round(size / 1e6, 3),
        }
        for tier, from_ms, to_ms, count, size in found
    ]


def series(
    folder: Path,
    pack: str,
    wanted: Sequence[str],
    *,
    since_ms: int,
    until_ms: int,
    points: int = 500,
) -> list[Series]:
    """Return each *wanted* value of *pack*, at most *points* points each, for a plot.

    The coarsest tier that is fine enough is read; where it has nothing yet, or no more,
    the others step in; where they meet, a bucket may cover samples that are there too.
    A point is the least, the mean and the largest of what was kept around its time, so
    that no dip is lost however long the span is.

    Raises:
        HistoryError: as for `span`; or a name that is never kept.
        ValueError: *points* is below 1 or the span is empty.
    """
    if points < 1 or until_ms < since_ms:
        raise ValueError(f"no {points} points from {since_ms} to {until_ms}")
    kinds = [kind_of(name) for name in wanted]
    with _opened(folder) as connection:
        found: list[Table] = []
        if connection is not None:
            fine_ms = (until_ms - since_ms) // points
            cut = pieces(connection, pack, (since_ms, until_ms), fine_ms)
            found = [
                table
                for tier, a_ms, b_ms in cut
                for table in tables(connection, pack, tier, (a_ms, b_ms), wanted)
            ]
    bucket_ms = -(-(until_ms - since_ms + 1) // points)
    widest = max((GAP_MS[table.tier] for table in found), default=GAP_MS[Tier.RAW])
    gap_ms = max(widest, 2 * bucket_ms, _usual_ms(found) * 5 // 2)
    return [
        Series(
            pack=pack,
            name=name,
            kind=kind,
            gap_ms=gap_ms,
            points=_thinned(found, name, since_ms, bucket_ms),
        )
        for name, kind in zip(wanted, kinds, strict=True)
    ]


def series_json(one: Series) -> dict[str, Any]:
    """Return *one* for a program: times in s, values in the unit people read.

    ``{"pack", "name", "unit", "gap_s", "points": [[t_s, low, mean, high], ...]}``
    """
    size, decimals = one.kind.divisor, one.kind.decimals
    return {
        "pack": one.pack,
        "name": one.name,
        "unit": one.kind.symbol,
        "gap_s": one.gap_ms / 1000,
        "points": [
            [p.at_ms / 1000, *(round(v / size, decimals) for v in p[1:])]
            for p in one.points
        ],
    }


def samples(
    folder: Path,
    *,
    since_ms: int,
    until_ms: int,
    packs: Sequence[str] = (),
) -> Iterator[Kept]:
    """Yield what is kept from *since_ms* to *until_ms*, oldest first.

    Raw samples where there are any, else minutes, else quarters of an hour.

    Raises:
        HistoryError: as for `span`.
    """
    with _opened(folder) as connection:
        if connection is None:
            return
        known = [
            row[0] for row in connection.execute("SELECT DISTINCT pack FROM block")
        ]
        chosen = [pack for pack in known if not packs or pack in packs]
        every = [_kept(connection, pack, since_ms, until_ms) for pack in chosen]
        yield from heapq.merge(*every, key=lambda kept: (kept.at_ms, kept.pack))


def limits(folder: Path, at_ms: int) -> Mapping[str, Any] | None:
    """Return the limits in force at *at_ms*, as `sampling.limits_json` made them.

    None where that is not known.

    Raises:
        HistoryError: as for `span`.
    """
    with _opened(folder) as connection:
        if connection is None:
            return None
        row = connection.execute(
            "SELECT detail FROM site WHERE wall_ms <= ? ORDER BY wall_ms DESC LIMIT 1",
            (at_ms,),
        ).fetchone()
        found: Mapping[str, Any] | None = None if row is None else json.loads(row[0])
        return found


def history_path(folder: Path) -> Path:
    """Return where the history of *folder* is."""
    return folder / FILE_NAME


# --- inside -------------------------------------------------------------------------


@contextmanager
def _opened(folder: Path) -> Iterator[sqlite3.Connection | None]:
    """Open the history for reading; None for one that has no tables yet."""
    path = history_path(folder)
    if not path.exists():
        raise HistoryError(f"there is no history in {folder}; has the daemon run?")
    with ExitStack() as stack:
        try:
            connection = connected(path, stack)
            yield connection if is_ready(connection, str(path)) else None
        except (sqlite3.Error, OSError) as exc:
            raise HistoryError(f"{path} cannot be read: {exc}") from exc


def _thinned(
    found: Sequence[Table], name: str, since_ms: int, bucket_ms: int
) -> tuple[Point, ...]:
    """Return at most one point a bucket; its time is that of its middle sample."""
    gathered: dict[int, list[Point]] = {}
    for table in found:
        if name not in table.columns:
            continue
        low, mean, high = table.columns[name]
        times, a = table.times, 0
        while a < len(times):
            bucket = (times[a] - since_ms) // bucket_ms
            b = bisect_left(times, since_ms + (bucket + 1) * bucket_ms, a)
            middle = times[(a + b) // 2] if b - a > 1 else times[a]
            mid = round(sum(mean[a:b]) / (b - a))
            point = Point(middle, min(low[a:b]), mid, max(high[a:b]))
            gathered.setdefault(bucket, []).append(point)
            a = b
    return tuple(_joined(gathered[bucket]) for bucket in sorted(gathered))


def _usual_ms(found: Sequence[Table]) -> int:
    """Return the usual time between two samples: a slow poll is no gap."""
    times = sorted(at_ms for table in found for at_ms in table.times)
    return median_low([b - a for a, b in pairwise(times)] or [0])


def _joined(points: Sequence[Point]) -> Point:
    if len(points) == 1:
        return points[0]
    return Point(
        points[len(points) // 2].at_ms,
        min(p.low for p in points),
        round(sum(p.mean for p in points) / len(points)),
        max(p.high for p in points),
    )


def _kept(
    connection: sqlite3.Connection, pack: str, since_ms: int, until_ms: int
) -> Iterator[Kept]:
    for tier, a_ms, b_ms in pieces(connection, pack, (since_ms, until_ms), 0):
        for begin_ms in range(a_ms, b_ms + 1, PART_MS):
            within = (begin_ms, min(begin_ms + PART_MS - 1, b_ms))
            part = [
                Kept(at_ms, pack, dict(zip(names, row, strict=True)), tier)
                for table in tables(connection, pack, tier, within, None)
                for names in (tuple(table.columns),)
                for at_ms, row in zip(
                    table.times,
                    zip(*(table.columns[name][1] for name in names), strict=True),
                    strict=True,
                )
            ]
            part.sort(key=lambda kept: kept.at_ms)
            yield from part
