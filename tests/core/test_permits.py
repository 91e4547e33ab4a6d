"""The charge permit: several reasons, minimum off time, lost and new data."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from core_builders import CHARGE, Player, output, reading, rule, site
from tocsin.core.audit import faults
from tocsin.core.events import Reading, Trouble
from tocsin.core.rules import Action, Measure, Role, Rule
from tocsin.core.site import Timing

HIGH = (3_300, 3_650, 3_300, 3_300)

RULES = (
    rule(actions=(CHARGE,)),
    rule("cold", measure=Measure.COLDEST, trip_at=50, clear_at=80, actions=(CHARGE,)),
    rule("hot", measure=Measure.HOTTEST, trip_at=500, clear_at=450, actions=(CHARGE,)),
    rule("spread", measure=Measure.CELL_SPREAD, trip_at=200, clear_at=100),
)


def _player(
    *rules: Rule,
    packs: tuple[str, ...] = ("left",),
    good_scans: int = 1,
    **changes: Any,
) -> Player:
    of = site(
        *(rules or RULES),
        packs=packs,
        outputs=[output("charge", Role.CHARGE_PERMIT, **changes)],
        timing=Timing(good_scans=good_scans, stale_ms=10_000),
    )
    return Player(of)


def test_every_alarm_that_acts_on_it_is_a_reason_in_the_order_of_the_table() -> None:
    player = _player()
    player.play(
        reading(0),
        reading(1_000, temps_dc=(30, 200)),
        reading(2_000, *HIGH, temps_dc=(30, 600)),
    )
    assert not player.level("charge")
    assert player.because("charge") == ("high-cell", "cold", "hot")


def test_the_permit_stays_dropped_until_the_last_reason_has_gone() -> None:
    player = _player()
    player.play(reading(0), reading(1_000, *HIGH, temps_dc=(30, 600)))
    whys = []
    for at_ms, cells, temps_dc in (
        (2_000, HIGH, (200, 600)),
        (3_000, HIGH, (200, 200)),
        (4_000, (3_300,) * 4, (200, 200)),
    ):
        player.play(reading(at_ms, *cells, temps_dc=temps_dc))
        whys.append((player.level("charge"), player.because("charge")))
    assert whys == [
        (False, ("high-cell", "hot")),
        (False, ("high-cell",)),
        (True, ()),
    ]


def test_the_same_alarm_of_two_packs_is_one_reason() -> None:
    player = _player(packs=("left", "right"))
    player.play(reading(0), reading(0, pack="right"))
    assert player.level("charge")
    player.play(reading(1_000, *HIGH), reading(1_000, *HIGH, pack="right"))
    assert player.because("charge") == ("high-cell",)
    player.play(reading(2_000))
    assert player.because("charge") == ("high-cell",)
    player.play(reading(2_000, pack="right"))
    assert player.level("charge")


def test_an_alarm_that_only_warns_leaves_the_permit_alone() -> None:
    player = _player()
    player.play(reading(0), reading(1_000, 3_300, 3_550, 3_300, 3_300))
    assert player.alarm("spread") == "unacknowledged"
    assert player.level("charge")


@pytest.mark.parametrize(
    ("asked_ms", "is_on"), [(60_999, False), (61_000, True), (61_001, True)]
)
def test_a_dropped_permit_stays_dropped_for_its_minimum_time(
    asked_ms: int, *, is_on: bool
) -> None:
    player = _player(min_off_ms=60_000)
    player.play(reading(0), reading(1_000, *HIGH))
    player.play(*(reading(at_ms) for at_ms in range(2_000, 60_000, 5_000)))
    assert player.because("charge") == ("minimum-off-time",)
    player.tick(asked_ms)
    assert player.level("charge") is is_on


def test_at_the_start_no_minimum_time_has_to_pass() -> None:
    player = _player(min_off_ms=60_000)
    player.play(reading(0))
    assert player.level("charge")


@pytest.mark.parametrize(
    ("asked_ms", "is_on"), [(12_999, True), (13_000, False), (13_001, False)]
)
def test_lost_data_drops_the_permit_at_the_stale_time(
    asked_ms: int, *, is_on: bool
) -> None:
    player = _player()
    player.play(reading(0), reading(3_000))
    player.tick(asked_ms)
    assert player.level("charge") is is_on
    assert player.because("charge") == (() if is_on else ("waiting-for-data",))


BAD = {
    "a poll that fails": None,
    "an impossible cell": reading(5_000, 3_300, 5_001, 3_300, 3_300),
    "a cell too few": reading(5_000, 3_300, 3_300, 3_300),
    "an impossible temperature": reading(5_000, temps_dc=(1_251,)),
}


@pytest.mark.parametrize("bad", BAD)
@pytest.mark.parametrize(("asked_ms", "is_on"), [(12_999, True), (13_000, False)])
def test_a_bad_reading_does_not_renew_the_data(
    bad: str, asked_ms: int, *, is_on: bool
) -> None:
    player = _player()
    player.play(reading(0), reading(3_000))
    _hear(player, BAD[bad])
    player.tick(asked_ms)
    assert player.level("charge") is is_on


def _hear(player: Player, what: Reading | None) -> None:
    if what is None:
        player.fail(5_000)
    else:
        player.play(what)


def test_one_lost_pack_of_two_drops_the_permit() -> None:
    player = _player(packs=("left", "right"))
    player.play(reading(0), reading(0, pack="right"))
    for at_ms in range(1_000, 12_000, 1_000):
        player.play(reading(at_ms))
    assert player.moves("charge") == [(0, True), (10_000, False)]


@pytest.mark.parametrize("scans", [1, 4, 5, 6])
def test_at_the_start_the_permit_waits_for_enough_good_readings(scans: int) -> None:
    player = _player(good_scans=5)
    player.play(*(reading(i * 1_000) for i in range(scans)))
    assert player.level("charge") is (scans >= 5)
    assert player.because("charge") == (() if scans >= 5 else ("starting",))


@pytest.mark.parametrize("scans", [1, 4, 5, 6])
def test_after_a_loss_the_permit_waits_for_enough_good_readings_again(
    scans: int,
) -> None:
    player = _player(good_scans=5)
    player.play(*(reading(i * 1_000) for i in range(5)))
    player.tick(20_000)
    player.play(*(reading(30_000 + i * 1_000) for i in range(scans)))
    assert player.level("charge") is (scans >= 5)


@pytest.mark.parametrize("bad", BAD)
def test_good_readings_are_counted_in_a_row(bad: str) -> None:
    player = _player(good_scans=5)
    player.play(*(reading(i * 1_000) for i in range(5 - 1)))
    _hear(player, BAD[bad])
    player.play(*(reading(6_000 + i * 1_000) for i in range(5 - 1)))
    assert not player.level("charge")
    player.play(reading(10_000))
    assert player.level("charge")


def test_once_permitted_a_single_bad_reading_does_not_drop_the_permit() -> None:
    player = _player(good_scans=5)
    player.play(*(reading(i * 1_000) for i in range(5)))
    player.fail(5_000)
    player.play(reading(6_000))
    assert player.moves("charge") == [(4_000, True)]


def test_a_pack_that_was_never_read_keeps_the_permit_dropped() -> None:
    player = _player(packs=("left", "right"))
    for at_ms in range(0, 100_000, 1_000):
        player.play(reading(at_ms))
    assert player.moves("charge") == []
    assert player.because("charge") == ("starting",)


def test_an_alarm_comes_before_the_lack_of_data_as_a_reason() -> None:
    player = _player()
    player.play(reading(0, *HIGH))
    player.tick(20_000)
    assert player.because("charge") == ("high-cell",)


def test_a_value_that_a_guarded_pack_never_says_can_drop_the_permit() -> None:
    missing = rule(
        "unsaid", measure=Measure.MISSING, trip_at=1, clear_at=0, actions=(CHARGE,)
    )
    player = _player(RULES[1], missing)
    player.play(reading(0), reading(1_000, temps_dc=()))
    assert player.because("charge") == ("unsaid",)


@pytest.mark.parametrize(("temps_dc", "is_permitted"), [((), False), ((200,), True)])
@pytest.mark.parametrize("role", [Role.CHARGE_PERMIT, Role.LOAD_PERMIT])
def test_no_permit_rises_before_the_delay_on_a_value_that_is_not_said(
    role: Role,
    temps_dc: tuple[int, ...],
    is_permitted: bool,  # noqa: FBT001
) -> None:
    acts = (Action(role=role),)
    cold = replace(RULES[1], actions=acts)
    missing = rule(
        "unsaid",
        measure=Measure.MISSING,
        trip_at=1,
        clear_at=0,
        on_delay_ms=10_000,
        actions=acts,
    )
    player = Player(
        site(
            cold,
            missing,
            outputs=[output("permit", role, stage=int(role is Role.LOAD_PERMIT))],
            timing=Timing(good_scans=5),
        )
    )
    for at_ms in range(0, 9_000, 1_000):
        player.play(reading(at_ms, temps_dc=temps_dc))
    assert player.level("permit") is is_permitted
    assert player.because("permit") == (() if is_permitted else ("waiting-for-data",))


def test_a_permit_that_is_given_waits_for_the_delay_of_a_value_not_said() -> None:
    missing = rule(
        "unsaid",
        measure=Measure.MISSING,
        trip_at=1,
        clear_at=0,
        on_delay_ms=10_000,
        actions=(CHARGE,),
    )
    player = _player(RULES[1], missing)
    player.play(reading(0))
    levels = []
    for at_ms in (1_000, 10_999, 11_000):
        player.play(reading(at_ms, temps_dc=()))
        levels.append(player.level("charge"))
    assert levels == [True, True, False]


def test_trouble_in_a_part_of_the_daemon_can_hold_the_permit() -> None:
    trouble = rule(
        "trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0, actions=(CHARGE,)
    )
    player = _player(trouble)
    player.play(reading(0), Trouble(at_ms=1_000, part="outputs", reason="pin busy"))
    assert player.because("charge") == ("trouble",)


def test_no_step_of_these_stories_fails_the_second_look() -> None:
    player = _player(good_scans=3, min_off_ms=5_000)
    player.play(*(reading(i * 1_000) for i in range(6)))
    player.play(reading(7_000, *HIGH), reading(8_000), reading(30_000))
    assert player.moves("charge") == [
        (2_000, True),
        (7_000, False),
        (12_000, True),
        (18_000, False),
    ]
    assert not any(faults(outcome, player.site) for outcome in player.outcomes)


def test_one_lost_pack_is_the_reason_though_another_was_never_read() -> None:
    player = _player(packs=("left", "right"))
    player.play(reading(0))
    assert player.because("charge") == ("starting",)
    player.tick(10_000)
    assert player.because("charge") == ("waiting-for-data",)
