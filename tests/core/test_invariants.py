"""What must never happen, over random sites and histories.

Each property has its own oracle, which looks at readings, demands and facts and calls
nothing of the core but ``step``. Each has a control: a core broken on purpose, which
the same oracle must catch.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings

from core_builders import Player, reading
from core_guarded import FULL, GOOD, GUARDED, HIGH, TOO_FULL, guarded, permits_on
from core_histories import LOST, History, histories
from core_oracles import BankWatch, levels, scans_at
from tocsin.core import loads, outputs
from tocsin.core.alarm import Alarm, AlarmState
from tocsin.core.events import OutputFact, Tick
from tocsin.core.levels import (
    CHARGE_NOT_BACK,
    MINIMUM_OFF,
    MINIMUM_ON,
    NOT_ITS_TURN,
    OutputState,
    View,
    set_to,
)
from tocsin.core.rules import Role, Rule

if TYPE_CHECKING:
    from collections.abc import Callable

    from tocsin.core.events import Event, Fact
    from tocsin.core.site import Output

HOUR_MS = 3_600_000
CALLS = {Role.GENERATOR_CALL, Role.HEATER_CALL}
LONGEST_SILENCE_MS = HOUR_MS
LONGEST_SHELF_MS = 12 * HOUR_MS

some = settings(max_examples=40)


# --- 1: charge ----------------------------------------------------------------


def charge_is_permitted_only_on_fresh_readings_behind_every_limit(
    history: History,
) -> None:
    player, watch = Player(history.site), BankWatch(history.site)
    for each in history.told:
        outcome = player.play(each.event)
        watch.hear(each)
        if not permits_on(outcome, Role.CHARGE_PERMIT):
            continue
        for name, pack in watch.packs.items():
            assert pack.is_fresh(each.event.at_ms, watch.stale_ms), f"{name} is stale"
        assert not watch.past_charge_limits()


@given(histories())
@some
def test_charge_is_never_permitted_on_lost_data_or_past_a_limit(
    history: History,
) -> None:
    charge_is_permitted_only_on_fresh_readings_behind_every_limit(history)


SILENCE = guarded(*GOOD, Tick(at_ms=12_000))


@pytest.mark.parametrize(
    ("owner", "name", "broken", "history"),
    [
        (outputs, "_charge_permit", lambda was, *_: replace(was, energised=True), None),
        (Rule, "is_beyond", lambda rule, value: value > rule.trip_at + 10, TOO_FULL),
        (Alarm, "holds", property(lambda _: False), TOO_FULL),
    ],
)
def test_a_core_that_charges_blindly_or_past_a_limit_is_caught(
    owner: Any,
    name: str,
    broken: Any,
    history: History | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    history = history or SILENCE
    charge_is_permitted_only_on_fresh_readings_behind_every_limit(history)
    monkeypatch.setattr(owner, name, broken)
    with pytest.raises(AssertionError):
        charge_is_permitted_only_on_fresh_readings_behind_every_limit(history)


# --- 2: order of shedding -----------------------------------------------------


def no_stage_goes_before_an_earlier_one(history: History) -> None:
    player = Player(history.site)
    stages = {
        o.name: o.stage for o in history.site.outputs if o.role is Role.LOAD_PERMIT
    }
    for event in history.events:
        on = permits_on(player.play(event), Role.LOAD_PERMIT)
        first_on = min((stages[name] for name in on), default=len(stages) + 3)
        early = [n for n in stages if n not in on and stages[n] > first_on]
        assert not early, f"{early} at {event.at_ms} ms"


@given(histories())
@some
def test_a_later_load_stage_is_never_off_while_an_earlier_one_is_on(
    history: History,
) -> None:
    no_stage_goes_before_an_earlier_one(history)


def test_a_core_that_sheds_only_the_stage_named_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    history = guarded(*GOOD, reading(3_000, 3_300, 2_950, 3_300, 3_300))
    no_stage_goes_before_an_earlier_one(history)

    def names_it(alarm: Alarm, number: int, view: View) -> bool:
        return any(a.stage == number for a in view.rule(alarm).actions)

    monkeypatch.setattr(loads, "_acts_on", names_it)
    monkeypatch.setattr(loads, "_settled_ms", lambda *_: 0)
    with pytest.raises(AssertionError):
        no_stage_goes_before_an_earlier_one(history)


# --- 3: enough good readings --------------------------------------------------


def permits_wait_for_good_scans(history: History) -> None:
    facts, timing = history.played().facts, history.site.timing
    for each in history.site.outputs:
        if not each.role.is_permit:
            continue
        for at_ms, is_on in levels(facts, each.name):
            for pack in history.site.bank.packs if is_on else ():
                seen = scans_at(history.told, pack.name, at_ms, timing.stale_ms)
                assert seen >= timing.good_scans, f"{each.name} at {at_ms} ms"


@given(histories())
@some
def test_no_permit_energises_before_enough_good_readings_of_every_pack(
    history: History,
) -> None:
    permits_wait_for_good_scans(history)


@pytest.mark.parametrize(
    "events", [GOOD[:2], (*GOOD, Tick(at_ms=12_000), reading(20_000), reading(21_000))]
)
def test_a_core_that_does_not_wait_for_readings_is_caught(
    events: tuple[Event, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    permits_wait_for_good_scans(guarded(*events))
    monkeypatch.setattr(View, "blind", lambda _: ())
    with pytest.raises(AssertionError):
        permits_wait_for_good_scans(guarded(*events))


# --- 4: chatter ---------------------------------------------------------------


def no_output_turns_faster_than_its_minimum_times(history: History) -> None:
    facts = history.played().facts
    for each in history.site.outputs:
        if each.role is Role.HORN:
            continue
        changes = levels(facts, each.name)
        for (was_ms, was_on), (at_ms, _) in pairwise(changes):
            # A lock-out or maintenance ends a call at once: somebody is there.
            is_cut = was_on and bool(history.site.inputs) and each.role in CALLS
            wanted_ms = each.min_on_ms if was_on else each.min_off_ms
            least_ms = 0 if is_cut else wanted_ms
            assert at_ms - was_ms >= least_ms, f"{each.name} at {at_ms} ms"


@given(histories())
@some
def test_no_output_turns_faster_than_its_minimum_times(history: History) -> None:
    no_output_turns_faster_than_its_minimum_times(history)


def hasty(was: OutputState, _: Output, view: View) -> OutputState:
    why = view.names(view.holding)
    return set_to(was, energised=not why, why=why, now_ms=view.now_ms)


def eager(was: OutputState, _: Output, view: View) -> OutputState:
    why = view.names(view.holding)
    return set_to(was, energised=bool(why), why=why, now_ms=view.now_ms)


@pytest.mark.parametrize(
    ("name", "broken"), [("_charge_permit", hasty), ("call", eager)]
)
def test_a_core_that_forgets_minimum_times_is_caught(
    name: str,
    broken: Callable[..., OutputState],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    quick = replace(GUARDED, rules=(LOST, replace(HIGH, on_delay_ms=0)))
    history = guarded(*GOOD, FULL, reading(4_000), of=quick)
    no_output_turns_faster_than_its_minimum_times(history)
    monkeypatch.setattr(outputs, name, broken)
    with pytest.raises(AssertionError):
        no_output_turns_faster_than_its_minimum_times(history)


def what_happened(facts: list[Fact]) -> set[str]:
    happened = {getattr(fact, "state", "") for fact in facts}
    for fact in facts:
        if isinstance(fact, OutputFact):
            turns = len(levels(facts, fact.output))
            happened |= {f"{fact.role} {n}" for n in range(turns + 1)}
            happened |= set(fact.because)
    return happened


def test_the_random_histories_come_to_what_they_are_for() -> None:
    happened: set[str] = set()

    @given(histories())
    @settings(max_examples=500, derandomize=True)
    def look(history: History) -> None:
        happened.update(what_happened(history.played().facts))

    look()
    turns = {"charge-permit 3", "load-permit 3", "generator-call 2", "heater-call 2"}
    assert happened >= {*turns, MINIMUM_OFF, MINIMUM_ON, NOT_ITS_TURN, CHARGE_NOT_BACK}
    assert happened >= {"lost", "refused", "online", *AlarmState}
