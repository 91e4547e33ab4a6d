"""While proving, everything that is told says so."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pytest
from rich.console import Console

from core_builders import CHARGE, Player, output, reading, rule, site
from tocsin.cli.scene import scene
from tocsin.core.events import NoteFact, ProofBegin, ProofEnd, Proving
from tocsin.core.rules import Role
from tocsin.prove.records import Record, write
from tocsin.prove.standing import NEVER, standing, standing_words
from tocsin.show import show_json
from tocsin.wire import fact_json, fact_words
from tocsin_config import load

if TYPE_CHECKING:
    from pathlib import Path

HUT = site(
    rule(actions=(CHARGE,)),
    outputs=[output("charge", Role.CHARGE_PERMIT, min_off_ms=5_000)],
)


def proving() -> Player:
    player = Player(HUT)
    player.play(reading(0), reading(1_000))
    begin = ProofBegin(at_ms=1_000, alarm="high-cell", by="Ada", for_ms=9_000)
    player.play(begin, reading(2_000))
    return player


def pictured(player: Player) -> str:
    shown = show_json(player.outcomes[-1], HUT, wall_ms=0)
    console = Console(file=io.StringIO(), width=100)
    console.print(scene(shown, HUT))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_the_snapshot_names_the_test_its_alarm_and_its_outputs() -> None:
    player = proving()
    shown = show_json(player.outcomes[-1], HUT, wall_ms=10_000)
    assert shown["proving"] == {
        "state": "proving",
        "alarm": "high-cell",
        "subject": "left",
        "by": "Ada",
        "since": "1970-01-01T00:00:09.000Z",
        "left_s": 8.0,
        "virtual": 3.6,
        "live": 3.3,
        "unit": "V",
        "ended": "",
    }
    assert [alarm["proving"] for alarm in shown["alarms"]] == [True]
    assert [each["proving"] for each in shown["outputs"]] == [True]


def test_a_picture_cannot_be_taken_for_the_real_thing() -> None:
    player = proving()
    text = pictured(player)
    assert "PROOF TEST by Ada: high-cell of left is shown 3.6 V" in text
    assert "8 s left" in text
    assert "PROOF TEST, not real" in text
    assert "proof test, high-cell" in text
    player.play(ProofEnd(at_ms=2_000, reason="seen"))
    text = pictured(player)
    assert "PROOF TEST of high-cell ended; outputs are coming back" in text
    player.play(reading(7_000))
    text = pictured(player)
    assert "PROOF" not in text.upper()


@pytest.mark.parametrize(
    ("how", "words"),
    [
        (Proving.NOT, "start: here"),
        (Proving.CAUSE, "PROOF TEST, not real: start: here"),
        (Proving.MEANWHILE, "start: here (real, during a proof test)"),
    ],
)
def test_a_row_says_what_a_test_has_to_do_with_it(how: Proving, words: str) -> None:
    told = fact_json(NoteFact(at_ms=0, what="start", text="here", proving=how))
    assert fact_words(told) == words
    assert ("proving" in told) is bool(how)


SITE = """\
[bank]
capacity_ah = 280
cells_in_series = 16
[journal]
folder = "here"
[[pack]]
name = "left"
driver = "trace"
"""


def test_a_site_says_that_it_was_never_proved_or_has_changed_since(
    tmp_path: Path,
) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    setup = load(path)
    assert standing_words(standing(setup)) == NEVER
    record = Record(
        site="hut",
        site_file=str(path),
        site_sha256=setup.sha256,
        software="tocsin",
        started_ms=0,
        ended_ms=1_796_083_200_000,
        next_due_ms=4_102_444_800_000,
        is_rehearsal=True,
    )
    write(setup.journal_folder, record, "")
    words = "Rehearsed on 2026-12-01: untested; next due 2100-01-01"
    assert standing_words(standing(setup)) == words
    path.write_text(SITE + "# a new limit\n")
    words = words.replace(";", "; LIMITS CHANGED SINCE THE LAST PROOF;")
    assert standing_words(standing(load(path))) == words
    record.ended_ms, record.next_due_ms = record.ended_ms + 1_000, 1_000
    write(setup.journal_folder, record, "")
    assert "due since 1970-01-01" in standing_words(standing(setup))
