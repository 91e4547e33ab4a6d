"""What a forecast says."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

FAR_MS = 86_400_000
"""A day: further ahead nothing is foretold, and no cut-off is foreseen."""


TOO_NEW = "this pack is not known long enough"
"""The reason of a forecast that cannot be made yet."""


class Limit(StrEnum):
    """Which limit is foretold.

    Low and high cut-off, too cold and too hot to charge, too hot to discharge.
    """

    LOW = "low"
    HIGH = "high"
    COLD = "cold"
    HOT = "hot"
    HOT_LOAD = "hot-load"

    @property
    def is_warmth(self) -> bool:
        """Return True if a sensor gets there, not a cell."""
        return self in {Limit.COLD, Limit.HOT, Limit.HOT_LOAD}


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Time to the next cut-off of one pack, and why.

    One in twenty futures ends before *early_ms*, one in two before *likely_ms*, all but
    one in twenty before *late_ms*. `FAR_MS` means that none is foreseen within a day;
    None, that nothing can be said yet, and *reason* says why.

    Attributes:
        part: Cell or sensor, counted from 1, that gets there first; empty if unknown.
        surge_ma: For the low side, the largest load that is still safe for a burst of
            the length seen lately; None if no burst is to be expected.
        surge_permille: How many futures end with such a burst, if it comes soon.
        reason: Why nothing is said, or why the band is wider than it was.
        drawn_ma: Mean load that a cut-off was told with; negative while charging.
        relief_ms: How much longer it would last with half of that load; for the hot
            limits, with half of the current.
    """

    limit: Limit
    part: str = ""
    early_ms: int | None = None
    likely_ms: int | None = None
    late_ms: int | None = None
    reason: str = ""
    surge_ma: int | None = None
    surge_permille: int = 0
    drawn_ma: int | None = None
    relief_ms: int | None = None


def far(limit: Limit, reason: str) -> Forecast:
    """Return the forecast that foresees no cut-off, and why."""
    return Forecast(
        limit=limit, early_ms=FAR_MS, likely_ms=FAR_MS, late_ms=FAR_MS, reason=reason
    )


def spread(limit: Limit, seconds: list[float], part: str, reason: str = "") -> Forecast:
    """Return the forecast of the futures *seconds*, each the time to a cut-off."""
    futures = sorted(min(s * 1000, FAR_MS) for s in seconds)
    count = len(futures)
    return Forecast(
        limit=limit,
        part=part,
        early_ms=round(futures[count // 20]),
        likely_ms=round(futures[count // 2]),
        late_ms=round(futures[min(count - 1, count * 19 // 20)]),
        reason=reason,
    )
