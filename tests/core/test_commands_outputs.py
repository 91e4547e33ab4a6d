"""Wishes that concern an output: try the horn, ask for the generator."""

from __future__ import annotations

from typing import Any

import pytest

from core_builders import Player, command, low_rule, output, reading, rule, site
from tocsin.core.events import Verb
from tocsin.core.horn import PATTERNS, TEST, TEST_MS, WARNING
from tocsin.core.levels import MINIMUM_OFF, MINIMUM_ON, REQUESTED, TESTED
from tocsin.core.rules import Action, Role
from tocsin.core.site import Timing

HIGH = (3_300, 3_650, 3_300, 3_300)
LOW = (3_300, 2_900, 3_300, 3_300)
HOUR_MS = 3_600_000
ASKED_MS = 10_000
CALL = Action(role=Role.GENERATOR_CALL)


def _player(**changes: Any) -> Player:
    times = {"min_on_ms": 0, "min_off_ms": 0, **changes}
    of = site(
        rule(),
        low_rule(actions=(CALL,)),
        outputs=[
            output("horn", Role.HORN),
            output("diesel", Role.GENERATOR_CALL, **times),
            output("charge", Role.CHARGE_PERMIT),
        ],
        timing=Timing(good_scans=1, stale_ms=10**9),
    )
    player = Player(of)
    player.play(reading(0))
    return player


def _asked(player: Player, verb: Verb, at_ms: int = ASKED_MS, **more: Any) -> str:
    player.play(command(at_ms, verb, **more))
    answer = player.answer()
    return f"{'yes' if answer.accepted else 'no'}: {answer.outcome}"


def test_a_test_is_one_burst_of_two_uneven_pulses_and_then_quiet() -> None:
    player = _player()
    assert _asked(player, Verb.SOUNDER_TEST) == "yes: one burst of the horn"
    edges = [(0, player.level("horn"))]
    while (wake_ms := player.outcomes[-1].wake_at_ms) is not None:
        player.tick(wake_ms)
        if player.level("horn") != edges[-1][1]:
            edges.append((wake_ms - ASKED_MS, player.level("horn")))
        if wake_ms > ASKED_MS + 2 * TEST_MS:
            break
    assert edges == [(0, True), (600, False), (900, True), (1_200, False)]
    assert player.because("horn") == ()


def test_a_test_says_so_and_claims_less_than_a_warning() -> None:
    player = _player()
    _asked(player, Verb.SOUNDER_TEST)
    assert player.because("horn") == (TESTED,)
    assert sum(on for on, _ in TEST.pulses) < sum(on for on, _ in WARNING.pulses)
    assert TEST not in PATTERNS


def test_no_test_is_made_while_an_alarm_sounds_and_an_alarm_ends_a_test() -> None:
    player = _player()
    player.play(reading(1_000, *LOW))
    assert _asked(player, Verb.SOUNDER_TEST) == "no: the horn is called already"
    player = _player()
    _asked(player, Verb.SOUNDER_TEST)
    player.play(reading(ASKED_MS + 100, *LOW))
    assert player.because("horn") == ("low-cell",)


def test_a_silence_does_not_keep_a_test_from_sounding() -> None:
    player = _player()
    player.play(reading(1_000, *LOW), command(2_000, Verb.SILENCE))
    assert _asked(player, Verb.SOUNDER_TEST).startswith("yes")
    assert player.level("horn")


@pytest.mark.parametrize(
    ("verb", "said"),
    [
        (Verb.SOUNDER_TEST, "no: there is no output of role horn"),
        (Verb.GENERATOR_REQUEST, "no: there is no output of role generator-call"),
        (Verb.GENERATOR_RELEASE, "no: there is no output of role generator-call"),
    ],
)
def test_what_the_site_does_not_have_is_refused(verb: Verb, said: str) -> None:
    player = Player(site(rule(), outputs=[]))
    player.play(reading(0))
    assert _asked(player, verb) == said


@pytest.mark.parametrize(
    ("for_ms", "is_taken"),
    [
        (-1, False),
        (0, True),
        (12 * HOUR_MS - 1, True),
        (12 * HOUR_MS, True),
        (12 * HOUR_MS + 1, False),
    ],
)
def test_a_request_lasts_twelve_hours_at_most(for_ms: int, *, is_taken: bool) -> None:
    player = _player()
    said = _asked(player, Verb.GENERATOR_REQUEST, for_ms=for_ms)
    assert said.startswith("yes") == is_taken
    assert player.level("diesel") == is_taken


@pytest.mark.parametrize(("after_ms", "is_on"), [(-1, True), (0, False), (1, False)])
def test_a_request_ends_by_itself(after_ms: int, *, is_on: bool) -> None:
    player = _player()
    _asked(player, Verb.GENERATOR_REQUEST, for_ms=60_000)
    assert player.because("diesel") == (REQUESTED,)
    player.tick(ASKED_MS + 60_000 + after_ms)
    assert player.level("diesel") == is_on


def test_a_release_ends_a_request_and_never_what_a_rule_asks() -> None:
    player = _player()
    _asked(player, Verb.GENERATOR_REQUEST)
    said = _asked(player, Verb.GENERATOR_RELEASE, ASKED_MS + 1)
    assert said == "yes: requested no longer"
    assert not player.level("diesel")
    player.play(reading(ASKED_MS + 2, *LOW))
    _asked(player, Verb.GENERATOR_RELEASE, ASKED_MS + 3)
    assert player.level("diesel")
    assert player.because("diesel") == ("low-cell",)


def test_a_request_keeps_the_minimum_times_of_the_output() -> None:
    player = _player(min_on_ms=30_000, min_off_ms=60_000)
    _asked(player, Verb.GENERATOR_REQUEST)
    _asked(player, Verb.GENERATOR_RELEASE, ASKED_MS + 1)
    assert player.because("diesel") == (MINIMUM_ON,)
    player.tick(ASKED_MS + 30_000)
    assert not player.level("diesel")
    _asked(player, Verb.GENERATOR_REQUEST, ASKED_MS + 30_001)
    assert player.because("diesel") == (MINIMUM_OFF,)
    player.tick(ASKED_MS + 90_000)
    assert player.level("diesel")


@pytest.mark.parametrize("verb", [Verb.SOUNDER_TEST, Verb.GENERATOR_REQUEST])
def test_neither_gives_a_permit_back(verb: Verb) -> None:
    player = _player()
    player.play(reading(1_000, *HIGH))
    before = player.level("charge")
    _asked(player, verb)
    assert player.level("charge") == before
