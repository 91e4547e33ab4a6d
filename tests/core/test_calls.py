"""Beacon, generator and heater: energised to ask for something."""

from __future__ import annotations

from typing import Any

import pytest

from core_builders import Player, command, low_rule, output, reading, rule, site
from tocsin.core.events import Event, Verb
from tocsin.core.rules import Action, Measure, Priority, Role
from tocsin.core.site import Timing

HIGH = (3_300, 3_650, 3_300, 3_300)
LOW = (3_300, 2_900, 3_300, 3_300)
HOUR_MS = 3_600_000

GENERATOR = Action(role=Role.GENERATOR_CALL)
HEATER = Action(role=Role.HEATER_CALL)
COLD = rule("cold", measure=Measure.COLDEST, trip_at=50, clear_at=80, actions=(HEATER,))


def _player(role: Role, *events: Event, **changes: Any) -> Player:
    of = site(
        rule(latching=True),
        low_rule(actions=(GENERATOR,)),
        COLD,
        rule("hot", measure=Measure.HOTTEST, trip_at=500, clear_at=450),
        rule(
            "spread",
            measure=Measure.CELL_SPREAD,
            trip_at=10,
            clear_at=5,
            priority=Priority.LOW,
        ),
        outputs=[output("call", role, **changes)],
        timing=Timing(good_scans=1, stale_ms=10**9),
    )
    player = Player(of)
    player.play(reading(0), *events)
    return player


HOT = reading(1_000, temps_dc=(600,))
ACK = command(2_000, Verb.ACKNOWLEDGE)


@pytest.mark.parametrize(
    ("events", "is_lit"),
    [
        ([HOT], True),
        ([HOT, ACK], True),
        ([HOT, ACK, reading(3_000)], False),
        ([HOT, reading(1_500)], True),
        ([HOT, reading(1_500), ACK], False),
        ([HOT, command(2_000, Verb.SILENCE)], True),
    ],
    ids=["new", "seen", "seen and gone", "gone", "gone and seen", "silenced"],
)
def test_a_beacon_is_lit_until_its_alarm_is_both_seen_and_gone(
    events: list[Event], *, is_lit: bool
) -> None:
    player = _player(Role.BEACON, *events)
    assert player.level("call") is is_lit
    assert player.because("call") == (("hot",) if is_lit else ())


def test_a_latched_alarm_keeps_the_beacon_until_it_is_reset() -> None:
    player = _player(Role.BEACON, reading(1_000, *HIGH), ACK, reading(3_000))
    assert player.level("call")
    player.play(command(4_000, Verb.RESET, "high-cell"))
    assert not player.level("call")


@pytest.mark.parametrize("verb", [Verb.SHELVE, Verb.REMOVE])
def test_a_hidden_alarm_lights_no_beacon(verb: Verb) -> None:
    player = _player(Role.BEACON, HOT, command(2_000, verb, "hot", for_ms=HOUR_MS))
    assert not player.level("call")


SMALL_SPREAD = (3_300, 3_320, 3_300, 3_300)


def test_a_low_priority_alarm_lights_no_beacon() -> None:
    player = _player(Role.BEACON, reading(1_000, *SMALL_SPREAD))
    assert player.alarm("spread") == "unacknowledged"
    assert not player.level("call")


@pytest.mark.parametrize("role", [Role.BEACON, Role.HORN])
def test_an_output_with_its_own_rules_heeds_these_and_no_others(role: Role) -> None:
    rules = frozenset({"spread", "hot"})
    player = _player(role, reading(1_000, *LOW, temps_dc=(600,)), rules=rules)
    assert player.because("call") == ("hot", "spread")
    other = _player(role, reading(1_000, *HIGH), rules=frozenset({"hot"}))
    assert not other.level("call")


@pytest.mark.parametrize(
    ("role", "cells", "temp_dc", "why"),
    [
        (Role.GENERATOR_CALL, LOW, 200, ("low-cell",)),
        (Role.GENERATOR_CALL, HIGH, 0, ()),
        (Role.HEATER_CALL, LOW, 200, ()),
        (Role.HEATER_CALL, HIGH, 0, ("cold",)),
    ],
)
def test_a_call_is_made_by_the_rules_that_act_on_its_role(
    role: Role, cells: tuple[int, ...], temp_dc: int, why: tuple[str, ...]
) -> None:
    player = _player(role, reading(1_000, *cells, temps_dc=(temp_dc,)))
    assert player.because("call") == why
    assert player.level("call") is bool(why)


