"""What was learned is saved at a clean stop, and set aside when a bug ended it."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

from site_files import loaded
from tocsin import app
from tocsin.clock import RealClock

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact

SITE = """\
[bank]
capacity_ah = 280
cells_in_series = 16
[[pack]]
name = "left"
driver = "simulated"
[page]
enabled = false
[journal]
folder = "journal"
"""


class Watcher:
    """Counts readings, and stumbles at the second if it is told to."""

    def __init__(self, *, stumbles: bool) -> None:
        self.stumbles = stumbles
        self.has_read = asyncio.Event()

    def tell(self, facts: Sequence[Fact]) -> None:
        pass

    def stepped(self, outcome: Outcome) -> None:
        if outcome.state.packs[0].tracker is None:
            return
        self.has_read.set()
        if self.stumbles:
            raise ZeroDivisionError


async def run(folder: Path, *, stumbles: bool) -> None:
    watcher = Watcher(stumbles=stumbles)
    setup = loaded(folder, SITE)
    daemon = asyncio.create_task(app.serve(setup, time=RealClock(), guests=(watcher,)))
    await asyncio.wait_for(watcher.has_read.wait(), 20)
    if not stumbles:
        daemon.cancel()
    with suppress(asyncio.CancelledError):
        await daemon


def test_a_clean_stop_saves_what_was_learned(tmp_path: Path) -> None:
    asyncio.run(run(tmp_path, stumbles=False))
    assert (tmp_path / "journal" / "learned.json").exists()


def test_a_bug_sets_aside_what_it_may_have_stumbled_over(tmp_path: Path) -> None:
    asyncio.run(run(tmp_path, stumbles=False))
    with pytest.raises(ExceptionGroup):
        asyncio.run(run(tmp_path, stumbles=True))
    folder = tmp_path / "journal"
    assert not (folder / "learned.json").exists()
    assert (folder / "learned.json.aside").exists()
