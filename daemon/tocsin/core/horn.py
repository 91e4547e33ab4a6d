"""Horn patterns as data, and the level of a pattern at a moment.

Every burst has exactly two pulses, uneven in the warnings, so that none can be taken
for ISO 8201's temporal-three evacuation signal (three equal pulses of 0.5 s, then
1.5 s), the temporal-four carbon monoxide signal (four of 0.1 s, then 5 s), a
continuous evacuation tone (Directive 92/58/EEC), or the single chirp of a smoke alarm
with an empty cell. The rhythm itself is our own; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class HornPattern:
    """A burst of pulses, how often at first, and how often later.

    Attributes:
        pulses: (on, off) pairs of one burst, in ms.
        burst_ms: From the start of one burst to the start of the next.
        first_ms: How long bursts follow each other at first.
        then_ms: How long they do in each later period (a burst begun is finished).
        period_ms: Length of a later period.
    """

    name: str
    pulses: tuple[tuple[int, int], ...]
    burst_ms: int
    first_ms: int
    then_ms: int
    period_ms: int


URGENT = HornPattern(
    name="urgent",
    pulses=((900, 300), (300, 1_100)),
    burst_ms=2_600,
    first_ms=59_800,
    then_ms=15_000,
    period_ms=60_000,
)
WARNING = HornPattern(
    name="warning",
    pulses=((900, 300), (300, 1_100)),
    burst_ms=15_000,
    first_ms=120_000,
    then_ms=1,
    period_ms=300_000,
)
FAULT = HornPattern(
    name="fault",
    pulses=((300, 300), (300, 300)),
    burst_ms=300_000,
    first_ms=300_000,
    then_ms=1,
    period_ms=300_000,
)
TEST = HornPattern(
    name="test",
    pulses=((600, 300), (300, 300)),
    burst_ms=1_500,
    first_ms=1_500,
    then_ms=0,
    period_ms=86_400_000,
)
"""A test, by itself or by a person: one burst, shorter than a warning's, once."""

TEST_MS = sum(on + off for on, off in TEST.pulses)

PATTERNS = (URGENT, WARNING, FAULT)
"""Loudest claim first."""


def sound(pattern: HornPattern, elapsed_ms: int) -> tuple[bool, int]:
    """Return the level *elapsed_ms* after the start, and ms until it may change."""
    into, next_burst = _into_burst(pattern, elapsed_ms)
    at = 0
    for on_ms, off_ms in pattern.pulses:
        if into < at + on_ms:
            return True, at + on_ms - into
        at += on_ms + off_ms
        if into < at < sum(on + off for on, off in pattern.pulses):
            return False, at - into
    return False, next_burst


def _into_burst(pattern: HornPattern, elapsed_ms: int) -> tuple[int, int]:
    """Return how far into a burst we are (or past it), and ms to the next one."""
    if elapsed_ms < pattern.first_ms:
        into = elapsed_ms % pattern.burst_ms
        return into, pattern.burst_ms - into
    into_period = (elapsed_ms - pattern.first_ms) % pattern.period_ms
    into = into_period % pattern.burst_ms
    to_period = pattern.period_ms - into_period
    if into_period - into >= pattern.then_ms:
        return pattern.burst_ms, to_period
    following = into_period - into + pattern.burst_ms
    if following < pattern.then_ms:
        return into, pattern.burst_ms - into
    return into, to_period
