"""The daemon as it is, with an ear on it that says what is on the disk.

Used as ``python told.py run SITE`` in place of ``tocsin``, by the same service unit.
It begins as soon as /run/lab/go is there: what a process loads is in memory by then,
and a machine that was put to sleep before can be woken many times. Standard output is
the port to the test outside, a line each:

- ``row DIGEST``: the journal was told that this row is on the disk
- ``kept PACK MS``: a sample of that time is in the history
- ``saved NAME DIGEST``: a small file was written, and its text
- ``loaded``: it waits
- ``look JSON``: what the last run left, looked at before anything is written

``NORMAL`` in that file breaks the journal on purpose: its commits no longer wait for
the disk. What is learned and counted is saved every second or so instead of every ten
minutes, so that a cut meets it.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tocsin import app, files, memory
from tocsin.cli import main
from tocsin.history.writer import Keeper
from tocsin.journal import Journal
from tocsin.journal.store import Store

if TYPE_CHECKING:
    from collections.abc import Sequence

GO = Path("/run/lab/go")
FOLDER = Path("/var/lib/tocsin")
PORT = 1
"""Standard output's descriptor."""
EVERY_S = 1.0


def say(*lines: str) -> None:
    if lines:
        os.write(PORT, "".join(f"{line}\n" for line in lines).encode())


def digest(value: object) -> str:
    return hashlib.sha256(json.dumps(value).encode()).hexdigest()[:16]


class ToldJournal(Journal):
    """Says every row that it hears is on the disk."""

    def stored(self, entries: Sequence[Any], notes: Sequence[Any]) -> None:
        super().stored(entries, notes)
        say(*(f"row {digest(entry.row)}" for entry in (*notes, *entries)))


class LooseStore(Store):
    """A store whose commits do not wait for the disk."""

    def _make_ready(self, connection: sqlite3.Connection) -> None:
        super()._make_ready(connection)
        connection.execute("PRAGMA synchronous = NORMAL")


def listen(how: str) -> None:
    """Put the ear on, and break what is to be broken."""
    keep, save = Keeper.keep, files.save

    def kept(keeper: Keeper, heard: Sequence[Any]) -> None:
        keep(keeper, heard)
        say(*(f"kept {one.pack} {one.at_ms}" for one in heard))

    def saved(path: Path, text: str) -> None:
        save(path, text)
        say(f"saved {path.name} {digest(text)}")

    setattr(Keeper, "keep", kept)  # noqa: B010 they are not meant to be set
    setattr(files, "save", saved)  # noqa: B010
    setattr(app, "Journal", ToldJournal)  # noqa: B010
    setattr(memory, "LEARNED_EVERY_S", EVERY_S)  # noqa: B010
    setattr(memory, "LOOK_EVERY_S", EVERY_S)  # noqa: B010
    if how == "NORMAL":
        from tocsin.journal import writer  # noqa: PLC0415 only to break it

        setattr(writer, "Store", LooseStore)  # noqa: B010


def look() -> dict[str, Any]:
    """Return how the databases are, as this kernel's file system gives them back."""
    seen: dict[str, Any] = {}
    for path in sorted(FOLDER.glob("*.db")):
        with closing(sqlite3.connect(path)) as connection:
            (said,) = connection.execute("PRAGMA integrity_check").fetchone()
            seen[path.name] = said
    return seen


if __name__ == "__main__":
    say("loaded")
    while not GO.exists():
        time.sleep(0.02)
    say(f"look {json.dumps(look())}")
    listen(GO.read_text().strip())
    sys.exit(main(sys.argv[1:]))
