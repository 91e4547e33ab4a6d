"""Certificates that end soon: the preset's three warnings, one at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from core_builders import Player
from site_files import loaded
from tocsin.core.alarm import AlarmState
from tocsin.core.events import CertificatesSeen

if TYPE_CHECKING:
    from pathlib import Path

DAY_MS = 86_400_000
TEXT = "our certificate hut.crt ends on 3 December 2026"
RULES = ("certificate-ends", "certificate-ends-soon", "certificate-ends-now")


def shown(player: Player) -> list[tuple[str, str]]:
    """Return priority and name of each of the three that people see."""
    state, rules = player.outcomes[-1].state, player.site.rules
    return [
        (rules[a.index].priority.value, rules[a.index].name)
        for a in state.alarms
        if a.state is AlarmState.UNACKNOWLEDGED and rules[a.index].name in RULES
    ]


@pytest.mark.parametrize(
    ("left_ms", "seen"),
    [
        (60 * DAY_MS + 1, []),
        (60 * DAY_MS, [("low", "certificate-ends")]),
        (60 * DAY_MS - 1, [("low", "certificate-ends")]),
        (30 * DAY_MS + 1, [("low", "certificate-ends")]),
        (30 * DAY_MS, [("low", "certificate-ends-soon")]),
        (30 * DAY_MS - 1, [("low", "certificate-ends-soon")]),
        (7 * DAY_MS + 1, [("low", "certificate-ends-soon")]),
        (7 * DAY_MS, [("medium", "certificate-ends-now")]),
        (7 * DAY_MS - 1, [("medium", "certificate-ends-now")]),
        (-DAY_MS, [("medium", "certificate-ends-now")]),
    ],
)
def test_of_the_three_warnings_the_most_pressing_is_shown(
    left_ms: int, seen: list[tuple[str, str]], tmp_path: Path
) -> None:
    player = Player(loaded(tmp_path).site)
    player.play(CertificatesSeen(at_ms=1_000, left_ms=left_ms, text=TEXT))
    assert shown(player) == seen


def test_a_warning_says_which_certificate_ends_and_renewing_it_ends_the_warning(
    tmp_path: Path,
) -> None:
    player = Player(loaded(tmp_path).site)
    player.play(CertificatesSeen(at_ms=1_000, left_ms=5 * DAY_MS, text=TEXT))
    assert any(TEXT in getattr(f, "message", "") for f in player.outcomes[-1].facts)
    renewed = "our certificate hut.crt ends on 3 December 2028"
    player.play(CertificatesSeen(at_ms=2_000, left_ms=735 * DAY_MS, text=renewed))
    assert shown(player) == []
