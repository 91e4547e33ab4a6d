"""The life of an alarm against ANSI/ISA-18.2-2016 and IEC 62682, states A to F.

A normal, B unacknowledged, C acknowledged, D returned to normal unacknowledged,
E latched unacknowledged, F latched acknowledged; the letters are from memory. The
standards leave open whether a latched alarm whose cause comes back asks again; here
it does.
"""

from __future__ import annotations

import pytest

from core_builders import Player, command, low_rule, reading, rule, site
from tocsin.core.alarm import TRANSITIONS, Alarm, AlarmState, Trigger
from tocsin.core.events import Trouble, Verb
from tocsin.core.rules import Measure
from tocsin.core.site import Timing

LETTERS = dict(zip("ABCDEFGHI", AlarmState, strict=True))

STANDARD = """
state  RAISED  RETURNED  RETURNED_LATCHING  ACKNOWLEDGED  RESET  REALARMED
A      B       A         A                  A             A      A
B      B       D         E                  C             B      B
C      C       A         F                  C             C      B
D      B       D         D                  A             D      D
E      B       E         E                  F             E      E
F      B       F         F                  F             A      F
"""


def _moves() -> list[tuple[str, str, str]]:
    head, *rows = (line.split() for line in STANDARD.strip().splitlines())
    return [
        (row[0], trigger, to)
        for row in rows
        for trigger, to in zip(head[1:], row[1:], strict=True)
    ]


@pytest.mark.parametrize(("start", "trigger", "end"), _moves())
def test_every_state_answers_every_trigger_as_the_standard_says(
    start: str, trigger: str, end: str
) -> None:
    alarm = Alarm(index=0, subject="left", base=LETTERS[start], since_ms=5)
    moved = alarm.moved(Trigger[trigger], 9)
    assert moved.base is LETTERS[end]
    assert moved.since_ms == (5 if start == end else 9)


def test_the_table_of_the_standard_names_every_pair() -> None:
    named = {(LETTERS[start], Trigger[trigger]) for start, trigger, _ in _moves()}
    bases = list(AlarmState)[:6]
    assert named == {(base, trigger) for base in bases for trigger in Trigger}
    assert set(TRANSITIONS) <= named


HIGH = (3_300, 3_650, 3_300, 3_300)
BETWEEN = (3_300, 3_500, 3_300, 3_300)
NORMAL = (3_300, 3_300, 3_300, 3_300)


@pytest.mark.parametrize(
    ("asked_ms", "state"),
    [(2_999, "normal"), (3_000, "unacknowledged"), (3_001, "unacknowledged")],
)
def test_an_alarm_is_raised_when_its_on_delay_has_passed(
    asked_ms: int, state: str
) -> None:
    player = Player(site(rule(on_delay_ms=2_000)))
    player.play(reading(0), reading(1_000, *HIGH))
    player.tick(asked_ms)
    assert player.alarm("high-cell") == state


@pytest.mark.parametrize(
    ("asked_ms", "state"),
    [
        (5_999, "unacknowledged"),
        (6_000, "returned unacknowledged"),
        (6_001, "returned unacknowledged"),
    ],
)
def test_an_alarm_returns_when_its_off_delay_has_passed(
    asked_ms: int, state: str
) -> None:
    player = Player(site(rule(off_delay_ms=4_000)))
    player.play(reading(0), reading(1_000, *HIGH), reading(2_000))
    player.tick(asked_ms)
    assert player.alarm("high-cell") == state


def test_a_late_shell_still_dates_the_alarm_at_its_own_moment() -> None:
    player = Player(site(rule(on_delay_ms=2_000)))
    player.play(reading(0), reading(1_000, *HIGH))
    assert player.outcomes[-1].wake_at_ms == 3_000
    player.tick(9_000)
    assert player.history("high-cell") == [(3_000, "unacknowledged")]


def test_a_spike_shorter_than_the_on_delay_starts_it_anew() -> None:
    player = Player(site(rule(on_delay_ms=2_000)))
    player.play(reading(0, *HIGH), reading(1_500), reading(2_000, *HIGH))
    player.tick(3_999)
    assert player.alarm("high-cell") == "normal"
    player.tick(4_000)
    assert player.alarm("high-cell") == "unacknowledged"


@pytest.mark.parametrize("back", [BETWEEN, HIGH])
def test_a_dip_shorter_than_the_off_delay_starts_it_anew(back: tuple[int, ...]) -> None:
    player = Player(site(rule(off_delay_ms=4_000)))
    player.play(reading(0, *HIGH), reading(1_000), reading(4_000, *back))
    player.tick(9_000)
    assert player.alarm("high-cell") == "unacknowledged"


