"""The horn as the core plays it: which pattern, the hourly limit, silence."""

from __future__ import annotations

from typing import Any

import pytest

from core_builders import Player, command, low_rule, output, reading, rule, site
from tocsin.core.events import Event, Tick, Trouble, Verb
from tocsin.core.horn import FAULT, URGENT, WARNING, HornPattern, sound
from tocsin.core.rules import Measure, Priority, Role
from tocsin.core.site import Timing

HIGH = (3_300, 3_650, 3_300, 3_300)
LOW = (3_300, 2_900, 3_300, 3_300)
BOTH = (3_300, 2_900, 3_650, 3_300)
HOUR_MS = 3_600_000
START_MS = 1_000

TROUBLE = rule("trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0)
LOST = rule(
    "lost", measure=Measure.DATA_AGE, trip_at=8_000, clear_at=0, is_data_loss=True
)


def _player(cap_ms: int = HOUR_MS, **changes: Any) -> Player:
    """A low cell is urgent, a high cell a warning; readings never go stale."""
    of = site(
        low_rule(),
        rule(),
        TROUBLE,
        rule("hot", measure=Measure.HOTTEST, trip_at=500, clear_at=450),
        rule(
            "spread",
            measure=Measure.CELL_SPREAD,
            trip_at=10,
            clear_at=5,
            priority=Priority.LOW,
        ),
        outputs=[output("horn", Role.HORN, **changes)],
        timing=Timing(good_scans=1, stale_ms=10**9, horn_cap_ms=cap_ms),
    )
    player = Player(of)
    player.play(reading(0))
    return player


def _played_ms(player: Player, until_ms: int) -> int:
    """Go from wake to wake as the shell does; return how long the horn sounded."""
    loud_ms = 0
    while (at_ms := player.state.now_ms) < until_ms:
        wake_ms = player.outcomes[-1].wake_at_ms
        to_ms = min(until_ms, until_ms if wake_ms is None else wake_ms)
        if player.level("horn"):
            loud_ms += to_ms - at_ms
        player.tick(to_ms)
    return loud_ms


URGENT_STORY = [reading(START_MS, *LOW)]
WARNING_STORY = [reading(START_MS, *HIGH)]
FAULT_STORY = [Trouble(at_ms=START_MS, part="mqtt", reason="refused")]


@pytest.mark.parametrize(
    ("story", "pattern"),
    [(URGENT_STORY, URGENT), (WARNING_STORY, WARNING), (FAULT_STORY, FAULT)],
    ids=["high priority", "medium priority", "trouble"],
)
def test_the_horn_follows_its_pattern_from_the_moment_of_the_alarm(
    story: list[Any], pattern: HornPattern
) -> None:
    player = _player()
    player.play(*story)
    for at_ms in range(START_MS, START_MS + 400_000, 100):
        player.tick(at_ms)
        assert player.level("horn") is sound(pattern, at_ms - START_MS)[0], at_ms
        assert player.outcomes[-1].demands[0].called


def test_lost_data_sounds_as_a_fault() -> None:
    player = Player(site(LOST, outputs=[output("horn", Role.HORN)]))
    player.play(reading(0), Tick(at_ms=8_000))
    assert player.level("horn")
    assert player.outcomes[-1].wake_at_ms == 8_000 + FAULT.pulses[0][0]


def test_the_most_urgent_alarm_is_the_one_that_is_heard() -> None:
    player = _player()
    player.play(*WARNING_STORY, reading(30_000, *BOTH))
    assert player.because("horn") == ("low-cell", "high-cell")
    for at_ms in range(30_000, 60_000, 50):
        player.tick(at_ms)
        assert player.level("horn") is sound(URGENT, at_ms - 30_000)[0]


def test_a_low_priority_alarm_makes_no_sound() -> None:
    player = _player()
    player.play(reading(START_MS, 3_300, 3_320, 3_300, 3_300))
    assert player.alarm("spread") == "unacknowledged"
    assert not player.level("horn")
    assert _played_ms(player, HOUR_MS) == 0


@pytest.mark.parametrize("verb", [Verb.ACKNOWLEDGE, Verb.SHELVE, Verb.REMOVE])
def test_an_alarm_seen_or_hidden_stops_sounding(verb: Verb) -> None:
    player = _player()
    player.play(*URGENT_STORY)
    assert player.level("horn")
    player.play(command(1_100, verb, "low-cell", for_ms=HOUR_MS))
    assert not player.level("horn")
    assert _played_ms(player, HOUR_MS) == 0


def test_an_alarm_that_is_gone_stops_sounding() -> None:
    player = _player()
    player.play(*URGENT_STORY, reading(1_500))
    assert _played_ms(player, HOUR_MS) == 0


# --- at most so long in an hour -----------------------------------------------------

FIRST_BURSTS_MS = 23 * (900 + 300)
"""Of the urgent pattern, in its first 59.8 s."""


@pytest.mark.parametrize(
    ("cap_ms", "heard_ms", "is_over"),
    [
        (FIRST_BURSTS_MS - 1, FIRST_BURSTS_MS - 1, True),
        (FIRST_BURSTS_MS, FIRST_BURSTS_MS, True),
        (FIRST_BURSTS_MS + 1, FIRST_BURSTS_MS, False),
    ],
)
def test_the_horn_sounds_no_longer_than_its_limit(
    cap_ms: int, heard_ms: int, *, is_over: bool
) -> None:
    player = _player(cap_ms)
    player.play(*URGENT_STORY)
    assert _played_ms(player, START_MS + 59_000) == heard_ms
    assert ("horn-hourly-limit" in player.because("horn")) is is_over
    assert player.outcomes[-1].demands[0].called


def test_over_its_limit_the_horn_waits_for_the_next_hour() -> None:
    player = _player(10_000)
    player.play(*URGENT_STORY)
    assert _played_ms(player, HOUR_MS - 1) == 10_000
    assert player.outcomes[-1].wake_at_ms == HOUR_MS
    assert _played_ms(player, 2 * HOUR_MS) == 10_000
    assert _played_ms(player, 3 * HOUR_MS) == 10_000


def test_a_pulse_over_the_full_hour_counts_for_both_hours() -> None:
    player = _player(600)
    player.play(reading(HOUR_MS - 400, *LOW))
    assert _played_ms(player, HOUR_MS) == 400
    assert _played_ms(player, HOUR_MS + 500) == 500
    assert _played_ms(player, 2 * HOUR_MS) == 100


def test_the_limit_counts_the_same_however_often_the_shell_asks() -> None:
    rare, often = _player(10_000), _player(10_000)
    rare.play(*URGENT_STORY)
    often.play(*URGENT_STORY)
    for at_ms in range(START_MS, 100_000, 130):
        often.tick(at_ms)
    rare.tick(often.state.now_ms)
    assert rare.state == often.state


# --- silence ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked_ms", "is_called"), [(61_999, False), (62_000, True), (62_001, True)]
)
def test_silence_ends_at_its_moment(asked_ms: int, *, is_called: bool) -> None:
    player = _player()
    player.play(*URGENT_STORY, command(2_000, Verb.SILENCE, for_ms=60_000))
    assert not player.level("horn")
    assert player.outcomes[-1].wake_at_ms == 62_000
    player.tick(asked_ms)
    assert player.outcomes[-1].demands[0].called is is_called


