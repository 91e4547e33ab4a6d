"""kill -9 at random moments: what was reported is there, and once.

This shows what a process's death leaves behind, not what a power cut does: the kernel
lives on and writes what it was given.
"""

from __future__ import annotations

import json
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest

import journal_victim
from tocsin.journal import read
from tocsin.journal.rows import journal_path

KILLS = 50


def reported_until_killed(
    folder: Path, run: str, after_s: float, *how: str
) -> set[str]:
    """Run a victim, kill it *after_s* seconds into its work, return what it said."""
    program = Path(journal_victim.__file__)
    command = [sys.executable, str(program), str(folder), run, *how]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as victim:
        assert victim.stdout is not None
        first = victim.stdout.readline()
        time.sleep(after_s)
        victim.send_signal(signal.SIGKILL)
        said = first + victim.stdout.read()
    assert victim.returncode == -signal.SIGKILL
    return {line[:-1] for line in said.splitlines(keepends=True) if line[-1] == "\n"}


def stored(folder: Path) -> Counter[str]:
    return Counter(json.loads(row.detail)["text"] for row in read(folder))


def check_integrity(folder: Path) -> None:
    uri = f"{journal_path(folder).as_uri()}?mode=ro"
    with closing(sqlite3.connect(uri, uri=True)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


@pytest.mark.slow
def test_no_reported_row_is_missing_or_doubled_after_fifty_kills(
    tmp_path: Path,
) -> None:
    chance = random.Random(50)
    reported = set[str]()
    for kill in range(KILLS):
        after_s = chance.uniform(0, 0.1)
        reported |= reported_until_killed(tmp_path, f"run {kill}", after_s)
        check_integrity(tmp_path)
        rows = stored(tmp_path)
        assert reported - set(rows) == set()
        assert max(rows.values()) == 1
    assert len({text.split("/")[0] for text in reported}) == KILLS


def test_a_journal_killed_while_it_is_made_opens_again(tmp_path: Path) -> None:
    """Slices of the first moments of a fresh folder, reports or not."""
    chance = random.Random(1)
    program = Path(journal_victim.__file__)
    for kill in range(6):
        folder = tmp_path / str(kill)
        command = [sys.executable, str(program), str(folder), "first"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as victim:
            while not journal_path(folder).exists():
                time.sleep(0.000_5)
            time.sleep(chance.uniform(0, 0.004))
            victim.kill()
        reported = reported_until_killed(folder, "second", 0.0)
        check_integrity(folder)
        assert reported - set(stored(folder)) == set()
        assert not [*folder.glob("journal-damaged-*")]


def test_a_journal_that_reports_before_it_commits_would_be_caught(
    tmp_path: Path,
) -> None:
    chance = random.Random(2)
    for kill in range(20):
        after_s = chance.uniform(0, 0.1)
        reported = reported_until_killed(tmp_path, f"run {kill}", after_s, "--early")
        if reported - set(stored(tmp_path)):
            return
    pytest.fail("rows that were reported before they were stored were never missed")
