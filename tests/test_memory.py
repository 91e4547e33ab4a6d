"""What one run leaves for the next is saved in time."""

from __future__ import annotations

import asyncio
import json
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from site_files import SMALL, loaded
from tocsin import kept, memory
from tocsin.clock import SteppedClock
from tocsin.core.engine import step
from tocsin.core.events import Command, Reading, Tick, Verb
from tocsin.core.model import Sample
from tocsin.core.state import fresh
from tocsin.memory import Memory
from tocsin.rooms import Rooms
from tocsin.shell import Inbox

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from tocsin.core.engine import Outcome
    from tocsin.core.site import Site

WALL_MS = 1_780_000_000_000
SITE = f"""{SMALL}\
[journal]
folder = "journal"
[timing]
good_scans = 1
[[output]]
name = "horn"
role = "horn"
[[output]]
name = "set"
role = "generator-call"
[output.generator]
"""

SAMPLE = Sample(cells_mv=(3_300,) * 16, temps_dc=(200,), current_ma=-5_000)


def _asked(site: Site, verb: Verb) -> Outcome:
    """Return what comes of a person's wish, a set's start delay later."""
    state = fresh(site, now_ms=0)
    for event in (
        Reading(at_ms=900, pack="left", sample=SAMPLE),
        Command(at_ms=1_000, verb=verb, by="a person"),
        Reading(at_ms=5_000, pack="left", sample=SAMPLE),
    ):
        state = step(state, event, site).state
    return step(state, Tick(at_ms=11_000), site)


async def _saved(folder: Path, verb: Verb) -> dict[str, Any]:
    """Let a person ask, and return what the file says soon after."""
    setup = loaded(folder, SITE)
    setup.journal_folder.mkdir(exist_ok=True)
    time = SteppedClock(speed=1.0, start_wall_ms=WALL_MS)
    rooms = Rooms(setup, time, [])
    remembers = Memory(setup, time, Inbox(), rooms)
    rooms.add(remembers)
    await remembers.recall()
    keeping = asyncio.create_task(remembers.keep())
    try:
        outcome = _asked(setup.site, verb)
        rooms.tell(outcome.facts)
        rooms.stepped(outcome)
        path = setup.journal_folder / kept.FILE
        for _ in range(40):
            await asyncio.sleep(0.05)
            if path.exists():
                told: dict[str, Any] = json.loads(path.read_text())["kept"]["outputs"]
                return told
        return {}
    finally:
        keeping.cancel()
        with suppress(asyncio.CancelledError):
            await keeping


def test_the_call_of_a_set_is_saved_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its starter may take this computer's power away; the try would not count."""
    monkeypatch.setattr(memory, "LOOK_EVERY_S", 3_600.0)
    saved = asyncio.run(_saved(tmp_path, Verb.GENERATOR_REQUEST))
    assert (saved["set"]["starts"], saved["set"]["starting"]) == (1, True)


def test_what_presses_less_is_saved_at_the_next_look(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(memory, "LOOK_EVERY_S", 3_600.0)
    assert asyncio.run(_saved(tmp_path, Verb.SOUNDER_TEST)) == {}
    monkeypatch.setattr(memory, "LOOK_EVERY_S", 0.1)
    assert asyncio.run(_saved(tmp_path, Verb.SOUNDER_TEST))["set"]["starts"] == 0
