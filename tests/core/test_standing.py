"""Standing checks: read-backs against commands, wear, the horn's self-test."""

from __future__ import annotations

from typing import Any

import pytest

from core_builders import (
    CHARGE,
    Player,
    command,
    local,
    output,
    reading,
    rule,
    seen,
    site,
    wired,
)
from tocsin.core.counts import Counts
from tocsin.core.events import Counted, Event, ProofBegin, ProofEnd, Verb
from tocsin.core.horn import TEST, TEST_MS, sound
from tocsin.core.hours import DAY_MS, HOUR_MS, Hours
from tocsin.core.plant import InputRole
from tocsin.core.rules import Measure, Priority, Role
from tocsin.core.site import Timing

HIGH = (3_300, 3_650, 3_300, 3_300)
SETTLE_MS = 2_000
RULES = (
    rule("full", actions=(CHARGE,)),
    rule(
        "closed",
        measure=Measure.STUCK_CLOSED,
        trip_at=1,
        clear_at=0,
        on_delay_ms=SETTLE_MS,
        priority=Priority.HIGH,
    ),
    rule(
        "open", measure=Measure.STUCK_OPEN, trip_at=1, clear_at=0, on_delay_ms=SETTLE_MS
    ),
    rule(
        "worn",
        measure=Measure.RELAY_WEAR,
        trip_at=900,
        clear_at=800,
        priority=Priority.LOW,
    ),
)


def _player(*events: Event, quiet: Hours | None = None, **horn: Any) -> Player:
    of = site(
        *RULES,
        outputs=[
            output("charge", Role.CHARGE_PERMIT, rated_operations=10),
            output("horn", Role.HORN, **horn),
        ],
        inputs=(wired("back", InputRole.READ_BACK, output="charge"),),
        timing=Timing(good_scans=1, stale_ms=10**12, quiet=quiet),
    )
    player = Player(of)
    player.play(*events)
    return player


# --- read-back ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked_ms", "state"),
    [(2_999, "normal"), (3_000, "unacknowledged"), (3_001, "unacknowledged")],
)
def test_a_contact_that_stays_closed_is_an_alarm_after_its_time(
    asked_ms: int, state: str
) -> None:
    player = _player(reading(0), seen(0, "back"), reading(1_000, *HIGH))
    player.tick(asked_ms)
    assert player.alarm("closed", "charge") == state
    assert player.alarm("open", "charge") == "normal"


@pytest.mark.parametrize(
    ("asked_ms", "state"),
    [(2_999, "normal"), (3_000, "unacknowledged"), (3_001, "unacknowledged")],
)
def test_a_contact_that_stays_open_is_an_alarm_after_its_time(
    asked_ms: int, state: str
) -> None:
    player = _player(seen(0, "back", level=False), reading(1_000))
    player.tick(asked_ms)
    assert player.alarm("open", "charge") == state
    assert player.alarm("closed", "charge") == "normal"


def test_a_contact_that_follows_in_time_is_none_and_a_late_one_returns() -> None:
    player = _player(reading(0), seen(50, "back"), reading(1_000, *HIGH))
    player.play(seen(1_500, "back", level=False))
    player.tick(60_000)
    assert player.alarm("closed", "charge") == "normal"
    player.play(seen(61_000, "back"))
    player.tick(70_000)
    assert player.alarm("closed", "charge") == "unacknowledged"
    player.play(seen(71_000, "back", level=False))
    assert player.alarm("closed", "charge") == "returned unacknowledged"


def test_a_read_back_that_was_never_read_or_cannot_be_says_nothing_of_the_contact() -> (
    None
):
    player = _player(reading(0))
    player.tick(60_000)
    assert player.alarm("open", "charge") == "normal"
    player.play(seen(61_000, "back"), seen(62_000, "back", level=None))
    player.play(reading(63_000, *HIGH))
    player.tick(90_000)
    assert player.alarm("closed", "charge") == "normal"


def test_an_alarm_of_a_contact_stays_when_its_wire_breaks() -> None:
    player = _player(reading(0), seen(0, "back"), reading(1_000, *HIGH))
    player.tick(5_000)
    player.play(seen(6_000, "back", level=None))
    player.tick(60_000)
    assert player.alarm("closed", "charge") == "unacknowledged"


# --- wear -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("operations", "state"),
    [(8, "normal"), (9, "unacknowledged"), (10, "unacknowledged")],
)
def test_a_relay_near_its_rated_life_is_an_alarm(operations: int, state: str) -> None:
    before = Counted(at_ms=0, output="charge", counts=Counts(operations=operations - 1))
    player = _player(before, reading(1_000))
    assert player.state.outputs[0].counts.operations == operations
    assert player.alarm("worn", "charge") == state


