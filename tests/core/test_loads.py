"""Loads shed in stages: in order, each after the current had time to fall.

Stages, settle times and the second look are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core_builders import CHARGE, Player, low_rule, output, reading, rule, site, stage
from tocsin.core.audit import faults
from tocsin.core.rules import Action, Measure, Role, Rule
from tocsin.core.site import Timing

LOADS = ("drying", "kitchen", "lights")
"""Stages 1, 2 and 3."""

LOW = (3_300, 2_900, 3_300, 3_300)
SHED_MS = 400_000
UNAWARE = Timing(good_scans=1, stale_ms=10**9)


def _player(*rules: Rule, timing: Timing = UNAWARE, **changes: Any) -> Player:
    outputs = [
        output(name, Role.LOAD_PERMIT, stage=i, **changes)
        for i, name in enumerate(LOADS, 1)
    ]
    player = Player(site(*rules, outputs=outputs, timing=timing))
    player.play(reading(0, current_ma=-50_000))
    return player


def _dropped(player: Player) -> list[str]:
    return [name for name in LOADS if not player.level(name)]


def _dropped_at(player: Player) -> dict[str, int]:
    return {
        name: at_ms
        for name in LOADS
        for at_ms, is_on in player.moves(name)
        if not is_on
    }


@pytest.mark.parametrize("last", [1, 2, 3])
def test_a_stage_takes_every_earlier_stage_with_it_and_no_later_one(last: int) -> None:
    player = _player(low_rule(actions=(stage(last),)))
    player.play(reading(SHED_MS, *LOW))
    player.tick(10**6)
    assert _dropped(player) == list(LOADS[:last])


def test_a_rule_on_all_loads_drops_every_stage() -> None:
    player = _player(low_rule(actions=(stage(0),)))
    player.play(reading(SHED_MS, *LOW))
    player.tick(10**6)
    assert _dropped(player) == list(LOADS)


@pytest.mark.parametrize(
    ("after_ms", "dropped"),
    [
        (0, 1),
        (4_999, 1),
        (5_000, 2),
        (5_001, 2),
        (9_999, 2),
        (10_000, 3),
        (10_001, 3),
    ],
)
def test_each_stage_waits_for_the_settle_time_of_the_one_before(
    after_ms: int, dropped: int
) -> None:
    player = _player(low_rule(actions=(stage(3),)))
    player.play(reading(SHED_MS, *LOW))
    player.tick(SHED_MS + after_ms)
    assert _dropped(player) == list(LOADS[:dropped])


def test_a_reason_that_ends_within_the_settle_time_spares_the_next_stage() -> None:
    player = _player(low_rule(actions=(stage(3),)))
    player.play(reading(SHED_MS, *LOW), reading(SHED_MS + 4_000))
    player.tick(SHED_MS + 6_000)
    assert player.moves("drying")[1] == (SHED_MS, False)
    assert player.moves("kitchen") == player.moves("lights") == [(0, True)]


def test_outputs_of_one_stage_drop_together() -> None:
    outputs = [
        output(name, Role.LOAD_PERMIT, stage=number)
        for name, number in (("lights", 2), ("drying", 1), ("boiler", 1))
    ]
    of = site(low_rule(actions=(stage(2),)), outputs=outputs, timing=UNAWARE)
    player = Player(of)
    player.play(reading(0), reading(SHED_MS, *LOW))
    player.tick(10**6)
    assert (
        player.moves("drying")
        == player.moves("boiler")
        == [(0, True), (SHED_MS, False)]
    )
    assert player.moves("lights") == [(0, True), (SHED_MS + 5_000, False)]


def test_the_reasons_of_a_stage_are_the_alarms_that_reach_it() -> None:
    hot = rule(
        "hot", measure=Measure.HOTTEST, trip_at=500, clear_at=450, actions=(stage(1),)
    )
    player = _player(low_rule(actions=(stage(2),)), hot)
    player.play(reading(SHED_MS, *LOW, temps_dc=(600,)))
    player.tick(10**6)
    assert player.because("drying") == ("low-cell", "hot")
    assert player.because("kitchen") == ("low-cell",)
    assert player.because("lights") == ()


def test_a_rule_that_acts_on_other_outputs_too_still_sheds() -> None:
    player = _player(low_rule(actions=(CHARGE, stage(1))))
    player.play(reading(SHED_MS, *LOW))
    assert _dropped(player) == ["drying"]


@pytest.mark.parametrize("hides", [(CHARGE,), (stage(1),), ()])
def test_an_alarm_on_something_else_hides_none_that_sheds(
    hides: tuple[Action, ...],
) -> None:
    """Rules are looked at in the order of the table; the first is no reason here."""
    first = rule("spread", measure=Measure.CELL_SPREAD, trip_at=100, clear_at=50)
    player = _player(replace(first, actions=hides), low_rule(actions=(stage(2),)))
    player.play(reading(SHED_MS, *LOW))
    player.tick(10**6)
    assert player.alarm("spread") == "unacknowledged"
    assert player.because("kitchen") == ("low-cell",)


# --- the second look ----------------------------------------------------------------

FIRST = low_rule(actions=(stage(1),))
LOOK_MS = SHED_MS + 20_000


def _flowing(current_ma: int, *, first_ma: int = -50_000) -> Player:
    """Stage 1 dropped at *first_ma*; then this much flows."""
    player = _player(FIRST)
    player.play(
        reading(SHED_MS, *LOW, current_ma=first_ma),
        reading(SHED_MS + 3_000, *LOW, current_ma=current_ma),
    )
    return player


@pytest.mark.parametrize(
    ("asked_ms", "dropped"), [(LOOK_MS - 1, 1), (LOOK_MS, 2), (LOOK_MS + 1, 2)]
)
def test_a_stage_without_effect_is_followed_by_the_next_after_a_second_look(
    asked_ms: int, dropped: int
) -> None:
    player = _flowing(-50_000)
    player.tick(asked_ms)
    assert _dropped(player) == list(LOADS[:dropped])
    if dropped == 2:
        assert player.because("kitchen") == ("earlier-stage-without-effect",)


@pytest.mark.parametrize(
    ("current_ma", "dropped"),
    [(-44_999, 1), (-45_000, 1), (-45_001, 2), (0, 1), (30_000, 1)],
)
def test_a_stage_worked_when_a_tenth_of_the_current_is_gone(
    current_ma: int, dropped: int
) -> None:
    player = _flowing(current_ma)
    player.tick(LOOK_MS)
    assert _dropped(player) == list(LOADS[:dropped])


def test_stages_without_effect_follow_each_other_to_the_last() -> None:
    player = _flowing(-50_000)
    player.tick(10**6)
    assert _dropped_at(player) == {
        "drying": SHED_MS,
        "kitchen": LOOK_MS,
        "lights": LOOK_MS + 20_000,
    }


def test_a_stage_is_judged_only_once() -> None:
    player = _flowing(-30_000)
    player.tick(LOOK_MS)
    player.play(reading(LOOK_MS + 60_000, *LOW, current_ma=-90_000))
    player.tick(10**7)
    assert _dropped(player) == ["drying"]


def test_a_stage_shed_again_is_judged_again() -> None:
    player = _flowing(-30_000)
    player.play(
        reading(500_000, current_ma=-30_000),
        reading(600_000, *LOW, current_ma=-30_000),
    )
    assert player.moves("drying")[-2:] == [(500_000, True), (600_000, False)]
    player.tick(619_999)
    assert _dropped(player) == ["drying"]
    player.tick(620_000)
    assert _dropped(player) == ["drying", "kitchen"]


HOURS_LATER_MS = 10_000_000


@pytest.mark.parametrize(
    ("gone_ms", "dropped"), [(LOOK_MS - 1, 1), (LOOK_MS, 2), (LOOK_MS + 1, 2)]
)
def test_a_stage_whose_reason_ended_before_the_look_is_not_judged_by_a_later_one(
    gone_ms: int, dropped: int
) -> None:
    player = _player(low_rule(actions=(stage(1),), needs_charge_back=True))
    player.play(
        reading(SHED_MS, *LOW, current_ma=-50_000),
        reading(gone_ms, current_ma=-50_000),
        reading(HOURS_LATER_MS, *LOW, current_ma=-50_000),
    )
    player.tick(HOURS_LATER_MS + 20_000)
    assert _dropped(player) == list(LOADS[:dropped])


@pytest.mark.parametrize("first_ma", [0, 20_000], ids=["at rest", "charging"])
def test_a_stage_shed_while_nothing_flowed_is_not_judged(first_ma: int) -> None:
    player = _flowing(-50_000, first_ma=first_ma)
    player.tick(10**6)
    assert _dropped(player) == ["drying"]


def test_a_bank_that_does_not_say_its_current_is_not_judged() -> None:
    player = _player(FIRST)
    player.play(reading(SHED_MS, *LOW, current_ma=None))
    player.tick(10**6)
    assert _dropped(player) == ["drying"]


def test_the_currents_of_all_strings_count() -> None:
    outputs = [output(n, Role.LOAD_PERMIT, stage=i) for i, n in enumerate(LOADS, 1)]
    of = site(FIRST, outputs=outputs, packs=("left", "right"), timing=UNAWARE)
    player = Player(of)
    player.play(
        reading(0, current_ma=-30_000),
        reading(0, current_ma=-20_000, pack="right"),
        reading(SHED_MS, *LOW, current_ma=-30_000),
        reading(SHED_MS + 1_000, *LOW, current_ma=-24_000),
    )
    player.tick(LOOK_MS)
    assert _dropped(player) == ["drying"]


def test_when_the_first_reason_ends_what_followed_it_comes_back_before_it() -> None:
    player = _flowing(-50_000)
    player.tick(LOOK_MS)
    player.play(reading(LOOK_MS + 1_000))
    assert _dropped(player) == ["drying"]
    player.tick(10**6)
    assert _dropped(player) == []


CELLS = st.sampled_from(((3_300,) * 4, LOW, (2_700,) * 4, (3_100,) * 4))
STEPS = st.lists(
    st.tuples(
        st.sampled_from((500, 2_000, 5_000, 21_000)),
        CELLS,
        st.sampled_from((-50_000, -20_000, 0, 60_000)),
    ),
    min_size=1,
    max_size=40,
)


@settings(max_examples=100, deadline=None)
@given(STEPS)
def test_a_later_stage_is_never_dropped_while_an_earlier_one_is_on(
    steps: list[tuple[int, tuple[int, ...], int]],
) -> None:
    player = _player(
        low_rule("low", actions=(stage(1),), needs_charge_back=True),
        low_rule("lower", trip_at=2_900, actions=(stage(2),)),
        low_rule("lowest", trip_at=2_750, actions=(stage(3),), on_delay_ms=1_000),
        timing=Timing(restore_gap_ms=4_000, restore_permille=1, good_scans=2),
        hold_ms=3_000,
        min_off_ms=2_000,
    )
    at_ms = 0
    for after_ms, cells, current_ma in steps:
        at_ms += after_ms
        player.play(reading(at_ms, *cells, current_ma=current_ma))
    for outcome in player.outcomes:
        on = [d.energised for d in outcome.demands]
        assert on == sorted(on), outcome.state.now_ms
        assert not faults(outcome, player.site)
