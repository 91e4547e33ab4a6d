"""kill -9 and a full disk: the journal loses no row, the history at most a batch.

A process's death, not a power cut: the kernel lives on and writes what it was given.
That every batch is synced is SQLite's promise for ``synchronous=FULL``.
"""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest

from history_kills import Killed, killed

if TYPE_CHECKING:
    from pathlib import Path

KILLS = 3


def check(left: Killed) -> None:
    """What was said to be on the disk is there, and nothing twice or out of turn."""
    assert left.journal == list(range(1, left.journal[-1] + 1))
    assert left.journal[-1] >= left.rows
    assert left.history == list(range(1, left.history[-1] + 1))
    assert left.history[-1] >= left.kept


@pytest.mark.parametrize("kill", range(KILLS))
def test_after_a_kill_only_the_batch_in_hand_is_missing(
    tmp_path: Path, kill: int
) -> None:
    check(killed(tmp_path, random.Random(kill).uniform(0, 0.4)))


@pytest.mark.parametrize("kill", range(KILLS))
def test_a_disk_that_is_full_now_and_then_costs_no_row_and_no_sample_before_the_kill(
    tmp_path: Path, kill: int
) -> None:
    left = killed(tmp_path, 0.3 + random.Random(kill).uniform(0, 0.4), "--full")
    check(left)
    assert left.troubles, "the disk was never full"
