"""A history written as a trace, so that a past week meets tomorrow's limits."""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from heapq import heappop, heappush
from typing import IO, TYPE_CHECKING

from tocsin.history.kinds import Tier
from tocsin.history.reader import GAP_MS
from tocsin.trace import header

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from tocsin.history.reader import Kept

FILL_MS = 5_000
"""Buckets are wider than data may be old: rows this close stand in between them."""


@dataclass(slots=True)
class Exported:
    """What was written.

    Attributes:
        rows: Rows after the header.
        thinned: Of these, rows that were worked out from means.
        first_ms, last_ms: Their times; None before one.
    """

    rows: int = 0
    thinned: int = 0
    first_ms: int | None = None
    last_ms: int | None = None


def trace_header(names: Iterable[str]) -> list[str]:
    """Return the header that holds all *names*, values as the history calls them."""
    parts = [name.partition("/") for name in names]
    cells = _most(part for word, _, part in parts if word == "cell")
    temps = _most(part for word, _, part in parts if word == "temp")
    return header(cells, temps).split(",")


def write_trace(
    kept: Iterable[Kept], columns: Sequence[str], file: IO[str]
) -> Exported:
    """Write *kept*, oldest first, as a trace with times in s since 1970."""
    done = Exported()
    rows = csv.writer(file, lineterminator="\n")
    rows.writerow(columns)
    for one in _filled(kept):
        rows.writerow([_field(one, column) for column in columns])
        done.rows += 1
        done.thinned += one.tier is not Tier.RAW
        done.first_ms = one.at_ms if done.first_ms is None else done.first_ms
        done.last_ms = one.at_ms
    return done


def _most(parts: Iterable[str]) -> int:
    return max((int(part) for part in parts if part.isdecimal()), default=0)


def _filled(kept: Iterable[Kept]) -> Iterator[Kept]:
    """Put rows on straight lines between buckets; packs take turns in time."""
    last: dict[str, Kept] = {}
    waiting: list[tuple[int, str, int, Kept]] = []
    count = 0
    for one in kept:
        was = last.get(one.pack)
        last[one.pack] = one
        ready = [one]
        if was is not None and _is_next_bucket(was, one):
            ready += _between(was, one)
        for each in ready:
            count += 1
            heappush(waiting, (each.at_ms, each.pack, count, each))
        # A row may come out once no pack can still put one before it.
        sure_ms = min(each.at_ms for each in last.values())
        sure_ms = max(sure_ms, one.at_ms - GAP_MS[Tier.QUARTER])
        while waiting and waiting[0][0] < sure_ms:
            yield heappop(waiting)[-1]
    while waiting:
        yield heappop(waiting)[-1]


def _is_next_bucket(was: Kept, one: Kept) -> bool:
    is_near = one.at_ms - was.at_ms <= GAP_MS[was.tier]
    return was.tier is not Tier.RAW and is_near


def _between(a: Kept, b: Kept) -> Iterator[Kept]:
    span_ms = b.at_ms - a.at_ms
    for at_ms in range(a.at_ms + FILL_MS, b.at_ms, FILL_MS):
        share = (at_ms - a.at_ms) / span_ms
        values = {
            name: round(value + share * (b.values[name] - value))
            for name, value in a.values.items()
            if name in b.values
        }
        yield replace(a, at_ms=at_ms, values=values)


def _field(one: Kept, column: str) -> str:
    if column == "t_s":
        return f"{one.at_ms / 1000:.3f}"
    if column == "pack":
        return one.pack
    name, size, decimals = {
        "current_a": ("current", 1000, 3),
        "soc_pct": ("soc", 10, 1),
    }.get(column, ("", 1, 0))
    if not name:
        what, _, rest = column.partition("_")
        name = f"{what}/{rest.rpartition('_')[2]}"
        size, decimals = (1000, 3) if what == "cell" else (10, 1)
    value = one.values.get(name)
    return "" if value is None else f"{value / size:.{decimals}f}"