def test_each_time_it_is_energised_is_one_operation() -> None:
    player = _player(reading(0, *HIGH))
    for i in range(1, 6):
        player.play(reading(i * 2_000), reading(i * 2_000 + 1_000, *HIGH))
    assert player.state.outputs[0].counts.operations == 5


@pytest.mark.parametrize(
    ("operations", "state"),
    [(6, "normal"), (7, "unacknowledged"), (8, "unacknowledged")],
)
def test_what_a_proof_wears_of_a_relay_is_worn(operations: int, state: str) -> None:
    """Once at the start; once more when the permit comes back after the proof."""
    player = _player(
        Counted(at_ms=0, output="charge", counts=Counts(operations=operations)),
        reading(1_000),
        ProofBegin(at_ms=2_000, alarm="full", by="warden", for_ms=60_000),
        reading(3_000),
    )
    assert not player.level("charge")
    player.play(ProofEnd(at_ms=4_000, reason="seen"), reading(5_000))
    player.tick(600_000)
    assert player.level("charge")
    assert player.state.outputs[0].counts.operations == operations + 2
    assert player.alarm("worn", "charge") == state


# --- self-test ------------------------------------------------------------------------

NOON = 12 * HOUR_MS
QUIET = Hours(from_ms=22 * HOUR_MS, to_ms=7 * HOUR_MS)


def _tested(*events: Event, **changes: Any) -> Player:
    """It is 11:59 at 0 ms."""
    start = (local(0, 11, 59), reading(0))
    return _player(*start, *events, **({"test_at_ms": NOON} | changes))


def _loud(player: Player, until_ms: int) -> list[tuple[int, bool]]:
    """Return (moment, level) of each edge, going from wake to wake."""
    edges = [(player.state.now_ms, player.level("horn"))]
    while (wake_ms := player.outcomes[-1].wake_at_ms) is not None:
        if wake_ms > until_ms:
            break
        player.tick(wake_ms)
        if player.level("horn") is not edges[-1][1]:
            edges.append((wake_ms, player.level("horn")))
    player.tick(until_ms)
    return edges[1:]


def test_the_self_test_is_one_short_burst_at_its_hour() -> None:
    player = _tested()
    assert _loud(player, 10 * 60_000) == [
        (60_000, True),
        (60_600, False),
        (60_900, True),
        (61_200, False),
    ]
    assert player.moves("horn") == [(60_000, True), (60_000 + TEST_MS, False)]
    levels = [sound(TEST, ms)[0] for ms in (0, 599, 600, 899, 900, 1_199, 1_200)]
    assert levels == [True, True, False, False, True, True, False]


@pytest.mark.parametrize(("days", "tests"), [(1, 8), (2, 4), (7, 2)])
def test_it_is_repeated_every_so_many_days(days: int, tests: int) -> None:
    player = _tested(test_days=days)
    player.tick(7 * DAY_MS + HOUR_MS)
    assert len(player.moves("horn")) == 2 * tests


def test_when_it_was_last_tested_is_known_after_a_restart() -> None:
    counted = Counted(at_ms=1_000, output="horn", counts=Counts(tested_ms=-5 * DAY_MS))
    player = _tested(counted, test_days=7)
    player.tick(HOUR_MS)
    assert player.moves("horn") == []


def test_no_test_in_quiet_hours() -> None:
    player = _tested(test_at_ms=23 * HOUR_MS, quiet=QUIET)
    player.tick(7 * DAY_MS)
    assert player.moves("horn") == []


def test_no_test_while_nobody_knows_the_time() -> None:
    player = _player(reading(0), test_at_ms=NOON)
    player.tick(7 * DAY_MS)
    assert player.moves("horn") == []


def test_a_silenced_alarm_is_not_followed_by_a_test() -> None:
    player = _tested(reading(1_000, *HIGH), command(50_000, Verb.SILENCE))
    player.tick(120_000)
    assert all("self-test" not in str(fact) for fact in player.facts)


def test_an_alarm_during_the_test_is_heard_at_once() -> None:
    player = _tested()
    player.tick(60_700)
    player.play(reading(60_750, *HIGH))
    assert player.because("horn") == ("full",)
    assert player.level("horn")


def test_a_clock_that_is_put_back_over_the_hour_tests_once() -> None:
    player = _tested()
    player.tick(100_000)
    player.play(local(200_000, 11, 59))
    player.tick(500_000)
    assert len(player.moves("horn")) == 2
