"""Kills a process that keeps a journal and a history, and counts what is missing."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import history_victim
from tocsin.history import reader
from tocsin.journal import read
from tocsin.readonly import connected


@dataclass(frozen=True)
class Killed:
    """What a killed process had said, and what it left.

    Attributes:
        rows, kept: The largest numbers it said were on the disk.
        journal, history: The numbers that are.
        troubles: How often it said that the history could not be written.
    """

    rows: int
    kept: int
    journal: list[int]
    history: list[int]
    troubles: int

    @property
    def lost(self) -> int:
        """How many samples went in, by the journal's count, and are missing."""
        return max(0, self.journal[-1] - self.history[-1])


def killed(folder: Path, after_s: float, *how: str) -> Killed:
    """Run a victim for *after_s* once it has begun to keep samples, and kill it."""
    program = str(Path(history_victim.__file__))
    command = [sys.executable, program, str(folder), *how]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as victim:
        assert victim.stdout is not None
        said: list[str] = []
        while not said or not said[-1].startswith("kept"):
            said.append(victim.stdout.readline())
            assert said[-1], said
        time.sleep(after_s)
        victim.send_signal(signal.SIGKILL)
        said += victim.stdout.read().splitlines(keepends=True)
    assert victim.returncode == -signal.SIGKILL
    whole = [line.split() for line in said if line.endswith("\n")]
    numbers = {
        word: [int(words[1]) for words in whole if words[0] == word]
        for word in ("row", "kept")
    }
    with ExitStack() as stack:
        # A disk that is still full has no room for the side file of a plain reader.
        connection = connected(reader.history_path(folder), stack)
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    samples = reader.samples(folder, since_ms=0, until_ms=2**62)
    return Killed(
        rows=max(numbers["row"], default=0),
        kept=max(numbers["kept"], default=0),
        journal=sorted(row.at_ms for row in read(folder) if row.subject == "test"),
        history=[kept.values["current"] for kept in samples],
        troubles=sum(words[0] == "trouble" and len(words) > 1 for words in whole),
    )