def test_a_generator_with_its_own_rules_is_called_by_these_only() -> None:
    rules = frozenset({"cold"})
    called = _player(Role.GENERATOR_CALL, reading(1_000, temps_dc=(0,)), rules=rules)
    assert called.because("call") == ("cold",)
    other = _player(Role.GENERATOR_CALL, reading(1_000, *LOW), rules=rules)
    assert not other.level("call")


@pytest.mark.parametrize("verb", [Verb.SHELVE, Verb.REMOVE])
def test_an_alarm_that_a_person_hides_calls_no_generator(verb: Verb) -> None:
    hide = command(2_000, verb, "low-cell", for_ms=HOUR_MS)
    player = _player(Role.GENERATOR_CALL, reading(1_000, *LOW), hide)
    assert not player.level("call")


def test_an_acknowledged_alarm_goes_on_calling_and_a_returned_one_does_not() -> None:
    player = _player(Role.GENERATOR_CALL, reading(1_000, *LOW), ACK)
    assert player.level("call")
    player = _player(Role.GENERATOR_CALL, reading(1_000, *LOW), reading(2_000))
    assert player.alarm("low-cell") == "returned unacknowledged"
    assert not player.level("call")


@pytest.mark.parametrize("role", [Role.GENERATOR_CALL, Role.HEATER_CALL])
@pytest.mark.parametrize(
    ("asked_ms", "is_on"), [(60_999, True), (61_000, False), (61_001, False)]
)
def test_a_call_lasts_its_minimum_time(
    role: Role, asked_ms: int, *, is_on: bool
) -> None:
    player = _player(
        role,
        reading(1_000, *LOW, temps_dc=(0,)),
        reading(2_000),
        min_on_ms=60_000,
    )
    assert player.because("call") == ("minimum-on-time",)
    assert player.outcomes[-1].wake_at_ms == 61_000
    player.tick(asked_ms)
    assert player.level("call") is is_on


@pytest.mark.parametrize("role", [Role.GENERATOR_CALL, Role.HEATER_CALL])
@pytest.mark.parametrize(
    ("asked_ms", "is_on"), [(31_999, False), (32_000, True), (32_001, True)]
)
def test_a_call_is_quiet_for_its_minimum_time(
    role: Role, asked_ms: int, *, is_on: bool
) -> None:
    player = _player(
        role,
        reading(1_000, *LOW, temps_dc=(0,)),
        reading(2_000),
        reading(3_000, *LOW, temps_dc=(0,)),
        min_off_ms=30_000,
    )
    assert player.because("call") == ("minimum-off-time",)
    assert player.outcomes[-1].wake_at_ms == 32_000
    player.tick(asked_ms)
    assert player.level("call") is is_on


def test_the_first_call_waits_for_no_minimum_time() -> None:
    player = _player(Role.GENERATOR_CALL, reading(1_000, *LOW), min_off_ms=HOUR_MS)
    assert player.moves("call") == [(1_000, True)]


def test_a_cause_back_within_the_minimum_time_is_one_call() -> None:
    player = _player(
        Role.GENERATOR_CALL,
        reading(1_000, *LOW),
        reading(2_000),
        reading(30_000, *LOW),
        min_on_ms=60_000,
    )
    player.tick(HOUR_MS)
    assert player.moves("call") == [(1_000, True)]
    assert player.because("call") == ("low-cell",)


def test_an_explained_alarm_still_makes_its_call() -> None:
    of = site(
        low_rule(actions=(GENERATOR,), suppressed_by=("cold",)),
        COLD,
        outputs=[output("set", Role.GENERATOR_CALL)],
    )
    player = Player(of)
    player.play(reading(0), reading(1_000, *LOW, temps_dc=(0,)))
    assert player.alarm("low-cell") == "suppressed by design"
    assert player.level("set")