@pytest.mark.parametrize("temps_dc", [(), (10,)], ids=["unsaid", "cold again"])
def test_a_value_that_is_no_longer_said_does_not_count_as_good(
    temps_dc: tuple[int, ...],
) -> None:
    cold = rule(
        "cold", measure=Measure.COLDEST, trip_at=50, clear_at=80, off_delay_ms=4_000
    )
    player = Player(site(cold))
    player.play(
        reading(0, temps_dc=(40,)),
        reading(1_000, temps_dc=(90,)),
        reading(2_000, temps_dc=temps_dc),
    )
    player.tick(9_000)
    assert player.alarm("cold") == "unacknowledged"


def test_a_value_that_is_no_longer_said_leaves_a_pending_alarm_pending() -> None:
    cold = rule(
        "cold", measure=Measure.COLDEST, trip_at=50, clear_at=80, on_delay_ms=2_000
    )
    player = Player(site(cold))
    player.play(reading(0, temps_dc=(40,)), reading(1_000, temps_dc=()))
    player.tick(2_000)
    assert player.alarm("cold") == "unacknowledged"


@pytest.mark.parametrize(
    ("highest_mv", "was_normal", "was_raised"),
    [
        (3_449, "normal", "returned unacknowledged"),
        (3_450, "normal", "returned unacknowledged"),
        (3_451, "normal", "unacknowledged"),
        (3_525, "normal", "unacknowledged"),
        (3_599, "normal", "unacknowledged"),
        (3_600, "unacknowledged", "unacknowledged"),
        (3_601, "unacknowledged", "unacknowledged"),
    ],
)
def test_between_its_limits_a_rising_alarm_stays_what_it_was(
    highest_mv: int, was_normal: str, was_raised: str
) -> None:
    cells = (3_300, highest_mv, 3_300, 3_300)
    calm, raised = Player(site(rule())), Player(site(rule()))
    calm.play(reading(0), reading(1_000, *cells))
    assert calm.alarm("high-cell") == was_normal
    raised.play(reading(0, *HIGH), reading(1_000, *cells))
    assert raised.alarm("high-cell") == was_raised


@pytest.mark.parametrize(
    ("lowest_mv", "was_normal", "was_raised"),
    [
        (2_999, "unacknowledged", "unacknowledged"),
        (3_000, "unacknowledged", "unacknowledged"),
        (3_001, "normal", "unacknowledged"),
        (3_125, "normal", "unacknowledged"),
        (3_249, "normal", "unacknowledged"),
        (3_250, "normal", "returned unacknowledged"),
        (3_251, "normal", "returned unacknowledged"),
    ],
)
def test_between_its_limits_a_falling_alarm_stays_what_it_was(
    lowest_mv: int, was_normal: str, was_raised: str
) -> None:
    cells = (3_300, 3_300, lowest_mv, 3_300)
    calm, raised = Player(site(low_rule())), Player(site(low_rule()))
    calm.play(reading(0), reading(1_000, *cells))
    assert calm.alarm("low-cell") == was_normal
    raised.play(reading(0, 2_900, 3_300, 3_300, 3_300), reading(1_000, *cells))
    assert raised.alarm("low-cell") == was_raised


LATCH_STORIES = {
    "acknowledged while active, reset when gone": (
        ["acknowledge", "clear", "reset"],
        ["B", "C", "F", "A"],
    ),
    "gone, then acknowledged, then reset": (
        ["clear", "acknowledge", "reset"],
        ["B", "E", "F", "A"],
    ),
    "reset before it was acknowledged does nothing": (
        ["clear", "reset", "acknowledge", "reset"],
        ["B", "E", "F", "A"],
    ),
    "reset while its cause is there does nothing": (
        ["acknowledge", "reset", "clear", "reset"],
        ["B", "C", "F", "A"],
    ),
    "a cause that comes back asks again": (
        ["acknowledge", "clear", "raise", "clear", "raise"],
        ["B", "C", "F", "B", "E", "B"],
    ),
}


@pytest.mark.parametrize("story", LATCH_STORIES)
def test_a_latched_alarm_goes_only_when_acknowledged_and_reset(story: str) -> None:
    acts, letters = LATCH_STORIES[story]
    player = Player(site(rule(latching=True)))
    player.play(reading(0, *HIGH))
    for i, act in enumerate(acts, 1):
        match act:
            case "clear" | "raise":
                player.play(reading(i * 1_000, *(NORMAL if act == "clear" else HIGH)))
            case verb:
                player.play(command(i * 1_000, Verb(verb), "high-cell"))
    states = [state for _, state in player.history("high-cell")]
    assert states == [LETTERS[letter].value for letter in letters]


