"""What ``step`` promises of time: before the wake, time alone changes nothing.

A core that is asked often, one that is woken only when it wished, and one that is
woken by the next event alone must end in the same state with the same facts.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core_builders import (
    ALL_LOADS,
    CHARGE,
    Player,
    command,
    low_rule,
    output,
    reading,
    rule,
    seen,
    site,
    stage,
)
from core_histories import HEATER_PLAN, PLAN, wired
from tocsin.core.engine import ClockWentBackwardsError
from tocsin.core.events import Event, LocalTime, Tick, Trouble, Verb
from tocsin.core.plant import Input, InputRole
from tocsin.core.rules import Action, Measure, Priority, Role
from tocsin.core.site import Timing

SITE = site(
    low_rule(
        actions=(stage(2), Action(role=Role.GENERATOR_CALL)),
        needs_charge_back=True,
        on_delay_ms=700,
        off_delay_ms=1_300,
        realarm_ms=20_000,
    ),
    rule(actions=(CHARGE,), latching=True, suppressed_by=("cold",)),
    rule("cold", measure=Measure.COLDEST, trip_at=50, clear_at=80, actions=(CHARGE,)),
    rule(
        "lost",
        measure=Measure.DATA_AGE,
        trip_at=4_000,
        clear_at=0,
        actions=(CHARGE, ALL_LOADS),
        is_data_loss=True,
    ),
    rule("no-start", measure=Measure.FAILED_STARTS, trip_at=1, clear_at=0),
    rule("stuck", measure=Measure.STUCK_OPEN, trip_at=1, clear_at=0, on_delay_ms=900),
    rule("forgotten", measure=Measure.MAINTENANCE_OVER, trip_at=1, clear_at=0),
    rule(
        "trouble",
        measure=Measure.TROUBLE,
        trip_at=1,
        clear_at=0,
        priority=Priority.MEDIUM,
    ),
    packs=("left", "right"),
    outputs=[
        output("charge", Role.CHARGE_PERMIT, min_off_ms=2_500),
        output("drying", Role.LOAD_PERMIT, stage=1, hold_ms=9_000),
        output("kitchen", Role.LOAD_PERMIT, stage=2, hold_ms=6_000, min_off_ms=3_000),
        output("lights", Role.LOAD_PERMIT, stage=3, hold_ms=12_000),
        output("horn", Role.HORN),
        output("lamp", Role.BEACON, min_on_ms=900),
        output("set", Role.GENERATOR_CALL, min_on_ms=7_000, min_off_ms=5_000),
        output("planned", Role.GENERATOR_CALL, generator=PLAN),
        output("transfer", Role.GENERATOR_LOAD),
        output("heater", Role.HEATER_CALL, heater=HEATER_PLAN, min_off_ms=1_500),
        output("bell", Role.HORN, test_at_ms=43_200_000, rules=frozenset({"cold"})),
    ],
    inputs=(
        *wired(()),
        Input(name="back", role=InputRole.READ_BACK, output="charge"),
    ),
    timing=Timing(
        good_scans=2,
        stale_ms=5_000,
        shed_settle_ms=1_000,
        shed_confirm_ms=2_000,
        restore_gap_ms=4_000,
        restore_permille=0,
        horn_cap_ms=20_000,
    ),
)

CELLS = ((3_300,) * 4, (3_300, 2_900, 3_300, 3_300), (3_300, 3_650, 3_300, 3_300))


@st.composite
def _events(draw: st.DrawFn) -> list[Event]:
    at_ms, events = 0, list[Event]([Tick(at_ms=0)])
    kinds = st.sampled_from("rrrrcctiil")
    for kind in draw(st.lists(kinds, min_size=1, max_size=25)):
        at_ms += draw(st.sampled_from((0, 1, 400, 1_000, 2_600, 7_000, 40_000)))
        if kind == "r":
            event: Event = reading(
                at_ms,
                *draw(st.sampled_from(CELLS)),
                pack=draw(st.sampled_from(("left", "right"))),
                temps_dc=(draw(st.sampled_from((40, 200))),),
                current_ma=draw(st.sampled_from((-50_000, 20_000))),
            )
        elif kind == "c":
            rule_of = draw(st.sampled_from(SITE.rules))
            verb = draw(st.sampled_from(Verb))
            event = command(at_ms, verb, rule_of.name, for_ms=3_300)
        elif kind == "i":
            level = draw(st.sampled_from((False, False, True, None)))
            event = seen(at_ms, draw(st.sampled_from(SITE.inputs)).name, level)
        elif kind == "l":
            day_ms = draw(st.sampled_from((0, 43_198_500, 82_800_000)))
            event = LocalTime(at_ms=at_ms, day_ms=day_ms)
        else:
            reason = draw(st.sampled_from(("disk full", "")))
            event = Trouble(at_ms=at_ms, part="journal", reason=reason)
        events.append(event)
    return [*events, Tick(at_ms=at_ms + 60_000)]


def _woken(events: list[Event]) -> Player:
    player = Player(SITE)
    for event in events:
        while player.outcomes and (
            (wake_ms := player.outcomes[-1].wake_at_ms) is not None
            and wake_ms < event.at_ms
        ):
            assert wake_ms > player.state.now_ms
            player.tick(wake_ms)
        player.play(event)
    return player


def _asked_often(events: list[Event], every_ms: int) -> Player:
    player = Player(SITE)
    player.play(events[0])
    for event in events[1:]:
        for at_ms in range(player.state.now_ms, event.at_ms, every_ms):
            player.tick(at_ms)
        player.play(event)
    return player


@settings(max_examples=40, deadline=None)
@given(_events(), st.sampled_from((370, 1_000, 2_501)))
def test_how_often_the_core_is_asked_changes_neither_state_nor_facts(
    events: list[Event], every_ms: int
) -> None:
    late = Player(SITE)
    late.play(*events)
    for other in (_woken(events), _asked_often(events, every_ms)):
        assert other.state == late.state
        assert other.facts == late.facts


@settings(max_examples=40, deadline=None)
@given(_events(), st.data())
def test_before_the_wake_a_tick_changes_nothing_but_the_time(
    events: list[Event], data: st.DataObject
) -> None:
    player = Player(SITE)
    player.play(*events[: data.draw(st.integers(1, len(events)))])
    before = player.outcomes[-1]
    if before.wake_at_ms is None:
        return
    asked_ms = data.draw(st.integers(before.state.now_ms, before.wake_at_ms - 1))
    after = player.tick(asked_ms)
    assert after.demands == before.demands
    assert after.facts == ()
    assert after.wake_at_ms == before.wake_at_ms
    assert after.state.alarms == before.state.alarms


def test_the_same_history_has_the_same_outcome() -> None:
    events = (reading(0), reading(1_000, *CELLS[1]))
    one, other = Player(SITE), Player(SITE)
    one.play(*events, Tick(at_ms=90_000))
    other.play(*[replace(event) for event in events], Tick(at_ms=90_000))
    assert one.outcomes == other.outcomes


@pytest.mark.parametrize(("at_ms", "is_refused"), [(999, True), (1_000, False)])
def test_time_never_goes_backwards(at_ms: int, *, is_refused: bool) -> None:
    player = Player(SITE)
    player.tick(1_000)
    if not is_refused:
        player.tick(at_ms)
        return
    with pytest.raises(ClockWentBackwardsError, match=r"999 ms.*1000 ms"):
        player.tick(at_ms)
