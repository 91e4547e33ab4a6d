"""What must never happen untold or at a person's word, over random histories.

Each property has its own oracle, which looks at readings, demands and facts and calls
nothing of the core but ``step``. Each has a control: a core broken on purpose, which
the same oracle must catch.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings

from core_builders import Player, reading
from core_guarded import FULL, GOOD, GUARDED, TOO_FULL, guarded, permits_on
from core_histories import History, histories
from core_oracles import BankWatch, rows_of
from tocsin.core import commands
from tocsin.core.alarm import Alarm, AlarmState
from tocsin.core.engine import step
from tocsin.core.events import Command, OutputFact, Tick, Verb
from tocsin.core.levels import SELF_TEST, View
from tocsin.core.rules import Measure, Priority, Role
from tocsin.core.turn import Turn

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from tocsin.core.engine import Outcome

HOUR_MS = 3_600_000
LONGEST_SILENCE_MS = HOUR_MS
LONGEST_SHELF_MS = 12 * HOUR_MS

some = settings(max_examples=40)


# --- 5: nothing without its row -----------------------------------------------


def every_change_has_its_row(history: History) -> None:
    player, watch = Player(history.site), BankWatch(history.site)
    off = {o.name: False for o in history.site.outputs if o.role is not Role.HEARTBEAT}
    for each in history.told:
        before, levels_before = player.state, off | _levels(player.outcomes[-1:])
        outcome = player.play(each.event)
        watch.hear(each)
        for old, new in zip(before.alarms, outcome.state.alarms, strict=True):
            name = history.site.rules[old.index].name
            rows = rows_of(outcome.facts, name, old.subject)
            chain = [old.state.value, *(row.state for row in rows)]
            assert [row.was for row in rows] == chain[:-1], f"{name} breaks its chain"
            assert chain[-1] == new.state.value, f"{name} changed without a row"
        rows_out = [f for f in outcome.facts if isinstance(f, OutputFact)]
        said = {row.output: row.energised for row in rows_out}
        assert _levels([outcome]) == levels_before | said, "an output without a row"
    _every_raise_has_its_row(player, watch)


def _levels(outcomes: Iterable[Outcome]) -> dict[str, bool]:
    return {d.output: d.called for outcome in outcomes for d in outcome.demands}


def _every_raise_has_its_row(player: Player, watch: BankWatch) -> None:
    for subject, pack in watch.packs.items():
        for limit in pack.limits:
            raised = {at_ms for at_ms, past in limit.turns_ms if past}
            rows = {r.at_ms for r in rows_of(player.facts, limit.rule.name, subject)}
            assert raised <= rows, f"{limit.rule.name} was raised without a row"


@given(histories())
@some
def test_every_alarm_and_every_output_changes_with_its_row(history: History) -> None:
    every_change_has_its_row(history)


def without_rows(self: Turn, i: int, new: Alarm) -> None:
    self.alarms[i] = new


def without_output_rows(self: Turn, *, drive: Callable[[Turn], None]) -> None:
    drive(self)
    self.facts = [fact for fact in self.facts if not isinstance(fact, OutputFact)]


def test_a_core_that_tells_nothing_of_alarms_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    every_change_has_its_row(TOO_FULL)
    monkeypatch.setattr(Turn, "put", without_rows)
    with pytest.raises(AssertionError, match="without a row"):
        every_change_has_its_row(TOO_FULL)


def test_a_core_that_tells_nothing_of_outputs_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    drive = Turn._drive
    monkeypatch.setattr(
        Turn, "_drive", lambda self: without_output_rows(self, drive=drive)
    )
    with pytest.raises(AssertionError, match="output without a row"):
        every_change_has_its_row(TOO_FULL)


# --- 7: silence and shelves end -----------------------------------------------


def silence_and_shelves_end(history: History) -> None:
    of = replace(history.site, timing=replace(history.site.timing, good_scans=1))
    player = History(of, history.told).played()
    player.tick(history.end_ms + LONGEST_SILENCE_MS)
    asking = {
        of.rules[a.index].name
        for a in player.state.alarms
        if a.state.value in {"unacknowledged", "latched unacknowledged"}
        and of.rules[a.index].priority is not Priority.LOW
    }
    for demand in player.outcomes[-1].demands:
        if demand.role is Role.HORN:
            assert asking <= set(demand.because), f"{asking} and no sound"
            is_test = demand.because == (SELF_TEST,)
            assert demand.called == (bool(asking) or is_test)
    # From here on only alarms matter; twelve hours of a horn would take long.
    mute = (
        replace(o, role=Role.BEACON, test_at_ms=None) if o.role is Role.HORN else o
        for o in of.outputs
    )
    player.site = replace(of, outputs=tuple(mute))
    player.tick(history.end_ms + LONGEST_SHELF_MS)
    for index, subject in of.subjects:
        rows = rows_of(player.facts, of.rules[index].name, subject)
        assert not rows or rows[-1].state != "shelved", f"{rows[-1].alarm} for ever"


@given(histories())
@some
def test_no_silence_and_no_shelf_lasts_for_ever(history: History) -> None:
    silence_and_shelves_end(history)


@pytest.mark.parametrize("verb", [Verb.SILENCE, Verb.SHELVE])
def test_a_core_that_lets_people_hush_it_for_years_is_caught(
    verb: Verb, monkeypatch: pytest.MonkeyPatch
) -> None:
    command = Command(
        at_ms=6_000,
        verb=verb,
        by="warden",
        alarm="high",
        reason="tired",
        for_ms=40 * 365 * 24 * HOUR_MS,
    )
    history = guarded(*(e.event for e in TOO_FULL.told), command)
    silence_and_shelves_end(history)
    monkeypatch.setattr(commands, "_refusal", lambda *_: "")
    with pytest.raises(AssertionError):
        silence_and_shelves_end(history)


# --- people -------------------------------------------------------------------


def hiding_changes_no_permit(history: History) -> None:
    """All that people do, but for a reset, is as good as a tick to the permits."""
    loud, quiet = Player(history.site), Player(history.site)
    for event in history.events:
        is_reset = isinstance(event, Command) and event.verb is Verb.RESET
        if not is_reset:
            told = Tick(at_ms=event.at_ms) if isinstance(event, Command) else event
            assert permits_on(loud.play(event)) == permits_on(quiet.play(told))


@given(histories())
@some
def test_an_alarm_that_is_hidden_or_acknowledged_holds_its_permits(
    history: History,
) -> None:
    hiding_changes_no_permit(history)


def test_a_core_whose_hidden_alarms_let_go_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shelve = Command(
        at_ms=6_000,
        verb=Verb.SHELVE,
        by="warden",
        alarm="high",
        reason="being mended",
        for_ms=60_000,
    )
    events = (*(e.event for e in TOO_FULL.told), shelve, Tick(at_ms=11_000))
    hiding_changes_no_permit(guarded(*events))
    hidden = AlarmState.SHELVED
    monkeypatch.setattr(
        Alarm, "holds", property(lambda a: a.active and a.state is not hidden)
    )
    with pytest.raises(AssertionError):
        hiding_changes_no_permit(guarded(*events))


def no_command_energises_a_permit(history: History) -> None:
    """Not even a reset does: what it lets go of waits for the next readings."""
    player = Player(history.site)
    for event in history.events:
        before = player.state
        on = permits_on(player.play(event))
        if isinstance(event, Command):
            unasked = step(before, Tick(at_ms=event.at_ms), history.site)
            more = on - permits_on(unasked)
            assert not more, f"{event.verb}: {more}"


@given(histories())
@some
def test_no_command_energises_a_permit(history: History) -> None:
    no_command_energises_a_permit(history)


def acknowledges_away(alarm: Alarm, command: Command) -> Alarm:
    del command
    return replace(alarm, active=False, base=AlarmState.NORMAL)


@pytest.mark.parametrize("verb", [Verb.ACKNOWLEDGE, Verb.RESET])
def test_a_core_whose_commands_undo_the_alarm_is_caught(
    verb: Verb, monkeypatch: pytest.MonkeyPatch
) -> None:
    command = Command(at_ms=11_000, verb=verb, by="warden", alarm="high")
    still = (replace(FULL, at_ms=at_ms) for at_ms in (5_000, 8_000, 10_500))
    history = guarded(*GOOD, FULL, *still, command)
    no_command_energises_a_permit(history)
    monkeypatch.setattr(commands, "_told", acknowledges_away)
    # After a reset the core also asks for a new reading; take that away as well.
    monkeypatch.setattr(View, "unproved", lambda *_: ())
    with pytest.raises(AssertionError):
        no_command_energises_a_permit(history)


def test_a_core_that_gives_a_permit_back_at_a_reset_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen, reset = (
        Command(at_ms=9_000, verb=verb, by="warden", alarm="latched")
        for verb in (Verb.ACKNOWLEDGE, Verb.RESET)
    )
    behind = (replace(GOOD[0], at_ms=at_ms) for at_ms in (4_000, 8_500))
    latched = reading(3_000, 3_300, 3_300, 3_300, 3_660)
    history = guarded(*GOOD, latched, *behind, seen, reset)
    no_command_energises_a_permit(history)
    monkeypatch.setattr(View, "unproved", lambda *_: ())
    with pytest.raises(AssertionError, match="reset"):
        no_command_energises_a_permit(history)


def test_the_small_site_of_the_controls_has_what_they_need() -> None:
    assert {r.measure for r in GUARDED.rules} >= {
        Measure.DATA_AGE,
        Measure.HIGHEST_CELL,
        Measure.LOWEST_CELL,
    }
    player = guarded(*GOOD).played()
    assert all(player.level(name) for name in ("charge", "heating", "kitchen"))
