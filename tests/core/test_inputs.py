"""Buttons, switches and contacts: debounced, obeyed, and careful when unreadable."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core_builders import Player, low_rule, output, reading, rule, seen, site, wired
from tocsin.core.events import CommandFact, Event, Tick
from tocsin.core.plant import InputRole
from tocsin.core.rules import Action, Measure, Role
from tocsin.core.site import PARTS, Timing

LOW = (3_300, 2_900, 3_300, 3_300)
HIGH = (3_300, 3_650, 3_300, 3_300)
BOTH = (3_300, 2_900, 3_650, 3_300)
MUTE_MS = 600_000
GENERATOR = Action(role=Role.GENERATOR_CALL)
HEATER = Action(role=Role.HEATER_CALL)

RULES = (
    low_rule(actions=(GENERATOR, HEATER)),
    rule(),
    rule("trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0),
    rule("forgotten", measure=Measure.MAINTENANCE_OVER, trip_at=1, clear_at=0),
)
INPUTS = (
    wired("ack", InputRole.ACKNOWLEDGE, debounce_ms=50),
    wired("hush", InputRole.SILENCE, debounce_ms=50),
    wired("works", InputRole.MAINTENANCE, mute_ms=MUTE_MS),
    wired("lock", InputRole.GENERATOR_LOCKOUT),
)
OUTPUTS = (
    output("horn", Role.HORN),
    output("set", Role.GENERATOR_CALL, min_on_ms=1_800_000),
    output("heater", Role.HEATER_CALL),
    output("charge", Role.CHARGE_PERMIT),
)


def _player(*events: Event, **changes: Any) -> Player:
    """Everything is read and off; readings never go stale."""
    of = site(
        *RULES,
        outputs=OUTPUTS,
        inputs=INPUTS,
        timing=Timing(good_scans=1, stale_ms=10**9, horn_cap_ms=3_600_000),
        **changes,
    )
    player = Player(of)
    player.play(*(seen(0, each.name, level=False) for each in INPUTS))
    player.play(reading(100), *events)
    return player


def _pressed(player: Player) -> list[tuple[int, str, str]]:
    commands = [f for f in player.facts if isinstance(f, CommandFact)]
    return [(f.at_ms, f.verb.value, f.by) for f in commands]


# --- debounce ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("let_go_ms", "is_pressed"), [(1_049, False), (1_050, True), (1_051, True)]
)
def test_a_button_counts_once_it_has_lasted(
    let_go_ms: int, *, is_pressed: bool
) -> None:
    player = _player(seen(1_000, "ack"), seen(let_go_ms, "ack", level=False))
    player.tick(5_000)
    said = [(1_050, "acknowledge", "button ack")] if is_pressed else []
    assert _pressed(player) == said


def test_a_contact_that_bounces_is_one_press_when_it_has_come_to_rest() -> None:
    bounces = [seen(1_000 + i, "ack", level=i % 2 == 0) for i in range(21)]
    player = _player(*bounces, Tick(at_ms=9_000))
    assert _pressed(player) == [(1_070, "acknowledge", "button ack")]


@given(st.lists(st.tuples(st.integers(1, 120), st.booleans()), max_size=30))
def test_a_button_is_pressed_as_often_as_it_was_down_for_long_enough(
    steps: list[tuple[int, bool]],
) -> None:
    player, at_ms = _player(), 1_000
    levels = [(at_ms, False)]
    for gap_ms, level in steps:
        at_ms += gap_ms
        player.play(seen(at_ms, "ack", level=level))
        levels.append((at_ms, level))
    player.tick(at_ms + 1_000)
    kept = [
        each for i, each in enumerate(levels) if not i or each[1] != levels[i - 1][1]
    ]
    ends = [*(start for start, _ in kept[1:]), at_ms + 1_000]
    lasted = [lv for (a, lv), b in zip(kept, ends, strict=True) if b - a >= 50]
    presses = sum(
        now and not before
        for before, now in zip([False, *lasted], lasted, strict=False)
    )
    assert len(_pressed(player)) == presses


def test_a_button_that_was_never_seen_up_is_not_pressed() -> None:
    player = Player(_player().site)
    player.play(seen(0, "ack"), reading(0), Tick(at_ms=60_000))
    assert _pressed(player) == []


def test_a_button_that_hangs_after_its_wire_was_off_is_not_pressed() -> None:
    player = _player(seen(1_000, "ack", level=None), seen(2_000, "ack"))
    player.tick(60_000)
    assert _pressed(player) == []


# --- what they do -----------------------------------------------------------------


def test_the_acknowledge_button_does_what_the_command_does() -> None:
    player = _player(reading(1_000, *LOW), seen(2_000, "ack"), Tick(at_ms=3_000))
    assert player.alarm("low-cell") == "acknowledged"


def test_the_silence_button_stops_the_sound_for_a_time() -> None:
    player = _player(reading(1_000, *LOW), seen(2_000, "hush"), Tick(at_ms=3_000))
    assert player.because("horn") == ()
    assert player.alarm("low-cell") == "unacknowledged"
    player.tick(2_050 + 600_000)
    assert player.because("horn") == ("low-cell",)


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("works", ("low-cell", "maintenance")),
        ("lock", ("low-cell", "generator-lock-out")),
    ],
)
@pytest.mark.parametrize("level", [True, None], ids=["on", "unreadable"])
def test_a_plain_call_ends_at_once_whatever_its_minimum_time(
    name: str, *, level: bool | None, why: tuple[str, ...]
) -> None:
    player = _player(reading(1_000, *LOW))
    assert player.level("set")
    player.play(seen(2_000, name, level=level))
    assert not player.level("set")
    assert player.because("set") == why
    assert player.level("heater") is (name == "lock"), "the lock is the set's alone"


def test_what_was_never_read_calls_nothing() -> None:
    player = Player(_player().site)
    player.play(reading(0), reading(1_000, *LOW))
    assert not player.level("set")
    assert not player.level("heater")


def test_no_input_moves_a_permit() -> None:
    for level in (True, False, None):
        events = [seen(1_000, each.name, level=level) for each in INPUTS]
        player = _player(*events, Tick(at_ms=10_000))
        assert player.level("charge")


# --- maintenance ------------------------------------------------------------------


def test_maintenance_is_told_in_words() -> None:
    player = _player(seen(1_000, "works"), seen(9_000, "works", level=False))
    (on_ms, on), (off_ms, off) = player.notes("input")
    assert (on_ms, off_ms) == (1_000, 9_000)
    assert "not called while it is on" in on
    assert "quiet for 10 min" in on
    assert off == "maintenance works is off"


@pytest.mark.parametrize(
    ("asked_ms", "is_heard"),
    [(999 + MUTE_MS, False), (1_000 + MUTE_MS, True), (1_001 + MUTE_MS, True)],
)
def test_maintenance_keeps_the_horn_quiet_for_its_time_and_no_longer(
    asked_ms: int, *, is_heard: bool
) -> None:
    player = _player(reading(500, *HIGH), seen(1_000, "works"))
    assert player.because("horn") == ()
    player.tick(asked_ms)
    assert bool(player.because("horn")) is is_heard
    forgotten = "unacknowledged" if is_heard else "normal"
    assert player.alarm("forgotten", "works") == forgotten
    assert not player.level("set")


def test_a_new_alarm_of_high_priority_sounds_all_the_same() -> None:
    player = _player(seen(1_000, "works"), reading(2_000, *HIGH))
    assert player.because("horn") == ()
    player.play(reading(3_000, *BOTH))
    assert player.because("horn") == ("low-cell",)


def test_a_high_alarm_from_before_is_quiet_too() -> None:
    player = _player(reading(500, *LOW), seen(1_000, "works"))
    assert player.because("horn") == ()


def test_a_forgotten_switch_still_keeps_the_set_from_starting() -> None:
    player = _player(seen(1_000, "works"), Tick(at_ms=1_000 + 2 * MUTE_MS))
    player.play(reading(2_000_000, *LOW))
    assert not player.level("set")
    assert player.because("set") == ("low-cell", "maintenance")


def test_turned_off_it_is_forgotten_no_more() -> None:
    player = _player(seen(1_000, "works"), Tick(at_ms=1_000 + 2 * MUTE_MS))
    player.play(seen(2_000_000, "works", level=False))
    assert player.alarm("forgotten", "works") == "returned unacknowledged"


def test_a_switch_that_cannot_be_read_mutes_nothing() -> None:
    player = _player(reading(500, *HIGH), seen(1_000, "works"))
    player.play(seen(2_000, "works", level=None))
    assert player.because("horn") == ("high-cell", "trouble")


# --- trouble ----------------------------------------------------------------------


def test_an_input_that_cannot_be_read_is_a_trouble_until_it_can() -> None:
    player = _player(seen(1_000, "lock", level=None), seen(2_000, "ack", level=None))
    assert player.alarm("trouble", "inputs") == "unacknowledged"
    assert dict(player.state.troubles)["inputs"] == "ack: wire off; lock: wire off"
    player.play(seen(3_000, "lock", level=False))
    assert player.alarm("trouble", "inputs") == "unacknowledged"
    player.play(seen(4_000, "ack", level=False))
    assert player.alarm("trouble", "inputs") == "returned unacknowledged"


def test_a_site_without_inputs_has_no_such_alarm() -> None:
    subjects = {subject for _, subject in site(*RULES).subjects}
    assert subjects == {"left", *PARTS}


def test_two_inputs_of_one_name_are_refused() -> None:
    twice = [wired("ack", InputRole.ACKNOWLEDGE)] * 2
    with pytest.raises(ValueError, match="two inputs share a name: ack"):
        site(inputs=tuple(twice))