@pytest.mark.parametrize(
    ("asked_ms", "state"),
    [
        (64_999, "acknowledged"),
        (65_000, "unacknowledged"),
        (65_001, "unacknowledged"),
    ],
)
def test_an_acknowledged_alarm_asks_again_after_its_realarm_time(
    asked_ms: int, state: str
) -> None:
    of = site(rule(realarm_ms=60_000), timing=Timing(stale_ms=10**9))
    player = Player(of)
    player.play(
        reading(0, *HIGH), command(5_000, Verb.ACKNOWLEDGE), reading(9_000, *HIGH)
    )
    assert player.outcomes[-1].wake_at_ms == 65_000
    player.tick(asked_ms)
    assert player.alarm("high-cell") == state


@pytest.mark.parametrize(
    ("asked_ms", "state"),
    [
        (68_999, "acknowledged"),
        (69_000, "unacknowledged"),
        (69_001, "unacknowledged"),
    ],
)
def test_a_source_that_spoke_only_once_asks_again_no_sooner(
    asked_ms: int, state: str
) -> None:
    """It is still lost when it might have returned, at 17 s; it was seen at 9 s."""
    delays = {"off_delay_ms": 7_000, "realarm_ms": 60_000}
    limits = {"trip_at": 5_000, "clear_at": 0}
    player = Player(site(rule("lost", measure=Measure.DATA_AGE, **limits, **delays)))
    player.play(reading(0))
    player.tick(9_000)
    player.play(command(9_000, Verb.ACKNOWLEDGE), reading(10_000))
    player.tick(asked_ms)
    assert player.alarm("lost") == state


def test_an_alarm_without_a_realarm_time_stays_acknowledged() -> None:
    player = Player(site(rule()))
    player.play(reading(0, *HIGH), command(5_000, Verb.ACKNOWLEDGE))
    player.tick(10**9)
    assert player.alarm("high-cell") == "acknowledged"


def test_an_alarm_that_is_gone_does_not_ask_again() -> None:
    player = Player(site(rule(realarm_ms=60_000)))
    player.play(reading(0, *HIGH), command(1_000, Verb.ACKNOWLEDGE), reading(2_000))
    player.tick(10**6)
    assert player.alarm("high-cell") == "normal"


def _lost() -> Player:
    age = rule("lost", measure=Measure.DATA_AGE, trip_at=8_000, clear_at=0)
    return Player(site(age))


@pytest.mark.parametrize(
    ("asked_ms", "state"),
    [(10_999, "normal"), (11_000, "unacknowledged"), (11_001, "unacknowledged")],
)
@pytest.mark.parametrize(
    "changes", [{}, {"trip_at": 5_000, "on_delay_ms": 3_000}], ids=["age", "age+delay"]
)
def test_a_rule_on_age_counts_from_the_last_good_reading(
    changes: dict[str, int], asked_ms: int, state: str
) -> None:
    limits = {"trip_at": 8_000, "clear_at": 0} | changes
    player = Player(site(rule("lost", measure=Measure.DATA_AGE, **limits)))
    player.play(reading(0), reading(3_000))
    player.fail(6_000)
    player.play(reading(7_000, 3_300, 9_000, 3_300, 3_300))
    player.tick(asked_ms)
    assert player.alarm("lost") == state


def test_a_pack_that_never_answers_is_lost_after_the_same_time() -> None:
    player = _lost()
    player.tick(20_000)
    assert player.history("lost") == [(8_000, "unacknowledged")]


def test_a_rule_on_age_returns_with_the_next_reading_and_counts_again() -> None:
    player = _lost()
    player.play(reading(0), reading(9_000))
    player.tick(30_000)
    assert player.history("lost") == [
        (8_000, "unacknowledged"),
        (9_000, "returned unacknowledged"),
        (17_000, "unacknowledged"),
    ]


def test_a_part_in_trouble_is_an_alarm_until_it_works_again() -> None:
    of = site(rule("trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0))
    player = Player(of)
    player.play(Trouble(at_ms=1_000, part="journal", reason="disk full"))
    assert player.alarm("trouble", "journal") == "unacknowledged"
    assert player.alarm("trouble", "mqtt") == "normal"
    player.play(Trouble(at_ms=2_000, part="journal", reason=""))
    assert player.alarm("trouble", "journal") == "returned unacknowledged"
