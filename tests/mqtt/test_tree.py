"""What the tree says of what the core decided."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from core_builders import CHARGE, Player, command, low_rule, output, reading, rule, site
from mqtt_stage import LEFT, ROOT, WALL_MS, hut
from tocsin.core.events import ProofBegin, ProofEnd, Tick, Trouble, Verb
from tocsin.core.rules import Role
from tocsin.core.site import Timing
from tocsin.mqtt.names import Names
from tocsin.mqtt.tree import Tree, grown
from tocsin.show import show_json

if TYPE_CHECKING:
    from tocsin.core.site import Site

HIGH = (3_300, 3_650, 3_300, 3_300)


def tree(player: Player) -> Tree:
    of = player.site
    names = Names.of(
        of.name,
        packs=[pack.name for pack in of.bank.packs],
        outputs=[each.name for each in of.outputs],
    )
    outcome = player.outcomes[-1]
    snapshot = show_json(outcome, of, wall_ms=WALL_MS)
    return grown(names, of, outcome, snapshot, wall_ms=WALL_MS)


def said(player: Player, topic: str) -> bytes | None:
    message = tree(player).messages.get(topic)
    return None if message is None else message.payload


def played(of: Site, *events: Any) -> Player:
    player = Player(of)
    player.play(*events)
    return player


def test_a_sample_is_told_in_the_units_of_the_convention() -> None:
    more: dict[str, Any] = {
        "current_ma": -17_905,
        "voltage_mv": 13_254,
        "soc_permille": 505,
    }
    cells = (3_301, 3_298, 3_300, 3_310)
    player = played(hut(), reading(0, *cells, temps_dc=(-15, 203), **more))
    for key, payload in {
        "voltage": b"13.25", "current": b"-17.91", "soc": b"50.5",
        "lowest-cell": b"3.298", "lowest-cell-number": b"2",
        "highest-cell": b"3.310", "highest-cell-number": b"4",
        "cell-spread": b"0.012", "coldest": b"-1.5", "hottest": b"20.3",
        "quality": b"good", "trouble": b"\0",
    }.items():  # fmt: skip
        assert said(player, f"{LEFT}/pack/{key}") == payload, key
    assert said(player, f"{LEFT}/cells/c04") == b"3.310"
    assert said(player, f"{LEFT}/temperatures/t1") == b"-1.5"


def test_what_a_pack_does_not_say_has_no_topic() -> None:
    player = played(hut(), reading(0, temps_dc=(), current_ma=None))
    for key in ("current", "voltage", "soc", "coldest", "hottest", "charge-allowed"):
        assert said(player, f"{LEFT}/pack/{key}") is None


@pytest.mark.parametrize(
    ("at_ms", "life"), [(29_999, "init"), (30_000, "lost"), (30_001, "lost")]
)
def test_a_pack_never_heard_is_lost_after_half_a_minute(at_ms: int, life: str) -> None:
    assert tree(played(hut(), Tick(at_ms=at_ms))).lives["fern-ridge-hut-left"] == life


@pytest.mark.parametrize(
    ("silent_ms", "life"), [(29_999, "ready"), (30_000, "lost"), (30_001, "lost")]
)
def test_a_pack_that_falls_silent_is_lost_after_half_a_minute(
    silent_ms: int, life: str
) -> None:
    player = played(hut(), reading(1_000), Tick(at_ms=1_000 + silent_ms))
    assert tree(player).lives["fern-ridge-hut-left"] == life
    is_there = said(player, f"{LEFT}/cells/c01") is not None
    assert is_there == (life == "ready")


def test_the_goal_differs_only_while_a_minimum_time_runs() -> None:
    of = site(
        rule(actions=(CHARGE,), clear_at=3_450),
        outputs=[output("charge", Role.CHARGE_PERMIT, min_off_ms=60_000)],
        timing=Timing(good_scans=1, stale_ms=10**9),
    )
    level = f"{ROOT}/output-charge/energised"

    def both(player: Player) -> tuple[bytes | None, bytes | None]:
        return said(player, level), said(player, f"{level}/$target")

    player = played(of, reading(100_000))
    assert both(player) == (b"true", b"true")
    player.play(reading(101_000, *HIGH))
    assert both(player) == (b"false", b"false")
    player.play(reading(102_000))
    assert both(player) == (b"false", b"true"), "it comes back by itself"
    player.play(Tick(at_ms=161_000), reading(161_001))
    assert both(player) == (b"true", b"true")


def test_the_goal_is_told_before_the_level() -> None:
    topics = list(tree(played(hut(), reading(0))).messages)
    level = f"{ROOT}/output-horn/energised"
    assert topics.index(f"{level}/$target") < topics.index(level)


def test_an_alarm_is_an_alert_of_its_pack_or_of_the_site_until_it_is_normal() -> None:
    player = played(hut(), reading(0, *HIGH))
    player.play(Trouble(at_ms=1_000, part="mqtt", reason="no broker"))
    alerts = {t for t in tree(player).messages if "$alert" in t}
    assert alerts == {f"{LEFT}/$alert/high-cell", f"{ROOT}/$alert/trouble-mqtt"}
    assert said(player, f"{ROOT}/alarm/count") == b"2"
    assert said(player, f"{ROOT}/alarm/level") == b"medium"
    player.play(reading(2_000), command(3_000, Verb.ACKNOWLEDGE))
    assert said(player, f"{LEFT}/$alert/high-cell") is None


def test_a_shelved_alarm_is_listed_and_alerts_nobody() -> None:
    player = played(hut(), reading(0, *HIGH))
    player.play(command(1_000, Verb.SHELVE, "high-cell", for_ms=60_000))
    assert said(player, f"{LEFT}/$alert/high-cell") is None
    assert said(player, f"{ROOT}/alarm/level") == b"none"
    listed = json.loads(said(player, f"{ROOT}/alarm/list") or b"")
    assert {each["state"] for each in listed} == {"shelved"}


def test_the_worst_alarm_speaks() -> None:
    of = site(rule(), low_rule(), timing=Timing(good_scans=1))
    player = played(of, reading(0, 2_900, 3_650, 3_300, 3_300))
    assert said(player, f"{ROOT}/alarm/level") == b"high"
    assert b"Lowest cell" in (said(player, f"{ROOT}/alarm/text") or b"")


def test_a_proof_test_is_never_taken_for_the_real_thing() -> None:
    player = played(
        hut(),
        *(reading(0), reading(0, pack="right")),
        *(reading(1_000), reading(1_000, pack="right")),
        ProofBegin(at_ms=1_000, alarm="high-cell", by="Ada", for_ms=9_000),
        reading(2_000),
    )
    alert = said(player, f"{ROOT}/$alert/proof-test")
    assert alert == b"PROOF TEST by Ada, not real: high-cell of left, proving"
    assert said(player, f"{LEFT}/$alert/high-cell") is None
    assert said(player, f"{ROOT}/alarm/level") == b"none"
    assert said(player, f"{ROOT}/output-charge/because") == b"high-cell, proof-test"
    player.play(ProofEnd(at_ms=2_000, reason="seen"))
    assert said(player, f"{ROOT}/$alert/proof-test") is None
    assert said(player, f"{ROOT}/output-charge/because") == b"\0"
