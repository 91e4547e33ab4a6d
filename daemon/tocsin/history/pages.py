"""The history in pages of a size that a broker passes on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin.history.kinds import kind_of
from tocsin.history.reader import samples

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tocsin.history.reader import Kept

ROWS = 400
VALUES = 6_000
"""In one page: about 48 kB of JSON, so that it passes where 64 kB is the limit."""

SCANNED_MS = 6 * 3_600_000
"""So much is looked at for one page, however little is taken of it."""


def page(folder: Path, *, since_ms: int, until_ms: int, step_ms: int) -> dict[str, Any]:
    """Return what is kept from *since_ms* on, as one JSON object.

    ``rows`` are ``[t_s, pack, [values]]``, values by the ``names`` of their pack in the
    units people read, null where there is none, and the last ones left out where a row
    is short. Of each pack one row every *step_ms* is taken as it is kept, not averaged.
    ``next_s`` is where to go on, null at the end.

    Raises:
        HistoryError: as for `tocsin.history.reader.span`.
    """
    end_ms = min(until_ms, since_ms + SCANNED_MS)
    names: dict[str, list[str]] = {}
    rows: list[list[Any]] = []
    last_ms: dict[str, int] = {}
    next_ms = None if end_ms >= until_ms else end_ms + 1
    count = 0
    for kept in samples(folder, since_ms=since_ms, until_ms=end_ms):
        if kept.at_ms - last_ms.get(kept.pack, kept.at_ms - step_ms) < step_ms:
            continue
        is_full = len(rows) >= ROWS or count >= VALUES
        if is_full and kept.at_ms != max(last_ms.values()):
            next_ms = kept.at_ms
            break
        last_ms[kept.pack] = kept.at_ms
        known = names.setdefault(kept.pack, [])
        known += [name for name in kept.values if name not in known]
        rows.append([kept.at_ms / 1000, kept.pack, _shown(kept, known)])
        count += len(known)
    return {
        "from_s": since_ms / 1000,
        "to_s": until_ms / 1000,
        "next_s": None if next_ms is None else next_ms / 1000,
        "names": names,
        "rows": rows,
    }


def _shown(kept: Kept, names: Sequence[str]) -> list[float | None]:
    shown: list[float | None] = []
    for name in names:
        value, kind = kept.values.get(name), kind_of(name)
        known = None if value is None else round(value / kind.divisor, kind.decimals)
        shown.append(known)
    return shown
