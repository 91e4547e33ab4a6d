"""Inputs, local time and kept counts through the whole daemon, on a simulated bank."""

from __future__ import annotations

import asyncio
import json
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from rich.console import Console

from site_files import loaded
from tocsin import app
from tocsin.cli.scene import scene
from tocsin.clock import SteppedClock
from tocsin.core.events import CommandFact, NoteFact
from tocsin.ports import DriverError
from tocsin.show import show_json
from tocsin_drivers.gpio.simulated import build_inputs

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact
    from tocsin_config import Setup
    from tocsin_drivers.gpio.simulated import SimulatedInputs

NOON_MS = 1_780_056_000_000  # 2026-05-29T12:00Z
SITE = """\
[bank]
capacity_ah = 280
cells_in_series = 16
[[pack]]
name = "left"
driver = "simulated"
[journal]
folder = "journal"
[timing]
quiet_hours = "22:00-07:00"
[[output]]
name = "horn"
role = "horn"
self_test_at = "12:01"
rated_operations = 1000
[[output]]
name = "set"
role = "generator-call"
[output.generator]
[[input]]
name = "ack"
role = "acknowledge"
[[input]]
name = "works"
role = "maintenance"
[[input]]
name = "lock"
role = "generator-lockout"
[[rule]]
name = "beat-lost"
enabled = false
[[rule]]
name = "frozen-values"
enabled = false
"""
"""The simulated bank lives by real time, the daemon here does not."""


class Watcher:
    """Keeps facts and the newest outcome."""

    def __init__(self) -> None:
        self.facts: list[Fact] = []
        self.outcome: Outcome | None = None

    def tell(self, facts: Sequence[Fact]) -> None:
        self.facts += facts

    def stepped(self, outcome: Outcome) -> None:
        self.outcome = outcome

    def shown(self, setup: Setup) -> dict[str, Any]:
        assert self.outcome is not None
        return show_json(self.outcome, setup.site, wall_ms=NOON_MS)


async def _run(
    folder: Path, story: Callable[[SimulatedInputs, SteppedClock], Any]
) -> tuple[Watcher, Setup]:
    setup, watcher = loaded(folder, SITE), Watcher()
    clock = SteppedClock(speed=1e9, start_wall_ms=NOON_MS)
    inputs = build_inputs(setup.input_pins)
    daemon = asyncio.ensure_future(
        app.serve(setup, time=clock, guests=(watcher,), inputs=inputs)
    )
    try:
        async with asyncio.timeout(60):
            await story(inputs, clock)
    finally:
        daemon.cancel()
        with suppress(asyncio.CancelledError):
            await daemon
    assert inputs.is_closed
    return watcher, setup


async def _until(clock: SteppedClock, at_s: float) -> None:
    while clock.now_ms() < at_s * 1_000:  # noqa: ASYNC110 watches from outside time
        await asyncio.sleep(0)


async def _people(inputs: SimulatedInputs, clock: SteppedClock) -> None:
    await _until(clock, 5)
    inputs.turn("ack", level=True)
    await _until(clock, 10)
    inputs.turn("ack", level=False)
    inputs.turn("works", level=True)
    await _until(clock, 15)
    inputs.turn("lock", level=DriverError("line lost"))
    await _until(clock, 80)


def test_buttons_switches_and_the_time_reach_the_core(tmp_path: Path) -> None:
    watcher, setup = asyncio.run(_run(tmp_path, _people))
    said = [f for f in watcher.facts if isinstance(f, CommandFact)]
    assert [(f.verb, f.by) for f in said] == [("acknowledge", "button ack")]
    notes = [f.text for f in watcher.facts if isinstance(f, NoteFact)]
    assert any("maintenance works is on" in text for text in notes)
    shown = watcher.shown(setup)
    inputs = {each["input"]: each for each in shown["inputs"]}
    assert inputs["works"]["active"] is True
    assert (inputs["lock"]["active"], inputs["lock"]["trouble"]) == (None, "line lost")
    assert shown["maintenance"]["not_called"] == ["set"]
    horn, of_set = shown["outputs"]
    assert horn["operations"] == 0, "no self-test while someone works there"
    assert (of_set["phase"], of_set["starts"], of_set["failed"]) == ("off", 0, 0)


def test_the_scene_says_who_works_and_what_cannot_be_read(tmp_path: Path) -> None:
    watcher, setup = asyncio.run(_run(tmp_path, _people))
    console = Console(width=120)
    with console.capture() as text:
        console.print(scene(watcher.shown(setup), setup.site))
    assert "MAINTENANCE: not called: set" in text.get()
    assert "lock cannot be read" in text.get()
    assert "set: off" in text.get()


def test_the_self_test_is_counted_and_known_to_the_next_run(tmp_path: Path) -> None:
    async def wait(_: SimulatedInputs, clock: SteppedClock) -> None:
        await _until(clock, 70)

    watcher, setup = asyncio.run(_run(tmp_path, wait))
    assert watcher.shown(setup)["outputs"][0]["operations"] == 2
    kept = json.loads((tmp_path / "journal" / "counts.json").read_text())
    horn = kept["kept"]["outputs"]["horn"]
    assert horn["operations"] == 2
    assert horn["tested_ms"] == NOON_MS + 60_000
    again, _ = asyncio.run(_run(tmp_path, wait))
    assert again.shown(setup)["outputs"][0]["operations"] == 2, "tested today already"
