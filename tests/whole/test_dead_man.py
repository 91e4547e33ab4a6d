"""Each link of the chain behind the daemon, as far as a process can show it.

What the wires and the machine do then is told in ``deploy/DEADMAN.md``; its table names
the tests here. The watchdog's time is one second here; the unit has its own.
"""

from __future__ import annotations

import asyncio
import signal
from typing import TYPE_CHECKING

import pytest

from dead_man import (
    DISK_FULL,
    DISK_HANGS,
    LOOP_BLOCKED,
    STEP_RAISES,
    STEP_UNSOUND,
    STRIKE,
    Wire,
    program,
    unheard,
)
from doctor_stage import looked
from process_stage import all_online, running, shown, site_file
from tocsin.control import ask, socket_path
from tocsin.doctor import Finding, State
from tocsin.journal import read
from whole_stage import served

if TYPE_CHECKING:
    from pathlib import Path

QUICK = """\
[timing]
poll_s = 0.2
good_scans = 2
restore_gap_s = 0
restore_pct = 0
"""
WATCHED_S = 1.0


async def alarms_of(folder: Path, subject: str) -> set[str]:
    """Return which alarms the running daemon shows of *subject*."""
    path = socket_path(folder / "journal")
    said = await asyncio.to_thread(ask, path, {"do": "show"})
    return {a["alarm"] for a in said["show"]["alarms"] if a["subject"] == subject}


PERMITS = ("charge", "drying", "lights")


@pytest.mark.parametrize(
    "fault", [STEP_RAISES, STEP_UNSOUND], ids=["raises", "unsound"]
)
def test_a_step_that_fails_drops_every_permit_and_ends_the_daemon(
    fault: str, tmp_path: Path
) -> None:
    async def main() -> tuple[int, str, Wire, list[bytes]]:
        async with served(tmp_path) as whole:
            site = site_file(whole, more=QUICK)
            wire = Wire.of(site)
            async with running(site, program(fault)) as manager:
                await wire.permitted()
                unheard(manager)
                code, written = await manager.stop(STRIKE)
                return code, written, wire, unheard(manager)

    code, written, wire, said = asyncio.run(main())
    assert code == 1
    assert "planted" in written
    names = [name for name, _ in wire.calls]
    closed = names.index("close")
    assert "beat" not in names[closed:], "the heart beats for no failed step"
    assert not any(wire.levels.values()), "and every output is de-energised"
    assert said[-1] == b"STOPPING=1"
    last = [*read(tmp_path / "journal")][-1]
    assert (last.kind, last.subject) == ("note", "stop")


def test_a_stopped_process_neither_beats_nor_feeds_its_watchdog_and_is_killed(
    tmp_path: Path,
) -> None:
    """SIGSTOP, then what a service manager does after WatchdogSec, then a new start."""

    async def main() -> None:
        async with served(tmp_path) as whole:
            site = site_file(whole, more=QUICK)
            wire = Wire.of(site)
            async with running(site, program(), watchdog_s=WATCHED_S) as manager:
                await wire.permitted()
                await manager.hears(b"WATCHDOG=1")
                manager.process.send_signal(signal.SIGSTOP)
                await asyncio.sleep(0.2)  # what was on its way has come
                unheard(manager)
                before = wire.calls
                asked = asyncio.create_task(looked(site))
                await asyncio.sleep(WATCHED_S + 1)
                assert unheard(manager) == [], "nobody would feed the watchdog"
                assert wire.calls == before, "no beat: a heartbeat relay drops"
                assert all(wire.levels[each] for each in PERMITS), (
                    "what a frozen process holds stays held: hence the relay"
                )
                told_as_hung(await asked)
                manager.process.send_signal(signal.SIGKILL)
                await manager.process.wait()
                assert wire.calls == before, "a killed process lets nothing fall itself"
            async with running(site, program()) as again:
                await again.hears(b"READY=1")
                name, levels = wire.calls[len(before)]
                assert name == "hold"
                assert not any(levels.values()), "it begins with every output down"
                await wire.until(lambda w: w.levels["charge"])

    def told_as_hung(found: dict[str, Finding]) -> None:
        mute = found["the running daemon"]
        assert mute.state is State.WRONG
        assert "does not answer" in mute.seen
        packs = [f.state for name, f in found.items() if name.startswith("left on")]
        assert packs == [State.UNTOLD], "its line may be in use"

    asyncio.run(main())


def test_an_event_loop_that_is_blocked_neither_beats_nor_feeds_its_watchdog(
    tmp_path: Path,
) -> None:
    async def main() -> None:
        async with served(tmp_path) as whole:
            site = site_file(whole, more=QUICK)
            wire = Wire.of(site)
            async with running(
                site, program(LOOP_BLOCKED), watchdog_s=WATCHED_S
            ) as manager:
                await wire.permitted()
                await manager.hears(b"WATCHDOG=1")
                manager.process.send_signal(STRIKE)
                await asyncio.sleep(0.2)
                unheard(manager)
                before = wire.calls
                await asyncio.sleep(WATCHED_S + 1)
                assert unheard(manager) == []
                assert wire.calls == before

    asyncio.run(main())


@pytest.mark.parametrize("fault", [DISK_HANGS, DISK_FULL], ids=["hangs", "full"])
def test_a_journal_that_cannot_be_written_stops_no_beat_and_is_an_alarm(
    fault: str, tmp_path: Path
) -> None:
    async def main() -> None:
        async with served(tmp_path) as whole:
            site = site_file(whole, more=QUICK)
            wire = Wire.of(site)
            async with running(site, program(fault)) as manager:
                await wire.permitted()
                manager.process.send_signal(STRIKE)
                whole.cell("right", 11, 3_760)  # something to write down
                while "daemon-trouble" not in await alarms_of(tmp_path, "journal"):  # noqa: ASYNC110
                    await asyncio.sleep(0.1)  # another process does it
                unheard(manager)
                beats = wire.beats
                await manager.hears(b"WATCHDOG=1")
                await wire.until(lambda w: w.beats > beats)
                assert not wire.levels["charge"], "and the full cell is acted on"

    asyncio.run(main())


def test_doctor_finds_a_daemon_that_runs_and_tells_when_its_file_was_changed(
    tmp_path: Path,
) -> None:
    async def main() -> tuple[dict[str, Finding], dict[str, Finding]]:
        async with served(tmp_path) as whole:
            site = site_file(whole, more=QUICK)
            async with running(site) as manager:
                await manager.hears(b"READY=1")
                await shown(site, all_online)  # so that packs can be told of
                first = await looked(site)
                site.write_text(site.read_text() + "# a remark\n")
                return first, await looked(site)

    first, second = asyncio.run(main())
    for name in (
        "the running daemon",
        "the site file that runs",
        "the daemon's watchdog",
    ):
        assert first[name].state is State.GOOD, first[name]
    packs = [f.state for name, f in first.items() if name.startswith(("left", "right"))]
    assert packs == [State.GOOD, State.GOOD]
    assert second["the site file that runs"].state is State.DOUBTFUL