@pytest.mark.parametrize("first_ms", [30_000, 600_000], ids=["longer", "shorter"])
@pytest.mark.parametrize(
    ("asked_ms", "is_called"), [(62_999, False), (63_000, True), (63_001, True)]
)
def test_a_second_silence_takes_the_place_of_the_first(
    first_ms: int, asked_ms: int, *, is_called: bool
) -> None:
    player = _player()
    player.play(*URGENT_STORY, command(2_000, Verb.SILENCE, for_ms=first_ms))
    player.play(command(3_000, Verb.SILENCE, for_ms=60_000))
    assert player.outcomes[-1].wake_at_ms == 63_000
    player.tick(asked_ms)
    assert player.outcomes[-1].demands[0].called is is_called


def test_silence_does_not_acknowledge() -> None:
    player = _player()
    player.play(*URGENT_STORY, command(2_000, Verb.SILENCE))
    assert player.alarm("low-cell") == "unacknowledged"


def test_a_new_alarm_sounds_despite_silence() -> None:
    player = _player()
    player.play(*WARNING_STORY, command(2_000, Verb.SILENCE, for_ms=60_000))
    player.play(reading(3_000, *BOTH))
    assert player.level("horn")
    assert player.because("horn") == ("low-cell",)


@pytest.mark.parametrize(
    ("raised_ms", "is_heard"), [(1_999, False), (2_000, False), (2_001, True)]
)
def test_an_alarm_is_new_if_it_was_raised_after_the_silence(
    raised_ms: int, *, is_heard: bool
) -> None:
    player = _player()
    silence = command(2_000, Verb.SILENCE, for_ms=60_000)
    events: list[Event] = [reading(raised_ms, *LOW), silence]
    player.play(*sorted(events, key=lambda event: event.at_ms))
    assert player.level("horn") is is_heard


@pytest.mark.parametrize(
    ("asked_ms", "why"),
    [
        (61_999, ("trouble",)),
        (62_000, ("low-cell", "trouble")),
        (62_001, ("low-cell", "trouble")),
    ],
)
def test_a_silenced_alarm_sounds_again_at_its_moment_beside_a_lesser_one(
    asked_ms: int, why: tuple[str, ...]
) -> None:
    player = _player()
    player.play(*URGENT_STORY, command(2_000, Verb.SILENCE, for_ms=60_000))
    player.play(Trouble(at_ms=3_000, part="mqtt", reason="refused"))
    while (wake_ms := player.outcomes[-1].wake_at_ms or asked_ms) <= asked_ms:
        player.tick(wake_ms)
    assert player.because("horn") == why
