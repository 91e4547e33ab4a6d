"""An hour of the horn as the core plays it, against signals that are taken.

Published times: ISO 8201 and NFPA 72, three pulses of 0.5 s on and 0.5 s off, each
within 10 %, then 1.5 s off within 10 %; NFPA 72 and UL 2034, four pulses of 0.1 s on,
0.1 s off, then 5 s off, and 60 s after four minutes (pulse length, 60 s from memory);
Directive 92/58/EEC: the evacuation signal is continuous.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from core_builders import Player, local, low_rule, output, reading, rule, site
from tocsin.core.events import Event, Trouble
from tocsin.core.hours import HOUR_MS
from tocsin.core.rules import Measure, Role
from tocsin.core.site import Timing

WELL = (3_300,) * 4
LOW = (3_300, 2_900, 3_300, 3_300)
HIGH = (3_300, 3_650, 3_300, 3_300)
BOTH = (3_300, 2_900, 3_650, 3_300)
STEP_MS = 50

Train = list[tuple[int, int]]
"""(on, off) in ms of every pulse as it is sampled."""


def _site() -> Player:
    of = site(
        low_rule(),
        rule(),
        rule("trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0),
        outputs=[output("horn", Role.HORN, test_at_ms=12 * HOUR_MS + 600_000)],
        timing=Timing(good_scans=1, stale_ms=10**9, horn_cap_ms=HOUR_MS),
    )
    return Player(of)


def _sampled(events: list[Event], until_ms: int = HOUR_MS) -> Train:
    """Listen for an hour, or less, every 50 ms."""
    player = _site()
    player.play(local(0, 12), reading(0))
    waiting, levels = list(events), list[bool]()
    for at_ms in range(0, until_ms, STEP_MS):
        while waiting and waiting[0].at_ms <= at_ms:
            player.play(waiting.pop(0))
        wake_ms = player.outcomes[-1].wake_at_ms
        if wake_ms is not None and wake_ms <= at_ms:
            player.tick(at_ms)
            player.outcomes = player.outcomes[-1:]
        levels.append(player.level("horn"))
    return _train(levels)


def _train(levels: list[bool]) -> Train:
    edges = [i for i, (a, b) in enumerate(pairwise([False, *levels])) if a is not b]
    starts = edges[::2]
    return [
        ((off - on) * STEP_MS, (after - off) * STEP_MS)
        for on, off, after in zip(starts, edges[1::2], starts[1:], strict=False)
    ]


def _within(value_ms: int, wanted_ms: int, percent: int) -> bool:
    """Sampling may add a step on either side."""
    return abs(value_ms - wanted_ms) <= wanted_ms * percent / 100 + STEP_MS


def is_taken(train: Train) -> str:
    """Return which signal of others is in *train*; empty if none."""
    for name, pulses, on_ms, off_ms, pauses_ms, percent in (
        ("temporal-three", 3, 500, 500, (1_500,), 10),
        ("temporal-four", 4, 100, 100, (5_000, 60_000), 10),
    ):
        for i in range(len(train) - pulses + 1):
            part = train[i : i + pulses]
            is_pulsed = all(_within(on, on_ms, percent) for on, _ in part)
            is_gapped = all(_within(off, off_ms, percent) for _, off in part[:-1])
            last_ms = part[-1][1]
            ends = any(_within(last_ms, pause, percent) for pause in pauses_ms)
            if is_pulsed and is_gapped and ends:
                return name
    return "continuous" if any(on >= 2_000 for on, _ in train) else ""


def _alternating(first: Event, second: Event, every_ms: int) -> list[Event]:
    """Return two alarms that come and go in turn for an hour."""
    events: list[Event] = []
    for i, at_ms in enumerate(range(1_000, HOUR_MS, every_ms)):
        events.append(replace((first, second)[i % 2], at_ms=at_ms))
    return events


SICK = Trouble(at_ms=0, part="mqtt", reason="refused")
FINE = Trouble(at_ms=0, part="mqtt", reason="")
STORIES: dict[str, list[Event]] = {
    "urgent": [reading(1_000, *LOW)],
    "warning": [reading(1_000, *HIGH)],
    "fault": [Trouble(at_ms=1_000, part="mqtt", reason="refused")],
    "self-test alone": [],
    "both at once": [reading(1_000, *BOTH)],
}
PAIRS: dict[str, tuple[Event, Event]] = {
    "urgent and warning": (reading(0, *LOW), reading(0, *HIGH)),
    "urgent and quiet": (reading(0, *LOW), reading(0, *WELL)),
    "warning and quiet": (reading(0, *HIGH), reading(0, *WELL)),
    "fault and quiet": (SICK, FINE),
    "warning and urgent beside it": (reading(0, *HIGH), reading(0, *BOTH)),
}


@pytest.mark.parametrize("name", STORIES)
def test_an_hour_of_each_alarm_matches_no_signal_of_others(name: str) -> None:
    train = _sampled(STORIES[name])
    assert train, "it was heard"
    assert is_taken(train) == ""


@pytest.mark.parametrize(
    ("every_ms", "until_ms"), [(500, 120_000), (1_500, 300_000), (7_300, HOUR_MS)]
)
@pytest.mark.parametrize("name", PAIRS)
def test_two_alarms_in_turn_match_none_either(
    name: str, every_ms: int, until_ms: int
) -> None:
    train = _sampled(_alternating(*PAIRS[name], every_ms), until_ms)
    assert is_taken(train) == ""


def _levels(*spans_ms: int) -> list[bool]:
    """Return samples of on and off in turn."""
    return [
        i % 2 == 0 for i, span in enumerate(spans_ms) for _ in range(span // STEP_MS)
    ]


@pytest.mark.parametrize(
    ("signal", "name"),
    [
        ((500, 500, 500, 500, 500, 1_500) * 2, "temporal-three"),
        ((550, 450, 450, 550, 500, 1_600) * 2, "temporal-three"),
        ((100, 100) * 3 + (100, 5_000, 100, 100), "temporal-four"),
        ((100, 100) * 3 + (100, 60_000, 100, 100), "temporal-four"),
        ((3_000, 500, 500, 500), "continuous"),
    ],
)
def test_the_ear_of_this_test_knows_the_real_ones(
    signal: tuple[int, ...], name: str
) -> None:
    assert is_taken(_train(_levels(*signal))) == name
