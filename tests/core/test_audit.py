"""The second look: it finds what is tampered with, and nothing in a sound history."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings

from core_builders import (
    CHARGE,
    Player,
    low_rule,
    output,
    reading,
    rule,
    sample,
    site,
    stage,
)
from core_histories import LOST, History, histories
from tocsin.core.audit import faults
from tocsin.core.engine import step
from tocsin.core.events import Tick, Trouble
from tocsin.core.rules import Measure, Role
from tocsin.core.site import Timing
from tocsin.core.state import fresh

if TYPE_CHECKING:
    from tocsin.core.engine import Outcome
    from tocsin.core.model import Sample
    from tocsin.core.rules import Rule
    from tocsin.core.site import Site

PACKS = ("left", "right")
OUTPUTS = (
    output("charge", Role.CHARGE_PERMIT),
    output("heating", Role.LOAD_PERMIT, stage=1),
    output("kitchen", Role.LOAD_PERMIT, stage=2),
    output("lights", Role.LOAD_PERMIT, stage=3),
    output("beat", Role.HEARTBEAT),
)


def where(*rules: Rule) -> Site:
    timing = Timing(good_scans=3)
    return site(*rules, outputs=OUTPUTS, packs=PACKS, timing=timing)


def sound(of: Site, **said: Any) -> Outcome:
    """Return the outcome of five good readings of both packs."""
    player = Player(of)
    for at_ms in range(0, 5_000, 1_000):
        player.play(*(reading(at_ms, pack=pack, **said) for pack in PACKS))
    return player.outcomes[-1]


def with_levels(outcome: Outcome, **levels: bool) -> Outcome:
    """Return *outcome* with some outputs at other levels than the core chose."""
    demands = tuple(
        replace(demand, energised=levels.get(demand.output, demand.energised))
        for demand in outcome.demands
    )
    return replace(outcome, demands=demands)


def with_pack(outcome: Outcome, number: int, **changes: Any) -> Outcome:
    packs = list(outcome.state.packs)
    packs[number] = replace(packs[number], **changes)
    return replace(outcome, state=replace(outcome.state, packs=tuple(packs)))


SITE = where(
    LOST, rule("high", actions=(CHARGE,)), low_rule("low", actions=(stage(2),))
)
SOUND = sound(SITE)


def test_a_sound_outcome_has_no_fault() -> None:
    assert faults(SOUND, SITE) == ()
    assert {d.output for d in SOUND.demands if d.energised} == {
        *("charge", "heating", "kitchen", "lights")
    }


@given(histories())
@settings(max_examples=40)
def test_no_history_that_the_core_played_has_a_fault(history: History) -> None:
    for outcome in history.played().outcomes:
        assert faults(outcome, history.site) == ()


def test_charge_before_a_pack_was_ever_read_is_a_fault() -> None:
    start = step(fresh(SITE, now_ms=0), Tick(at_ms=0), SITE)
    assert faults(start, SITE) == ()
    found = faults(with_levels(start, charge=True), SITE)
    assert found == (
        "charge is permitted, but left was never read",
        "charge is permitted, but right was never read",
    )


@pytest.mark.parametrize(
    ("age_ms", "found"),
    [
        (9_999, ()),
        (10_000, ("charge is permitted, but right is stale",)),
        (10_001, ("charge is permitted, but right is stale",)),
    ],
)
def test_charge_on_a_stale_reading_is_a_fault(
    age_ms: int, found: tuple[str, ...]
) -> None:
    now_ms = SOUND.state.now_ms
    assert faults(with_pack(SOUND, 1, heard_ms=now_ms - age_ms), SITE) == found


@pytest.mark.parametrize(
    ("good", "found"),
    [
        (2, ("charge is permitted after 2 readings of left",)),
        (3, ()),
        (4, ()),
    ],
)
def test_charge_after_too_few_readings_is_a_fault(
    good: int, found: tuple[str, ...]
) -> None:
    assert faults(with_pack(SOUND, 0, good=good), SITE) == found


def limit(name: str, measure: Measure, trip_at: int, clear_at: int) -> Rule:
    return rule(
        name,
        measure=measure,
        trip_at=trip_at,
        clear_at=clear_at,
        actions=(CHARGE,),
        on_delay_ms=2_000,
    )


PAST = [
    (limit("high", Measure.HIGHEST_CELL, 3_600, 3_500), sample(3_300, 3_600)),
    (limit("low", Measure.LOWEST_CELL, 3_000, 3_100), sample(3_300, 3_000)),
    (limit("cold", Measure.COLDEST, 50, 60), sample(temps_dc=(200, 50))),
    (limit("hot", Measure.HOTTEST, 500, 450), sample(temps_dc=(200, 500))),
]


def pending(of: Site, said: Sample, *, edge_ms: int) -> Outcome:
    """Return an outcome whose right pack said *said*, past a limit since *edge_ms*."""
    past = with_pack(sound(of), 1, sample=said)
    alarms = tuple(
        replace(alarm, edge_ms=edge_ms) if alarm.subject == "right" else alarm
        for alarm in past.state.alarms
    )
    return replace(past, state=replace(past.state, alarms=alarms))


@pytest.mark.parametrize(("watched", "said"), PAST)
@pytest.mark.parametrize(
    ("edge_ms", "is_fault"), [(2_001, False), (2_000, True), (1_999, True)]
)
def test_charge_past_a_limit_for_longer_than_its_delay_is_a_fault(
    watched: Rule, said: Sample, edge_ms: int, *, is_fault: bool
) -> None:
    """The outcomes are of 4.0 s, the delay is 2.0 s."""
    of = where(watched)
    late = pending(of, said, edge_ms=edge_ms)
    found = (f"charge is permitted, but {watched.name} is past its delay",)
    assert faults(late, of) == (found if is_fault else ())
    assert faults(with_levels(late, charge=False), of) == ()
    active = tuple(replace(alarm, active=True) for alarm in late.state.alarms)
    known = replace(late, state=replace(late.state, alarms=active))
    assert faults(known, of) == ()


@pytest.mark.parametrize(("watched", "said"), PAST)
def test_a_pack_that_says_no_single_value_is_past_no_plain_limit(
    watched: Rule, said: Sample
) -> None:
    of, unsaid = where(watched), replace(said, cells_mv=(), temps_dc=())
    assert faults(pending(of, unsaid, edge_ms=0), of) == ()


def test_a_rule_that_does_not_act_on_charge_may_be_past_its_delay() -> None:
    of = where(low_rule("low", actions=(stage(2),)))
    assert faults(pending(of, sample(*[2_900] * 4), edge_ms=0), of) == ()


def test_a_rule_on_no_pack_has_no_plain_limit_to_look_at() -> None:
    trouble = rule(
        "trouble",
        measure=Measure.TROUBLE,
        trip_at=1,
        clear_at=0,
        on_delay_ms=2_000,
        actions=(CHARGE,),
    )
    of, troubled = where(trouble), Trouble(at_ms=4_000, part="journal", reason="full")
    outcome = step(sound(of).state, troubled, of)
    later = step(outcome.state, Tick(at_ms=5_999), of)
    assert {d.output for d in later.demands if d.energised} >= {"charge"}
    assert faults(later, of) == ()


@pytest.mark.parametrize(
    ("levels", "found"),
    [
        ({"heating": False}, ()),
        ({"heating": False, "kitchen": False}, ()),
        ({"heating": False, "kitchen": False, "lights": False}, ()),
        ({"kitchen": False}, ("load kitchen is shed before heating",)),
        ({"lights": False}, ("load lights is shed before heating",)),
        (
            {"heating": False, "lights": False},
            ("load lights is shed before kitchen",),
        ),
        (
            {"kitchen": False, "lights": False},
            (
                "load kitchen is shed before heating",
                "load lights is shed before heating",
            ),
        ),
    ],
)
def test_a_later_load_shed_before_an_earlier_one_is_a_fault(
    levels: dict[str, bool], found: tuple[str, ...]
) -> None:
    assert faults(with_levels(SOUND, **levels), SITE) == found


def test_loads_of_one_stage_may_differ() -> None:
    twins = replace(
        SITE, outputs=(*OUTPUTS, output("sauna", Role.LOAD_PERMIT, stage=1))
    )
    outcome = sound(twins)
    for name in ("heating", "sauna"):
        assert faults(with_levels(outcome, **{name: False}), twins) == ()


@pytest.mark.parametrize("kept", ["heating", "sauna"])
def test_no_twin_hides_that_a_later_load_was_shed_before_an_earlier_one(
    kept: str,
) -> None:
    twins = replace(
        SITE, outputs=(*OUTPUTS, output("sauna", Role.LOAD_PERMIT, stage=1))
    )
    levels = {"heating": False, "sauna": False, "kitchen": False, kept: True}
    found = faults(with_levels(sound(twins), **levels), twins)
    assert found == (f"load kitchen is shed before {kept}",)


@pytest.mark.parametrize("name", ["charge", "heating", "kitchen", "lights"])
def test_an_output_without_a_level_is_a_fault(name: str) -> None:
    kept = tuple(demand for demand in SOUND.demands if demand.output != name)
    found = faults(replace(SOUND, demands=kept), SITE)
    assert f"no level for output {name}" in found


def test_a_heartbeat_needs_no_level_of_the_core() -> None:
    assert "beat" not in {demand.output for demand in SOUND.demands}
    found = faults(replace(SOUND, demands=()), SITE)
    names = ("charge", "heating", "kitchen", "lights")
    assert found == tuple(f"no level for output {name}" for name in names)
