"""``step``: the same answer always, and none that depends on when it is asked."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core_builders import Player, output, reading, rule, site
from core_guarded import FULL, GOOD, GUARDED, guarded
from core_histories import History, histories
from tocsin.core.engine import ClockWentBackwardsError, step
from tocsin.core.events import AlarmFact, Command, ReadingFailed, Tick, Trouble, Verb
from tocsin.core.hours import HOUR_MS
from tocsin.core.rules import Measure, Priority, Role, Rule
from tocsin.core.state import State, fresh
from tocsin.core.turn import Turn

if TYPE_CHECKING:
    from tocsin.core.engine import Outcome
    from tocsin.core.events import Event
    from tocsin.core.site import Site

some = settings(max_examples=30)

QUIET = 300_000
"""Long enough for most of what is due by time alone: hold times, delays, patterns."""


@given(histories())
@some
def test_the_same_history_has_the_same_outcomes(history: History) -> None:
    assert history.played().outcomes == history.played().outcomes


# --- a late shell loses nothing -----------------------------------------------


def late_is_as_good_as_punctual(history: History, pauses_ms: list[int]) -> None:
    """Play *history*, with ticks in its gaps, and once more without."""
    late, punctual = Player(history.site), Player(history.site)
    assert late.tick(0) == punctual.tick(0)
    events = (*history.events, Tick(at_ms=history.end_ms + QUIET))
    for number, event in enumerate(events):
        told = len(punctual.outcomes)
        for pause_ms in sorted(pauses_ms):
            at_ms = punctual.state.now_ms + pause_ms // (number % 3 + 1)
            if at_ms <= event.at_ms:
                punctual.tick(at_ms)
        punctual.play(event)
        once, split = late.play(event), punctual.outcomes[told:]
        assert once.facts == tuple(f for outcome in split for f in outcome.facts)
        assert once.demands == split[-1].demands
        assert once.state == split[-1].state
        assert once.wake_at_ms == split[-1].wake_at_ms


@given(histories(), st.lists(st.integers(0, QUIET), max_size=8))
@some
def test_a_late_shell_writes_what_a_punctual_one_writes(
    history: History, pauses_ms: list[int]
) -> None:
    late_is_as_good_as_punctual(history, pauses_ms)


@given(histories())
@settings(max_examples=10)
def test_so_does_a_shell_that_wakes_every_half_second(history: History) -> None:
    short = History(history.site, history.told[:25])
    late_is_as_good_as_punctual(short, [*range(500, 20_000, 500)])


def skips_time(turn: Turn, to_ms: int) -> None:
    turn.now_ms = to_ms


def test_a_core_that_skips_what_was_due_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    history = guarded(*GOOD, FULL)
    late_is_as_good_as_punctual(history, [1_000, 30_000])
    monkeypatch.setattr(Turn, "pass_time", skips_time)
    with pytest.raises(AssertionError):
        late_is_as_good_as_punctual(history, [1_000, 30_000])


# --- the promise to wake ------------------------------------------------------


def settled(state: State, of: Site) -> State:
    """Return *state* without the clock, and without how long a horn has sounded."""
    return replace(
        state,
        now_ms=0,
        outputs=tuple(
            replace(each, hour_ms=0, sounded_ms=0, due_ms=0)
            if where.role is Role.HORN
            else each
            for where, each in zip(of.outputs, state.outputs, strict=True)
        ),
    )


def nothing_happens_before_the_wake(
    outcome: Outcome, of: Site, part_permille: int
) -> None:
    now_ms, wake_ms = outcome.state.now_ms, outcome.wake_at_ms
    assert wake_ms is None or wake_ms > now_ms
    last_ms = now_ms + 10 * HOUR_MS if wake_ms is None else wake_ms - 1
    for at_ms in (now_ms + (last_ms - now_ms) * part_permille // 1_000, last_ms):
        unmoved = step(outcome.state, Tick(at_ms=at_ms), of)
        assert unmoved.facts == ()
        assert unmoved.demands == outcome.demands
        assert settled(unmoved.state, of) == settled(outcome.state, of)


@given(histories(), st.integers(0, 1_000))
@some
def test_before_it_asked_to_be_woken_time_alone_changes_nothing(
    history: History, part_permille: int
) -> None:
    for outcome in history.played().outcomes:
        nothing_happens_before_the_wake(outcome, history.site, part_permille)


@given(histories())
@some
def test_it_never_asks_to_be_woken_in_the_past_as_it_runs_on(history: History) -> None:
    player = history.played()
    for _ in range(20):
        wake_ms = player.outcomes[-1].wake_at_ms
        if wake_ms is None:
            return
        assert wake_ms > player.state.now_ms
        player.tick(wake_ms)


def test_a_core_that_promises_too_much_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    outcome = guarded(*GOOD, FULL).played().outcomes[-1]
    nothing_happens_before_the_wake(outcome, GUARDED, 500)
    late = replace(outcome, wake_at_ms=(outcome.wake_at_ms or 0) + 2)
    with pytest.raises(AssertionError):
        nothing_happens_before_the_wake(late, GUARDED, 500)
    monkeypatch.setattr(Turn, "_suppress", lambda turn: turn.facts.append(None))
    with pytest.raises(AssertionError):
        nothing_happens_before_the_wake(outcome, GUARDED, 500)


def test_it_wakes_for_the_nearest_of_what_is_due() -> None:
    """An alarm's delay, a stale reading, an output's rest: each in its turn."""
    player = guarded(*GOOD).played()
    assert player.outcomes[-1].wake_at_ms == 12_000  # the reading will be stale
    assert player.play(FULL).wake_at_ms == 5_000  # the delay of the alarm
    assert player.tick(5_000).demands[0].energised is False
    player.play(replace(GOOD[0], at_ms=6_000))
    assert player.outcomes[-1].wake_at_ms is not None
    assert player.outcomes[-1].wake_at_ms <= 10_000  # the rest of the permit


def test_where_nothing_is_ever_due_it_does_not_ask_to_be_woken() -> None:
    player = Player(site(rule(), outputs=[output("charge", Role.CHARGE_PERMIT)]))
    assert player.tick(1_000).wake_at_ms is None


# --- refusals -----------------------------------------------------------------


@pytest.mark.parametrize(("at_ms", "refused"), [(999, True), (1_000, False)])
def test_time_may_stand_still_but_never_go_back(at_ms: int, *, refused: bool) -> None:
    state = fresh(GUARDED, now_ms=1_000)
    if not refused:
        assert step(state, Tick(at_ms=at_ms), GUARDED).state.now_ms == at_ms
        return
    with pytest.raises(ClockWentBackwardsError, match="event at 999 ms") as caught:
        step(state, Tick(at_ms=at_ms), GUARDED)
    assert (caught.value.now_ms, caught.value.at_ms) == (1_000, 999)


@pytest.mark.parametrize(
    "event",
    [
        reading(0, pack="attic"),
        ReadingFailed(at_ms=0, pack="attic", reason="silent"),
    ],
)
def test_a_pack_that_the_site_does_not_have_is_an_error(event: Event) -> None:
    with pytest.raises(KeyError, match="attic"):
        step(fresh(GUARDED, now_ms=0), event, GUARDED)


@pytest.mark.parametrize(
    "event",
    [
        Trouble(at_ms=0, part="attic", reason="it rains in"),
        Command(at_ms=0, verb=Verb.SHELVE, by="warden", alarm="attic"),
    ],
)
def test_a_part_or_an_alarm_that_does_not_exist_moves_no_output(event: Event) -> None:
    before = step(fresh(GUARDED, now_ms=0), Tick(at_ms=0), GUARDED)
    after = step(before.state, event, GUARDED)
    assert after.demands == before.demands
    assert after.state.alarms == before.state.alarms


def test_a_part_of_the_daemon_in_trouble_is_an_alarm_that_says_why() -> None:
    of = site(rule("trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0))
    player = Player(of)
    player.play(Trouble(at_ms=5, part="journal", reason="disk full"))
    assert player.alarm("trouble", "journal") == "unacknowledged"
    assert player.alarm("trouble", "mqtt") == "normal"
    player.play(Trouble(at_ms=9, part="journal", reason=""))
    assert player.alarm("trouble", "journal") == "returned unacknowledged"
    rows = [fact for fact in player.facts if isinstance(fact, AlarmFact)]
    assert [(row.at_ms, row.subject, row.value) for row in rows] == [
        (5, "journal", 1),
        (9, "journal", 0),
    ]
    assert "disk full" in rows[0].message


# --- the start ----------------------------------------------------------------


def test_a_core_that_has_seen_nothing_permits_nothing_and_says_why() -> None:
    outcome = step(fresh(GUARDED, now_ms=0), Tick(at_ms=0), GUARDED)
    assert not any(demand.energised for demand in outcome.demands)
    permits = [demand for demand in outcome.demands if demand.role.is_permit]
    assert [demand.because[0] for demand in permits] == ["starting"] * 3


def test_the_start_is_no_reason_to_rest() -> None:
    """A permit's shortest time off counts from a drop, not from the start."""
    player = Player(GUARDED)
    player.play(*GOOD)
    assert player.level("charge")


@pytest.mark.parametrize("start_ms", [0, 5, 86_400_000_123])
def test_it_does_not_matter_when_the_daemon_started(start_ms: int) -> None:
    of = replace(GUARDED, rules=tuple(map(at_low_priority, GUARDED.rules)))
    player = Player(of, now_ms=start_ms)
    for event in (*GOOD, FULL, replace(FULL, at_ms=6_000)):
        player.play(replace(event, at_ms=start_ms + event.at_ms))
    assert [(f.at_ms - start_ms, type(f).__name__) for f in player.facts] == [
        (fact.at_ms, type(fact).__name__)
        for fact in guarded(*GOOD, FULL, replace(FULL, at_ms=6_000), of=of)
        .played()
        .facts
    ]


def at_low_priority(each: Rule) -> Rule:
    """A horn counts its sound in hours of the clock; let it be."""
    return replace(each, priority=Priority.LOW)
