"""Loads that come back: last shed first, one at a time, after charge was returned.

And loads whose data were lost: held for a stated time, then dropped.
"""

from __future__ import annotations

from typing import Any

import pytest

from core_builders import (
    ALL_LOADS,
    Player,
    command,
    low_rule,
    output,
    reading,
    rule,
    site,
    stage,
)
from tocsin.core.events import OutputFact, Verb
from tocsin.core.rules import Measure, Role, Rule
from tocsin.core.site import Timing

LOADS = ("drying", "kitchen", "lights")
LOW = (3_300, 2_900, 3_300, 3_300)
UNAWARE = Timing(good_scans=1, stale_ms=10**9)
DAY_MS = 86_400_000


def _player(*rules: Rule, timing: Timing = UNAWARE, **changes: Any) -> Player:
    outputs = [
        output(name, Role.LOAD_PERMIT, stage=i, **changes)
        for i, name in enumerate(LOADS, 1)
    ]
    return Player(site(*rules, outputs=outputs, timing=timing))


def _on(player: Player) -> list[str]:
    return [name for name in LOADS if player.level(name)]


FOR_CHARGE = low_rule(actions=(stage(3),), needs_charge_back=True)
FREELY = low_rule(actions=(stage(3),))


def _rebounded(*rules: Rule, **changes: Any) -> Player:
    """Every stage was shed by 11 s; at 20 s the voltage is back without any load."""
    player = _player(*rules, **changes)
    player.play(reading(0), reading(1_000, *LOW))
    player.tick(11_000)
    assert _on(player) == []
    player.play(reading(20_000))
    assert player.alarm("low-cell") == "returned unacknowledged"
    return player


def test_voltage_that_rebounds_brings_no_load_back() -> None:
    player = _rebounded(FOR_CHARGE)
    player.play(reading(DAY_MS), reading(2 * DAY_MS, 3_340, 3_340, 3_340, 3_340))
    assert _on(player) == []
    assert player.because("lights") == ("waiting-for-charge",)
    assert player.outcomes[-1].wake_at_ms is not None


FIVE_AH_MS = 900_000
"""At 20 A; 5 % of the bank's 100 Ah."""


@pytest.mark.parametrize(
    ("charged_ms", "on"),
    [
        (FIVE_AH_MS - 1, []),
        (FIVE_AH_MS, ["lights"]),
        (FIVE_AH_MS + 1, ["lights"]),
    ],
)
def test_the_first_load_comes_back_when_enough_charge_was_returned(
    charged_ms: int, on: list[str]
) -> None:
    player = _rebounded(FOR_CHARGE)
    player.play(reading(20_000 + charged_ms, current_ma=20_000))
    assert _on(player) == on


@pytest.mark.parametrize(
    ("charged_ms", "on"),
    [
        (FIVE_AH_MS - 1, []),
        (FIVE_AH_MS, ["lights"]),
        (FIVE_AH_MS + 1, ["lights"]),
    ],
)
def test_charge_counts_from_the_moment_the_last_stage_was_shed(
    charged_ms: int, on: list[str]
) -> None:
    player = _player(FOR_CHARGE)
    player.play(reading(0), reading(1_000, *LOW))
    player.tick(11_000)
    player.play(reading(1_000 + charged_ms, current_ma=20_000))
    assert _on(player) == on


def test_charge_drawn_meanwhile_is_not_charge_returned() -> None:
    player = _rebounded(FOR_CHARGE)
    at_ms = 20_000
    for current_ma in (20_000, -20_000, 20_000):
        at_ms += FIVE_AH_MS - 1
        player.play(reading(at_ms, current_ma=current_ma))
    assert _on(player) == []


def test_charge_returned_before_a_stage_was_shed_does_not_count() -> None:
    player = _player(FOR_CHARGE)
    player.play(reading(0), reading(DAY_MS, current_ma=20_000))
    player.play(reading(DAY_MS + 1_000, *LOW))
    player.tick(DAY_MS + 11_000)
    player.play(reading(DAY_MS + 20_000))
    player.tick(2 * DAY_MS)
    assert _on(player) == []


DRAIN = rule(
    "drain",
    measure=Measure.DISCHARGE_CURRENT,
    trip_at=90_000,
    clear_at=50_000,
    actions=(stage(3),),
)


def test_a_low_cell_asks_for_charge_of_a_stage_already_down_for_another_reason() -> (
    None
):
    player = _player(FOR_CHARGE, DRAIN)
    player.play(reading(0), reading(DAY_MS, current_ma=20_000))
    player.play(reading(DAY_MS + 1_000, current_ma=-95_000))
    player.tick(DAY_MS + 12_000)
    player.play(reading(DAY_MS + 13_000, *LOW, current_ma=-95_000))
    player.play(reading(DAY_MS + 14_000))
    player.tick(2 * DAY_MS)
    assert player.because("lights") == ("waiting-for-charge",)
    assert _on(player) == []


