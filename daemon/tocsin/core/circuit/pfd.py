"""How likely an output fails on demand, estimated from stated failure rates.

No SIL is claimed: IEC 61508 asks for the whole life cycle, not for one number.
"""

from __future__ import annotations

from dataclasses import dataclass

HOURS_A_YEAR = 8_760
HOURS_A_MONTH = HOURS_A_YEAR / 12

MOST_PFD = 0.1
"""Worse than this, fewer than nine of ten demands are met; an alarm with a person
behind it is credited with no better than 0.1 (UK LOPA guidance)."""

SOURCE = (
    "IEC 61508-6, one channel: C lambda T / 2 + (1 - C) lambda L / 2, with lambda "
    "dangerous and undetected"
)

CAVEAT = (
    "An estimate from the failure rates that were stated. No SIL is claimed: IEC 61508 "
    "asks for the whole life cycle. Near its due date an output is about twice as "
    "likely to fail."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reliability:
    """The chain of one output.

    Attributes:
        parts: (name, dangerous undetected failures an hour) pairs.
        proof_test_h: Hours from one proof test to the next.
        coverage: Share of those failures that the test finds, 0 to 1.
        life_h: Hours until all is replaced, which finds the rest.
    """

    parts: tuple[tuple[str, float], ...]
    proof_test_h: float
    coverage: float
    life_h: float

    @property
    def rate_h(self) -> float:
        """Return the failures an hour of the whole chain: its parts in series."""
        return sum(rate for _, rate in self.parts)

    @property
    def tested(self) -> float:
        """Return the part of the estimate that testing more often makes smaller."""
        return self.coverage * self.rate_h * self.proof_test_h / 2

    @property
    def untested(self) -> float:
        """Return the part that no test finds."""
        return (1 - self.coverage) * self.rate_h * self.life_h / 2

    @property
    def pfd_avg(self) -> float:
        """Return the mean probability of failure on demand, at most 1."""
        return min(1.0, self.tested + self.untested)

    @property
    def pfd_end(self) -> float:
        """Return the probability just before a test, at the end of the life."""
        return min(1.0, 2 * (self.tested + self.untested))

    @property
    def weakest(self) -> str:
        """Return the name of the part that fails most often."""
        return max(self.parts, key=lambda part: part[1])[0]
