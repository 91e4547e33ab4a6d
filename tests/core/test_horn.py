"""Horn patterns as data: against a slow model, and against signals that are taken.

Signals that must not be imitated, with their published times:
ISO 8201 (temporal-three, also NFPA 72): three pulses of 0.5 s on and 0.5 s off, each
within 10 %, then 1.5 s off, within 10 %.
NFPA 72 and UL 2034 (temporal-four, carbon monoxide): four pulses of 0.1 s on and
0.1 s off, then 5 s off; the pulse length is from memory.
Directive 92/58/EEC, annex: the evacuation signal is continuous.
Smoke alarms with an empty cell: one short chirp every 30 to 60 s (US Fire
Administration).
"""

from __future__ import annotations

from itertools import accumulate, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.horn import FAULT, PATTERNS, URGENT, WARNING, HornPattern, sound

HOURS_MS = 2 * 3_600_000

Train = list[tuple[int, int]]
"""(on, off) in ms, one a pulse; the last off is that before the next pulse."""

WHOLE_BURSTS = HornPattern(
    name="whole-bursts",
    pulses=((900, 300), (300, 1_100)),
    burst_ms=2_600,
    first_ms=5_200,
    then_ms=7_800,
    period_ms=60_000,
)
"""Its later sound ends just as a burst ends."""

each_pattern = pytest.mark.parametrize("pattern", PATTERNS, ids=lambda p: p.name)


def _starts(pattern: HornPattern, until_ms: int) -> list[int]:
    """Return when bursts begin, straight from the pattern's description."""
    starts = list(range(0, pattern.first_ms, pattern.burst_ms))
    for period_ms in range(pattern.first_ms, until_ms, pattern.period_ms):
        ends_ms = period_ms + pattern.then_ms
        starts += range(period_ms, ends_ms, pattern.burst_ms)
    return starts


def _described(pattern: HornPattern, until_ms: int) -> list[tuple[int, int]]:
    """Return (from, to) of every pulse, by writing the bursts one after another."""
    pulses: list[tuple[int, int]] = []
    for start_ms in _starts(pattern, until_ms):
        at_ms = start_ms
        for on_ms, off_ms in pattern.pulses:
            pulses.append((at_ms, at_ms + on_ms))
            at_ms += on_ms + off_ms
    return pulses


def _walked(pattern: HornPattern, until_ms: int) -> list[tuple[int, int]]:
    """Return (from, to) of every pulse, going from one promised edge to the next."""
    pulses: list[tuple[int, int]] = []
    at_ms, was_on = 0, False
    while at_ms < until_ms:
        is_on, edge_ms = sound(pattern, at_ms)
        assert edge_ms > 0
        assert is_on is not was_on, at_ms
        if is_on and not was_on:
            pulses.append((at_ms, at_ms))
        if is_on:
            pulses[-1] = (pulses[-1][0], at_ms + edge_ms)
        at_ms, was_on = at_ms + edge_ms, is_on
    return pulses


def _train(pulses: list[tuple[int, int]]) -> Train:
    return [(end - start, after - end) for (start, end), (after, _) in pairwise(pulses)]


@pytest.mark.parametrize(
    "pattern", [*PATTERNS, WHOLE_BURSTS], ids=lambda pattern: pattern.name
)
def test_over_hours_the_sound_is_what_the_pattern_describes(
    pattern: HornPattern,
) -> None:
    described = [p for p in _described(pattern, HOURS_MS) if p[0] < HOURS_MS]
    walked = [p for p in _walked(pattern, HOURS_MS) if p[0] < HOURS_MS]
    assert walked == described


@pytest.mark.parametrize(
    "pattern", [*PATTERNS, WHOLE_BURSTS], ids=lambda pattern: pattern.name
)
def test_at_every_tenth_of_a_second_the_level_is_the_described_one(
    pattern: HornPattern,
) -> None:
    pulses = _described(pattern, HOURS_MS)
    loud = {t for a, b in pulses for t in range(a - a % -100, b, 100)}
    for at_ms in range(0, HOURS_MS, 100):
        assert sound(pattern, at_ms)[0] is (at_ms in loud), at_ms


@each_pattern
def test_the_level_stays_until_the_promised_edge_and_turns_then(
    pattern: HornPattern,
) -> None:
    for at_ms in (0, pattern.first_ms, pattern.first_ms + 7 * pattern.period_ms):
        for start_ms, end_ms in _described(pattern, pattern.burst_ms)[:2]:
            for ms in range(at_ms + start_ms, at_ms + end_ms):
                assert sound(pattern, ms) == (True, at_ms + end_ms - ms)
            assert sound(pattern, at_ms + end_ms)[0] is False