@pytest.mark.parametrize(
    ("after_ms", "on"),
    [
        (0, ["lights"]),
        (299_999, ["lights"]),
        (300_000, ["kitchen", "lights"]),
        (300_001, ["kitchen", "lights"]),
        (599_999, ["kitchen", "lights"]),
        (600_000, ["drying", "kitchen", "lights"]),
        (600_001, ["drying", "kitchen", "lights"]),
    ],
)
@pytest.mark.parametrize("is_charged", [False, True])
def test_the_last_shed_comes_back_first_and_each_waits_for_the_one_after(
    after_ms: int, on: list[str], *, is_charged: bool
) -> None:
    player = _rebounded(FOR_CHARGE if is_charged else FREELY)
    back_ms = 20_000
    if is_charged:
        back_ms += FIVE_AH_MS
        player.play(reading(back_ms, current_ma=20_000))
    player.tick(back_ms + after_ms)
    assert _on(player) == on


def test_a_load_that_waits_says_for_what() -> None:
    player = _rebounded(FOR_CHARGE)
    assert player.because("lights") == ("waiting-for-charge",)
    assert player.because("drying") == ("waiting-for-charge", "waiting-for-turn")


def test_a_load_that_waits_only_for_its_turn_says_so() -> None:
    player = _rebounded(FREELY)
    assert _on(player) == ["lights"]
    assert player.because("kitchen") == ("waiting-for-turn",)
    assert player.because("drying") == ("waiting-for-turn",)
    player.tick(320_000)
    assert player.because("kitchen") == ()
    assert player.because("drying") == ("waiting-for-turn",)


@pytest.mark.parametrize(
    ("asked_ms", "on"), [(70_999, []), (71_000, ["lights"]), (71_001, ["lights"])]
)
def test_a_load_stays_off_for_its_minimum_time(asked_ms: int, on: list[str]) -> None:
    player = _rebounded(FREELY, min_off_ms=60_000)
    assert player.because("lights") == ("minimum-off-time",)
    player.tick(asked_ms)
    assert _on(player) == on


def test_an_alarm_that_comes_back_sheds_again_what_had_come_back() -> None:
    player = _rebounded(FREELY)
    player.play(reading(320_000), reading(330_000, *LOW))
    player.tick(400_000)
    assert _on(player) == []
    assert player.moves("kitchen")[-2:] == [(320_000, True), (330_000, False)]
    assert player.moves("lights")[-1] == (335_000, False)


# --- lost data ----------------------------------------------------------------------

LOST = rule(
    "lost",
    measure=Measure.DATA_AGE,
    trip_at=8_000,
    clear_at=0,
    actions=(ALL_LOADS,),
    is_data_loss=True,
)
AWARE = Timing(good_scans=1, stale_ms=10_000)


@pytest.mark.parametrize(
    ("asked_ms", "is_on"), [(307_999, True), (308_000, False), (308_001, False)]
)
def test_lost_data_drops_the_loads_when_their_hold_time_has_passed(
    asked_ms: int, *, is_on: bool
) -> None:
    player = _player(LOST, timing=AWARE)
    player.play(reading(0))
    player.tick(asked_ms)
    assert player.level("drying") is is_on
    assert player.because("drying") == (() if is_on else ("lost",))


@pytest.mark.parametrize(
    ("asked_ms", "is_on"), [(309_999, True), (310_000, False), (310_001, False)]
)
def test_lost_data_drops_the_loads_though_no_rule_says_so(
    asked_ms: int, *, is_on: bool
) -> None:
    player = _player(timing=AWARE)
    player.play(reading(0))
    player.tick(asked_ms)
    assert player.level("drying") is is_on
    assert player.because("drying") == (() if is_on else ("waiting-for-data",))


@pytest.mark.parametrize("hold_ms", [0, 1, 60_000])
def test_the_hold_time_is_the_outputs_own(hold_ms: int) -> None:
    player = _player(LOST, timing=AWARE, hold_ms=hold_ms)
    player.play(reading(0))
    player.tick(10**6)
    dropped = [player.moves(name)[-1] for name in LOADS]
    first_ms = 8_000 + hold_ms
    assert dropped == [(first_ms + i * 5_000, False) for i in range(3)]


def test_data_back_within_the_hold_time_leaves_the_loads_alone() -> None:
    player = _player(LOST, timing=AWARE)
    player.play(reading(0), reading(300_000), reading(309_000))
    player.tick(315_000)
    assert [player.moves(name) for name in LOADS] == [[(0, True)]] * 3


