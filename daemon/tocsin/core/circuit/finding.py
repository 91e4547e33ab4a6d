"""What a check of a circuit says: a verdict, a sentence, what to change, from where."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

SLACK = 1e-9
"""Relative; so much over a limit is rounding, not too much."""


class Verdict(StrEnum):
    """How a circuit stands; what comes later is worse."""

    FINE = "fine"
    UNKNOWN = "unknown"
    DOUBTFUL = "doubtful"
    UNSAFE = "unsafe"

    @property
    def rank(self) -> int:
        """Return 0 for fine and more for worse."""
        return list(Verdict).index(self)


class Check(StrEnum):
    """What is looked at, in the order of the page."""

    DROP = "volt drop"
    VOLTS = "volts at the load"
    AMPACITY = "cable"
    FUSE = "fuse"
    FUSE_BREAKS = "fuse, fault current"
    CONTACT = "contact"
    DIRECTION = "direction"
    PIN = "pin current"
    RAIL = "3.3 V rail"
    BOOT = "level at boot"
    FLYBACK = "coil suppression"
    LOAD_FLYBACK = "load suppression"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One check, judged.

    Attributes:
        key: The key of the circuit's table that the verdict hangs on most.
        says: One sentence.
        change: What to change or to say; empty where all is fine.
        source: Where formula and limit were published.
        figures: What was worked out, as (name with unit, value) pairs.
    """

    check: Check
    verdict: Verdict
    key: str
    says: str
    change: str = ""
    source: str = ""
    figures: tuple[tuple[str, float], ...] = ()

    @property
    def wrong(self) -> str:
        """Return verdict, check and sentence, as a doubt about a site file."""
        return f"{self.verdict} ({self.check}): {self.says}"


def unknown(check: Check, *missing: str, why: str = "") -> Finding:
    """Return the finding of a check that lacks the keys *missing*."""
    many = "a figure is missing" if len(missing) == 1 else "figures are missing"
    return Finding(
        check=check,
        verdict=Verdict.UNKNOWN,
        key=missing[0],
        says=f"{many}, {why}" if why else many,
        change=f"say {listed(missing)}",
    )


def listed(words: tuple[str, ...]) -> str:
    """Return *words* as people list them: ``a, b and c``."""
    *head, last = words
    return f"{', '.join(head)} and {last}" if head else last


def absent(circuit: object, *keys: str) -> tuple[str, ...]:
    """Return those of *keys* that *circuit* does not state."""
    return tuple(key for key in keys if getattr(circuit, key) is None)


def over(value: float, limit: float) -> bool:
    """Return True if *value* is above *limit* by more than rounding."""
    return value > limit + SLACK * abs(limit)


def worst(findings: tuple[Finding, ...]) -> Verdict:
    """Return the worst verdict; unknown where nothing was looked at."""
    ranked = sorted((f.verdict for f in findings), key=lambda v: v.rank)
    return ranked[-1] if ranked else Verdict.UNKNOWN