@each_pattern
@given(st.data())
def test_before_the_promised_edge_nothing_changes_and_at_it_the_level_does(
    pattern: HornPattern, data: st.DataObject
) -> None:
    at_ms = data.draw(st.integers(0, HOURS_MS))
    is_on, edge_ms = sound(pattern, at_ms)
    within_ms = data.draw(st.integers(0, edge_ms - 1))
    assert sound(pattern, at_ms + within_ms) == (is_on, edge_ms - within_ms)
    assert sound(pattern, at_ms + edge_ms)[0] is not is_on


# --- signals that are taken ---------------------------------------------------------


def _near(value_ms: int, wanted_ms: int, percent: int) -> bool:
    return abs(value_ms - wanted_ms) * 100 <= wanted_ms * percent


def _is_temporal(
    train: Train, *, pulses: int, on_ms: int, off_ms: int, pause_ms: int, percent: int
) -> bool:
    """Recognise one cycle of so many equal pulses and a pause, anywhere in a train."""
    gaps = [off_ms] * (pulses - 1) + [pause_ms]
    return any(
        all(
            _near(on, on_ms, percent) and _near(off, gap, percent)
            for (on, off), gap in zip(train[i : i + pulses], gaps, strict=True)
        )
        for i in range(len(train) - pulses + 1)
    )


def _is_temporal_three(train: Train) -> bool:
    """Twice the tolerance of ISO 8201, so that near misses count as well."""
    return _is_temporal(
        train, pulses=3, on_ms=500, off_ms=500, pause_ms=1_500, percent=20
    )


def _is_temporal_four(train: Train) -> bool:
    """With tolerance for a detector's clock, and any pause that a unit may use."""
    return any(
        _is_temporal(
            train, pulses=4, on_ms=100, off_ms=100, pause_ms=pause_ms, percent=50
        )
        for pause_ms in (5_000, 60_000)
    )


def _is_continuous(train: Train) -> bool:
    """Anything that an ear takes for one long tone: 2 s, or gaps below 100 ms."""
    return any(on >= 2_000 or off < 100 for on, off in train)


def _is_chirp(train: Train) -> bool:
    """A short pulse on its own, with seconds of nothing at both sides of it."""
    return any(
        before >= 2_000 and on <= 1_000 and after >= 2_000
        for (_, before), (on, after) in pairwise(train)
    )


TAKEN = {
    "temporal-three": (_is_temporal_three, [(500, 500), (500, 500), (500, 1_500)]),
    "temporal-four": (_is_temporal_four, [(100, 100)] * 3 + [(100, 5_000)]),
    "continuous": (_is_continuous, [(60_000, 500)]),
    "chirp": (_is_chirp, [(100, 45_000)]),
}


@pytest.mark.parametrize("name", TAKEN)
def test_the_recogniser_knows_the_real_signal(name: str) -> None:
    recognises, real = TAKEN[name]
    assert recognises(real * 3)


@pytest.mark.parametrize("percent", [-10, 10])
def test_the_recogniser_knows_temporal_three_at_the_ends_of_its_tolerance(
    percent: int,
) -> None:
    real = [(500, 500), (500, 500), (500, 1_500)] * 3
    stretched = [(on * (100 + percent) // 100, off) for on, off in real]
    assert _is_temporal_three(stretched)


@pytest.mark.parametrize("name", TAKEN)
@each_pattern
def test_no_pattern_can_be_taken_for_another_signal(
    pattern: HornPattern, name: str
) -> None:
    recognises, _ = TAKEN[name]
    train = _train(_walked(pattern, HOURS_MS))
    assert len(train) > 10
    assert not recognises(train)


@each_pattern
def test_every_burst_has_two_pulses(pattern: HornPattern) -> None:
    starts = _starts(pattern, HOURS_MS)
    pulses = _walked(pattern, starts[-1])
    for start_ms, after_ms in pairwise(starts):
        assert sum(start_ms <= on_ms < after_ms for on_ms, _ in pulses) == 2


@pytest.mark.parametrize("pattern", [URGENT, WARNING], ids=lambda p: p.name)
def test_the_pulses_of_a_warning_are_uneven(pattern: HornPattern) -> None:
    (long_ms, _), (short_ms, _) = pattern.pulses
    assert long_ms >= 2 * short_ms


@each_pattern
def test_a_burst_begun_is_finished_before_another_begins(pattern: HornPattern) -> None:
    *_, end_ms = accumulate(on + off for on, off in pattern.pulses)
    assert end_ms <= pattern.burst_ms
    assert all(b - a >= end_ms for a, b in pairwise(_starts(pattern, HOURS_MS)))


def test_the_more_urgent_pattern_sounds_more_often() -> None:
    loud_ms = [
        sum(to - start for start, to in _described(pattern, HOURS_MS))
        for pattern in (URGENT, WARNING, FAULT)
    ]
    assert loud_ms == sorted(loud_ms, reverse=True)
    assert loud_ms[0] > 2 * loud_ms[1] > 2 * loud_ms[2] > 0
