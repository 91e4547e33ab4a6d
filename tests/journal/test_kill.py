"""kill -9 at random moments: what was reported is there."""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

import journal_stage
from tocsin.journal import read
from tocsin.journal.rows import journal_path

KILLS = 50


def killed(folder: Path, after_s: float, manner: str) -> set[int]:
    """Run a writer, kill it, and return the rows it had reported."""
    program = Path(journal_stage.__file__)
    command = [sys.executable, str(program), str(folder), manner]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        first = writer.stdout.readline()  # it is at work from here on
        time.sleep(after_s)
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read()
    whole = [line for line in (first + rest).splitlines(keepends=True) if "\n" in line]
    return {int(line) for line in whole}


def missing(folder: Path, reported: set[int], already: int) -> set[int]:
    rows = [row.at_ms for row in read(folder, after_id=already)]
    assert len(rows) == len(set(rows)), "no row is there twice"
    return reported - set(rows)


@pytest.mark.slow
def test_no_reported_row_is_missing_after_fifty_kills(tmp_path: Path) -> None:
    chance = random.Random(50)
    total = 0
    for _ in range(KILLS):
        already = len(read(tmp_path)) if journal_path(tmp_path).exists() else 0
        reported = killed(tmp_path, chance.uniform(0.0, 0.25), "durable")
        assert reported
        assert missing(tmp_path, reported, already) == set()
        total += len(reported)
        with closing(sqlite3.connect(journal_path(tmp_path))) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert total > KILLS


def test_a_journal_that_reports_too_early_would_be_caught(tmp_path: Path) -> None:
    chance = random.Random(1)
    caught = set[int]()
    for attempt in range(10):
        folder = tmp_path / str(attempt)
        reported = killed(folder, chance.uniform(0.05, 0.2), "early")
        rows = {r.at_ms for r in read(folder)} if journal_path(folder).exists() else {0}
        caught |= reported - rows
    assert caught