def test_another_reason_drops_a_load_held_for_lost_data_at_once() -> None:
    player = _player(LOST, low_rule(actions=(stage(1),)), timing=AWARE)
    player.play(reading(0))
    player.tick(20_000)
    assert player.alarm("lost") == "unacknowledged"
    assert player.level("drying")
    player.play(reading(21_000, *LOW))
    assert player.because("drying") == ("low-cell",)


def test_lost_data_joins_the_reasons_of_a_dropped_load_at_its_own_moment() -> None:
    rules = (low_rule(actions=(stage(1),)), LOST)
    outputs = [output("drying", Role.LOAD_PERMIT, stage=1)]
    player = Player(site(*rules, outputs=outputs, timing=AWARE))
    player.play(reading(0), reading(1_000, *LOW))
    player.tick(10**6)
    told = [fact for fact in player.facts if isinstance(fact, OutputFact)]
    assert [(fact.at_ms, fact.because) for fact in told[1:]] == [
        (1_000, ("low-cell",)),
        (309_000, ("low-cell", "lost")),  # 8 s old, and held for 300 s
    ]


def test_a_later_stage_with_a_shorter_hold_time_takes_the_earlier_ones_along() -> None:
    outputs = [
        output("drying", Role.LOAD_PERMIT, stage=1, hold_ms=300_000),
        output("kitchen", Role.LOAD_PERMIT, stage=2, hold_ms=60_000),
        output("lights", Role.LOAD_PERMIT, stage=3, hold_ms=600_000),
    ]
    player = Player(site(LOST, outputs=outputs, timing=AWARE))
    player.play(reading(0))
    player.tick(10**6)
    assert player.moves("drying")[-1] == (68_000, False)
    assert player.moves("kitchen")[-1] == (73_000, False)
    assert player.moves("lights")[-1] == (608_000, False)


def test_loads_dropped_by_a_latched_loss_stay_so_until_it_is_reset() -> None:
    latching = rule(
        "lost",
        measure=Measure.DATA_AGE,
        trip_at=8_000,
        clear_at=0,
        actions=(ALL_LOADS,),
        is_data_loss=True,
        latching=True,
    )
    player = _player(latching, timing=Timing(good_scans=1, restore_gap_ms=0))
    player.play(reading(0), reading(400_000))
    assert player.alarm("lost") == "latched unacknowledged"
    assert _on(player) == []
    player.play(command(401_000, Verb.ACKNOWLEDGE))
    player.play(command(402_000, Verb.RESET, "lost"), reading(403_000))
    assert _on(player) == list(LOADS)


@pytest.mark.parametrize(
    ("scans", "on"), [(1, []), (4, []), (5, list(LOADS)), (6, list(LOADS))]
)
def test_at_the_start_loads_wait_for_enough_good_readings(
    scans: int, on: list[str]
) -> None:
    player = _player(timing=Timing(good_scans=5))
    for i in range(scans):
        player.play(reading(i * 1_000))
    assert _on(player) == on
    assert player.because("lights") == (() if on else ("starting",))


def test_at_the_start_loads_wait_for_every_pack() -> None:
    outputs = [output("drying", Role.LOAD_PERMIT, stage=1)]
    of = site(packs=("left", "right"), outputs=outputs, timing=Timing(good_scans=2))
    player = Player(of)
    player.play(*(reading(i * 500) for i in range(8)), reading(4_000, pack="right"))
    assert not player.level("drying")
    player.play(reading(5_000, pack="right"))
    assert player.level("drying")


def test_a_cell_low_at_the_start_asks_for_charge_before_any_load() -> None:
    player = _player(FOR_CHARGE)
    player.play(reading(0, *LOW), reading(1_000), reading(DAY_MS))
    assert _on(player) == []
    player.play(reading(DAY_MS + FIVE_AH_MS, current_ma=20_000))
    assert "lights" in _on(player)


def test_the_pack_lost_first_ends_the_hold_time() -> None:
    outputs = [output("drying", Role.LOAD_PERMIT, stage=1, hold_ms=60_000)]
    of = site(packs=("left", "right"), outputs=outputs, timing=AWARE)
    player = Player(of)
    player.play(reading(0), reading(0, pack="right"), reading(9_000, pack="right"))
    player.tick(10**6)
    assert player.moves("drying") == [(0, True), (70_000, False)]


def test_a_stage_shed_for_want_of_effect_waits_for_charge_like_the_one_before() -> None:
    first = low_rule(actions=(stage(1),), needs_charge_back=True)
    player = _player(first)
    player.play(reading(0), reading(400_000, *LOW, current_ma=-50_000))
    player.tick(420_000)
    assert _on(player) == ["lights"]
    player.play(reading(430_000), reading(DAY_MS))
    assert player.because("kitchen") == ("waiting-for-charge",)
    player.play(reading(DAY_MS + FIVE_AH_MS, current_ma=20_000))
    assert _on(player) == ["kitchen", "lights"]
