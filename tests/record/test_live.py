"""Sources to a tape: read by ourselves, or through a running daemon."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any

import pytest

from core_builders import sample
from shell_stage import Packs, failing_between, until
from tocsin import control
from tocsin.clock import SteppedClock
from tocsin.core.model import Sample
from tocsin.ports import DriverError
from tocsin.record import RecordError, Recording, Tape, overhear, record
from tocsin.shell import Inbox
from tocsin.trace import read_trace

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path


def silent(_: int) -> Sample:
    raise DriverError("no answer")


def recorded(folder: Path, seconds: int = 10, **scripts: Any) -> Recording:
    """Record scripted packs for so many seconds of stepped time."""

    async def main() -> Recording:
        clock = SteppedClock(speed=1e9, start_wall_ms=0)
        packs = {name: Packs(clock, script).open for name, script in scripts.items()}
        with Tape(folder / "night.csv") as tape:
            recording = Recording(tape, dict.fromkeys(packs))
            work = record(recording, packs, clock=clock, poll_ms=1_000)
            await until(clock, seconds * 1_000, work)
        return recording

    return asyncio.run(main())


def test_every_pack_is_written_once_a_poll(tmp_path: Path) -> None:
    recording = recorded(tmp_path, left=lambda _: sample(), right=lambda _: sample())
    assert recording.tape is not None
    rows = list(read_trace(recording.tape.path))
    assert [row.at_ms for row in rows if row.pack == "left"] == list(
        range(0, 10_000, 1_000)
    )
    assert recording.rows == {"left": 10, "right": 10}
    assert recording.packs == {"left": "", "right": ""}


def test_a_pack_that_was_silent_leaves_a_gap_and_its_reason(tmp_path: Path) -> None:
    recording = recorded(
        tmp_path, left=failing_between(3_000, 60_000), right=lambda _: sample()
    )
    assert recording.tape is not None
    rows = list(read_trace(recording.tape.path))
    assert [row.at_ms for row in rows if row.pack == "left"] == [0, 1_000, 2_000]
    assert recording.packs == {"left": "silent", "right": ""}


def test_a_recording_that_no_pack_answers_gives_up_and_says_why(tmp_path: Path) -> None:
    with pytest.raises(ExceptionGroup) as caught:
        recorded(tmp_path, left=silent, right=silent)
    assert caught.group_contains(RecordError, match="left: no answer; right: no answer")
    assert list(tmp_path.iterdir()) == []


def test_packs_without_cells_are_remembered(tmp_path: Path) -> None:
    recording = recorded(
        tmp_path, left=lambda _: sample(), shunt=lambda _: Sample(current_ma=1)
    )
    assert recording.without_cells == {"shunt"}


class Daemon:
    """What a daemon's control socket shows; a test moves it on."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "control.sock"
        self.heard_s: dict[str, float | None] = {"left": 10.0, "right": None}
        self.asked = 0

    def show(self) -> dict[str, Any]:
        self.asked += 1
        self.heard_s["left"] = 10.0 + self.asked // 2
        return {
            "packs": [
                {
                    "name": name,
                    "heard_s": heard_s,
                    "current_a": -5.0,
                    "soc_pct": None,
                    "cells_v": [3.3, 3.301],
                    "temps_c": [20.5],
                    "trouble": "" if heard_s else "no answer",
                }
                for name, heard_s in self.heard_s.items()
            ]
        }

    @asynccontextmanager
    async def serving(self) -> AsyncIterator[None]:
        async with control.serve(self.path, Inbox(), self.show):
            yield


def overheard(folder: Path, *, seconds: int = 6, leaves: bool = False) -> Recording:
    async def main() -> Recording:
        clock = SteppedClock(speed=1e9, start_wall_ms=0)
        daemon = Daemon(folder)
        with Tape(folder / "night.csv") as tape:
            recording = Recording(tape, {"left": None, "right": None})

            async def work() -> None:
                with clock.member():
                    await overhear(recording, daemon.path, clock=clock)

            async with daemon.serving():
                await until(clock, seconds * 1_000, work())
            if leaves:
                await until(clock, 2 * seconds * 1_000, work())
        return recording

    return asyncio.run(main())


def test_a_daemon_s_readings_are_written_once_each_with_its_own_time(
    tmp_path: Path,
) -> None:
    recording = overheard(tmp_path)
    assert recording.tape is not None
    rows = list(read_trace(recording.tape.path))
    assert {row.pack for row in rows} == {"left"}
    assert [row.at_ms for row in rows] == [1_000 * n for n in range(len(rows))]
    assert len(rows) in {3, 4}
    assert rows[0].sample is not None
    assert rows[0].sample.cells_mv == (3_300, 3_301)
    assert rows[0].sample.temps_dc == (205,)
    assert rows[0].sample.current_ma == -5_000
    assert rows[0].sample.soc_permille is None
    assert recording.packs == {"left": "", "right": "no answer"}


def test_a_daemon_that_ends_is_waited_for(tmp_path: Path) -> None:
    recording = overheard(tmp_path, leaves=True)
    assert "no daemon answers" in (recording.packs["left"] or "")
