"""What the journal is told, row for row: sources, full charges, outputs, commands."""

from __future__ import annotations

from dataclasses import replace

from core_builders import CHARGE, Player, command, output, reading, rule, site
from tocsin.core.events import (
    AlarmFact,
    CommandFact,
    NoteFact,
    OutputFact,
    SourceFact,
    Tick,
    Trouble,
    Verb,
)
from tocsin.core.rules import Measure, Role
from tocsin.core.site import Chemistry, Timing

PACKS = ("left", "right")


def _sources(player: Player) -> list[SourceFact]:
    return [fact for fact in player.facts if isinstance(fact, SourceFact)]


def test_the_first_reading_of_each_pack_is_told() -> None:
    player = Player(site(packs=PACKS))
    player.play(reading(5, pack="right"), reading(7, pack="right"))
    assert _sources(player) == [
        SourceFact(at_ms=5, pack="right", state="online", reason="")
    ]


def test_a_pack_that_falls_silent_is_told_with_how_long() -> None:
    player = Player(site(packs=PACKS, timing=Timing(stale_ms=12_500)))
    player.play(reading(0, pack="right"))
    player.tick(20_000)
    assert _sources(player)[-1] == SourceFact(
        at_ms=12_500, pack="right", state="lost", reason="no good reading for 12.5 s"
    )


def test_a_poll_that_fails_is_told_once_and_so_is_the_pack_that_is_back() -> None:
    player = Player(site(packs=PACKS))
    player.play(reading(0, pack="right"))
    player.fail(1_000, "no answer", pack="right")
    player.fail(2_000, "no answer", pack="right")
    player.play(reading(3_000, pack="right"), reading(4_000, pack="right"))
    assert _sources(player)[1:] == [
        SourceFact(at_ms=1_000, pack="right", state="failing", reason="no answer"),
        SourceFact(at_ms=3_000, pack="right", state="online", reason=""),
    ]


def test_a_pack_that_is_lost_while_it_fails_says_why_it_failed() -> None:
    player = Player(site(packs=PACKS))
    player.play(reading(0, pack="left"))
    player.fail(4_000, "no answer")
    player.tick(10_000)
    assert _sources(player)[-1] == SourceFact(
        at_ms=10_000, pack="left", state="lost", reason="no answer"
    )


def test_a_full_charge_is_a_note() -> None:
    player = Player(site(chemistry=Chemistry(full_hold_ms=2_000)))
    for at_ms in (0, 1_000, 2_000, 3_000):
        player.play(reading(at_ms, *[3_450] * 4))
    assert [fact for fact in player.facts if isinstance(fact, NoteFact)] == [
        NoteFact(at_ms=2_000, what="full-charge", text="every pack is full")
    ]


def test_every_output_is_told_with_its_role_its_level_and_its_reasons() -> None:
    full = rule("full", actions=(CHARGE,))
    of = site(full, outputs=[output("charge", Role.CHARGE_PERMIT)])
    player = Player(of)
    player.play(Tick(at_ms=1), reading(2), reading(3, *[3_700] * 4))
    role = Role.CHARGE_PERMIT
    assert [fact for fact in player.facts if isinstance(fact, OutputFact)] == [
        OutputFact(
            at_ms=at_ms, output="charge", role=role, energised=on, because=because
        )
        for at_ms, on, because in (
            (1, False, ("starting",)),
            (2, True, ()),
            (3, False, ("full",)),
        )
    ]


def test_a_wish_is_told_as_it_was_said_with_what_became_of_it() -> None:
    player = Player(site(rule("full")))
    player.play(reading(0, *[3_700] * 4))
    player.play(command(1, Verb.ACKNOWLEDGE, "full", subject="left"))
    assert player.answer() == CommandFact(
        at_ms=1,
        verb=Verb.ACKNOWLEDGE,
        alarm="full",
        subject="left",
        by="warden",
        reason="waiting for a spare",
        accepted=True,
        outcome="1 changed",
    )


def test_trouble_that_counts_only_after_a_delay_still_says_why() -> None:
    trouble = rule("trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0)
    player = Player(site(replace(trouble, on_delay_ms=5_000)))
    player.play(Trouble(at_ms=0, part="journal", reason="disk full"))
    player.tick(1_000)
    (row,) = player.tick(5_000).facts
    assert isinstance(row, AlarmFact)
    assert (row.at_ms, row.state) == (5_000, "unacknowledged")
    assert "disk full" in row.message


def test_an_alarm_is_normal_since_the_start() -> None:
    player = Player(site(rule("full")), now_ms=500)
    assert {alarm.since_ms for alarm in player.state.alarms} == {500}
