"""Local time of day as the core knows it: told by an event, carried on by counting.

The core has no clock. ``LocalTime`` says what the time of day was at one moment; until
the next one it goes on with the daemon's own milliseconds. Before the first it is not
known, and what depends on it takes the careful side.
"""

from __future__ import annotations

from dataclasses import dataclass

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
MINUTE_MS = 60_000


def day_ms(local_ms: int | None, now_ms: int) -> int | None:
    """Return the ms since local midnight at *now_ms*; None while it is not known.

    *local_ms* is the time of day at the core's time 0, as `State.local_ms` keeps it.
    """
    return None if local_ms is None else (now_ms + local_ms) % DAY_MS


def until_ms(of_day_ms: int, day_now_ms: int) -> int:
    """Return the ms from *day_now_ms* to the next *of_day_ms*, 1 to a whole day."""
    return (of_day_ms - day_now_ms) % DAY_MS or DAY_MS


def clock_text(of_day_ms: int) -> str:
    """Return a time of day as in ``07:30``."""
    minutes = of_day_ms // MINUTE_MS
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """A part of every day, over midnight where *to_ms* is before *from_ms*.

    It begins with *from_ms* and has ended at *to_ms*; both in ms since local midnight.

    Raises:
        ValueError: a time is not of one day, or the two are equal.
    """

    from_ms: int
    to_ms: int

    def __post_init__(self) -> None:
        if not (0 <= self.from_ms < DAY_MS and 0 <= self.to_ms < DAY_MS):
            raise ValueError("hours are of one day, in ms from 0 to 86399999")
        if self.from_ms == self.to_ms:
            raise ValueError("hours must end at another time than they begin")

    def cover(self, at_day_ms: int) -> bool:
        """Return True while the hours last."""
        if self.from_ms < self.to_ms:
            return self.from_ms <= at_day_ms < self.to_ms
        return at_day_ms >= self.from_ms or at_day_ms < self.to_ms

    def edge_ms(self, at_day_ms: int) -> int:
        """Return the ms to their next beginning or end."""
        return min(until_ms(self.from_ms, at_day_ms), until_ms(self.to_ms, at_day_ms))

    def text(self) -> str:
        """Return the hours as in ``22:00-07:00``."""
        return f"{clock_text(self.from_ms)}-{clock_text(self.to_ms)}"
