"""What no proof test may ever change, over random sites and histories.

Two cores hear the same readings; only one of them is also proved.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core_builders import Player, reading
from core_guarded import GOOD, guarded
from core_histories import History, histories
from tocsin.core import proof_state
from tocsin.core.audit import faults
from tocsin.core.events import (
    AlarmFact,
    OutputFact,
    ProofBegin,
    ProofEnd,
    ProofFact,
    Proving,
    Reading,
    Tick,
)
from tocsin.core.rules import Role

if TYPE_CHECKING:
    from tocsin.core.events import Event, Fact

SETTLED_MS = 86_400_000
"""After a day without anything new every minimum time has passed."""

LATE_MS = 3 * SETTLED_MS


@st.composite
def proofs(draw: st.DrawFn) -> tuple[History, list[tuple[Event, bool]]]:
    """Return a history, and the same with steps of a proof among its events."""
    history = draw(histories())
    rules = [rule.name for rule in history.site.rules]
    told: list[tuple[Event, bool]] = []
    for event in history.events:
        told.append((event, True))
        at_ms = event.at_ms
        match draw(st.integers(0, 5)):
            case 0 | 1:
                begin = ProofBegin(
                    at_ms=at_ms,
                    alarm=draw(st.sampled_from(rules)),
                    by="warden",
                    for_ms=draw(st.sampled_from((1_000, 30_000, 3_600_000))),
                )
                told.append((begin, False))
            case 2:
                told.append((ProofEnd(at_ms=at_ms, reason="enough"), False))
            case _:
                pass
    return history, told


def played(
    history: History, told: list[tuple[Event, bool]]
) -> tuple[Player, Player, list[tuple[Any, Any]]]:
    """Return the proved core, the other one, and their outcomes side by side."""
    proved, plain = Player(history.site), Player(history.site)
    pairs = []
    for event, is_real in told:
        other = event if is_real else Tick(at_ms=event.at_ms)
        pairs.append((proved.play(event), plain.play(other)))
    return proved, plain, pairs


def permits(outcome: Any) -> set[str]:
    return {d.output for d in outcome.demands if d.role.is_permit and d.energised}


def real(facts: list[Fact]) -> list[AlarmFact]:
    return [
        replace(fact, proving=Proving.NOT)
        for fact in facts
        if isinstance(fact, AlarmFact) and fact.proving is not Proving.CAUSE
    ]


@given(proofs())
@settings(max_examples=120, deadline=None)
def test_no_proof_energises_a_permit_or_hides_a_real_alarm(
    pair: tuple[History, list[tuple[Event, bool]]],
) -> None:
    no_permit_is_gained_and_no_alarm_lost(*pair)


def no_permit_is_gained_and_no_alarm_lost(
    history: History, told: list[tuple[Event, bool]]
) -> None:
    proved, plain, pairs = played(history, told)
    for with_proof, without in pairs:
        assert permits(with_proof) <= permits(without), with_proof.state.now_ms
        assert not faults(with_proof, history.site)
        horns = [
            (one.called, other.called)
            for one, other in zip(with_proof.demands, without.demands, strict=True)
            if one.role is Role.HORN
        ]
        assert all(one or not other for one, other in horns)
        assert with_proof.state.packs == without.state.packs
        assert with_proof.state.bank == without.state.bank
    assert real(proved.facts) == real(plain.facts)


@given(proofs())
@settings(max_examples=80, deadline=None)
def test_after_the_end_everything_becomes_as_it_would_have_been(
    pair: tuple[History, list[tuple[Event, bool]]],
) -> None:
    history, told = pair
    proved, plain, _ = played(history, told)
    at_ms = proved.state.now_ms
    proved.play(ProofEnd(at_ms=at_ms, reason="enough"))
    for player in (proved, plain):
        player.tick(at_ms + SETTLED_MS)
    assert proved.state.proof is None
    assert proved.state.alarms == plain.state.alarms
    assert proved.outcomes[-1].demands == plain.outcomes[-1].demands
    raised = [
        (f.alarm, f.state)
        for f in proved.facts
        if isinstance(f, AlarmFact) and f.proving is Proving.CAUSE
    ]
    for alarm, _ in raised:
        states = [state for name, state in raised if name == alarm]
        assert states[-1] == "normal", "what a proof raised, a proof returns"


@given(proofs(), st.sampled_from((370, 2_501)))
@settings(max_examples=60, deadline=None)
def test_a_late_shell_writes_the_same_while_proving(
    pair: tuple[History, list[tuple[Event, bool]]], every_ms: int
) -> None:
    history, told = pair
    late, often = Player(history.site), Player(history.site)
    for event, _ in told:
        late.play(event)
        first_ms = often.state.now_ms
        for at_ms in range(first_ms, min(event.at_ms, first_ms + 60_000), every_ms):
            often.tick(at_ms)
        while (
            wake_ms := often.outcomes[-1].wake_at_ms if often.outcomes else None
        ) and (wake_ms < event.at_ms):
            often.tick(wake_ms)
        often.play(event)
    assert often.state == late.state
    assert often.facts == late.facts


@given(proofs())
@settings(max_examples=60, deadline=None)
def test_each_output_moves_no_faster_than_its_minimum_times(
    pair: tuple[History, list[tuple[Event, bool]]],
) -> None:
    history, told = pair
    proved, _, _ = played(history, told)
    for output in history.site.outputs:
        if output.role is Role.HORN:
            continue
        was_ms, was_on = None, False
        for fact in proved.facts:
            if not isinstance(fact, OutputFact) or fact.output != output.name:
                continue
            if fact.energised is was_on:
                continue
            least_ms = output.min_on_ms if was_on else output.min_off_ms
            assert was_ms is None or fact.at_ms - was_ms >= least_ms, output.name
            was_ms, was_on = fact.at_ms, fact.energised


def test_the_random_proofs_begin_cross_yield_and_move_outputs() -> None:
    happened: set[str] = set()

    @given(proofs())
    @settings(max_examples=80, derandomize=True, deadline=None)
    def look(pair: tuple[History, list[tuple[Event, bool]]]) -> None:
        proved, _, _ = played(*pair)
        for fact in proved.facts:
            if isinstance(fact, ProofFact):
                happened.add(f"{fact.state} {fact.text.partition(':')[0]}")
            elif isinstance(fact, OutputFact) and fact.proving is Proving.CAUSE:
                happened.add(f"{fact.role} {fact.energised}")

    look()
    words = {word.split()[0] for word in happened}
    assert words >= {"begun", "crossed", "ended", "refused", "ended"}
    assert "ended yielding" in happened
    assert {"charge-permit False", "charge-permit True", "horn True"} <= happened


def test_a_core_whose_proof_may_energise_is_caught(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    history = guarded(*GOOD, reading(2_000), reading(3_000))
    told: list[tuple[Event, bool]] = [(event, True) for event in history.events]
    begin = ProofBegin(at_ms=3_000, alarm="lost", by="warden", for_ms=60_000)
    told.append((begin, False))
    for at_ms in range(4_000, 60_000, 1_000):
        event: Event = Reading(
            at_ms=at_ms, pack="left", sample=reading(at_ms, 3_700).sample
        )
        told.append((event, True))
    no_permit_is_gained_and_no_alarm_lost(history, told)
    monkeypatch.setattr(
        proof_state, "_held", lambda _, __, proved: replace(proved, energised=True)
    )
    with pytest.raises(AssertionError):
        no_permit_is_gained_and_no_alarm_lost(history, told)
