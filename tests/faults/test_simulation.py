"""The simulation itself: the same seed tells the same story, and bugs are found."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from tests.faults.campaign import run_seed
from tests.faults.planted import BUGS, Bug, find

ROOT = Path(__file__).parents[2]
DAYS = 0.05
QUICK = ("blind-charge", "hasty-permit", "untold-return")


@pytest.mark.parametrize("seed", range(1, 5))
def test_no_invariant_is_broken(seed: int) -> None:
    result = run_seed(seed, days=DAYS)
    assert not result.failure
    assert result.tally.counts["steps"] > 50


def test_a_calm_seed_lives_longer_with_fewer_faults() -> None:
    usual, calm = (run_seed(4, days=0.2, calm=calm) for calm in (1.0, 10.0))
    assert not usual.failure
    assert not calm.failure
    assert calm.tally.faults.total() < usual.tally.faults.total() / 2
    assert calm.tally.counts["samples"] > 100


def test_the_same_seed_tells_the_same_story_in_another_process() -> None:
    told, words = set(), ("--seeds", "2..3", "--days", str(DAYS))
    for hashing in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-m", "tests.faults", "--trace", *words],
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": hashing},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        rows = re.findall(r"^\d+ [0-9a-f]{64}$", done.stdout, re.MULTILINE)
        assert len(rows) == 2
        told.add(tuple(rows))
    assert len(told) == 1


def test_a_campaign_of_two_processes_ends_when_it_is_asked_to() -> None:
    words = (sys.executable, "-m", "tests.faults", "--seeds", "1..9999", "--trace")
    with subprocess.Popen(
        [*words, "--days", "0.01", "--workers", "2"],
        cwd=ROOT,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        text=True,
    ) as campaign:
        assert campaign.stdout is not None
        campaign.stdout.readline()
        campaign.terminate()
        said = campaign.stdout.read()
        assert campaign.wait(60) == 0
    assert "stopped as asked for" in said
    assert " simulated days" in said


@pytest.mark.parametrize(
    "bug", [bug for bug in BUGS if bug.name in QUICK], ids=lambda bug: bug.name
)
def test_a_planted_bug_is_found(bug: Bug) -> None:
    found, _, _ = find(bug, range(2, 3), days=0.2)
    assert found
