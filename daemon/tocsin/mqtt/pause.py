"""How long to wait before the next try to connect."""

from __future__ import annotations

import random

from tocsin.clock import stopwatch_s

SHORT_S = 10.0
SHORT_ROW = 5
TAKEN_WAIT_S = 60
"""After five connections in a row that lasted less than ten seconds, wait a minute:
somebody else bears our client id, and each of us throws the other out."""


class Pause:
    """Longer from try to try, jittered, and longest where our name is taken.

    Attributes:
        short: So many connections in a row lasted too short.
    """

    def __init__(self, seed: int | None) -> None:
        self._chance = random.Random(seed)  # noqa: S311 to spread reconnections
        self._up_s: float | None = None
        self.short = 0

    @property
    def is_taken(self) -> bool:
        """Return True while it looks as if another client bears our name."""
        return self.short >= SHORT_ROW

    def up(self) -> None:
        """Hear that a connection stands."""
        self._up_s = stopwatch_s()

    def down(self) -> bool:
        """Hear that a connection is over; return True if it had stood."""
        if self._up_s is None:
            return False
        is_short = stopwatch_s() - self._up_s < SHORT_S
        self.short, self._up_s = self.short + 1 if is_short else 0, None
        return True

    def bounds_s(self) -> tuple[int, int]:
        """Return the first pause and the longest."""
        if self.is_taken:
            return TAKEN_WAIT_S, TAKEN_WAIT_S * 2
        return 1, self._chance.randint(45, 75)
