"""What an output has done in its life; kept over a restart, unlike the rest of it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Totals of one output, and moments of it in the core's time (before 0 as well).

    Attributes:
        operations: How often it was energised: one wear cycle of a relay each.
        run_ms: A generator's confirmed running; a heater's time on.
        starts: A generator's attempts to start.
        failed: Of them, those in a row that came to nothing.
        locked: It will not try again until a person resets it.
        stopped_ms: When a generator last stopped; None if never.
        ran_ms: When its last whole run ended; None if never.
        tested_ms: When a horn last tested itself; None if never.
    """

    operations: int = 0
    run_ms: int = 0
    starts: int = 0
    failed: int = 0
    locked: bool = False
    stopped_ms: int | None = None
    ran_ms: int | None = None
    tested_ms: int | None = None

    def joined(self, before: Counts) -> Counts:
        """Return these counts with those of earlier runs added."""
        return Counts(
            operations=self.operations + before.operations,
            run_ms=self.run_ms + before.run_ms,
            starts=self.starts + before.starts,
            failed=self.failed + before.failed,
            locked=self.locked or before.locked,
            stopped_ms=_later(self.stopped_ms, before.stopped_ms),
            ran_ms=_later(self.ran_ms, before.ran_ms),
            tested_ms=_later(self.tested_ms, before.tested_ms),
        )


def _later(one_ms: int | None, other_ms: int | None) -> int | None:
    if one_ms is None or other_ms is None:
        return one_ms if other_ms is None else other_ms
    return max(one_ms, other_ms)
