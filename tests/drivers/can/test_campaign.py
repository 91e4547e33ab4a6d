"""A short run of `tests.campaigns.can_frames`, which takes a million frames."""

from __future__ import annotations

import asyncio

from tests.campaigns.can_frames import PACKS, drained, is_sound


def test_random_frames_crash_nothing_and_make_no_impossible_reading() -> None:
    spent_s, grown_mb, seen = asyncio.run(drained(30_000, seed=7))
    assert spent_s > 0
    assert is_sound(grown_mb, seen), seen
    assert sum(n for what, n in seen.items() if what.endswith(": readings")) > 60
    assert sum(what.endswith(": none") for what in seen) == PACKS
