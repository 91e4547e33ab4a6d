"""How much room a history takes, and how much is written to keep it.

The bytes are those of 5 packs of 16 cells with noisy sensors, measured by
`tests/bench/bench_history.py`; steadier sensors take less.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tocsin.core.model import Bank
    from tocsin.ports import HistorySpec

RAW_BYTES = 0.34
"""Of one value of one sample, index and free room in pages included."""

BUCKET_BYTES = 0.26
"""Of the least, the mean or the largest of one value."""

BATCH_BYTES = 10_000
"""Handed to the disk with every batch, and"""

PACK_BYTES = 7_000
"""for every pack in it, whatever the batch holds: pages are written whole."""

REWRITTEN = 2.0
"""How often a byte is written: to the log, and from there to the file."""

OTHER_VALUES = 21
"""Values of a pack beside cells and sensors, forecasts among them."""

DAY_MS = 86_400_000
MB = 1e6


@dataclass(frozen=True, slots=True)
class Estimate:
    """Megabytes.

    Attributes:
        raw, minutes, quarters: Held by each tier once it is as old as it gets.
        a_year: Added by each year of minutes and quarters.
        written_a_day: Handed to the disk.
    """

    raw: float
    minutes: float
    quarters: float
    a_year: float
    written_a_day: float

    @property
    def held(self) -> float:
        """Return what the file comes to in the end."""
        return self.raw + self.minutes + self.quarters


def estimated(spec: HistorySpec, bank: Bank, poll_ms: int) -> Estimate:
    """Return about how much room *bank* takes if each cell has a sensor of its own."""
    values = sum(2 * pack.cells + OTHER_VALUES for pack in bank.packs)
    raw_day = DAY_MS / poll_ms * values * RAW_BYTES / MB
    minute_day = 24 * 60 * 3 * values * BUCKET_BYTES / MB
    quarter_day = minute_day / 15
    batches = DAY_MS / max(spec.batch_ms, poll_ms)
    pages = batches * (BATCH_BYTES + PACK_BYTES * len(bank.packs)) / MB
    return Estimate(
        raw=raw_day * spec.raw_ms / DAY_MS,
        minutes=minute_day * spec.minute_ms / DAY_MS,
        quarters=quarter_day * spec.quarter_ms / DAY_MS,
        a_year=365 * (minute_day + quarter_day),
        written_a_day=pages + REWRITTEN * (raw_day + minute_day + quarter_day),
    )
