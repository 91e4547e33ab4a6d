"""`tocsin record` as a person calls it."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from asyncio.subprocess import PIPE
from typing import TYPE_CHECKING

import pytest

from simbus_wire import counting, over_rtu, read
from tocsin.cli import main
from tocsin.record import Tape
from tocsin.trace import read_trace
from tocsin_drivers.simbus.server import RtuBus
from whole_stage import daemon, served

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tocsin.core.model import Sample

SITE = """\
[bank]
capacity_ah = 280
cells_in_series = 4
[[pack]]
name = "left"
driver = "simulated"
[[pack]]
name = "right"
driver = "trace"
[timing]
poll_s = 0.1
"""


def site(folder: Path, text: str = SITE) -> Path:
    path = folder / "hut.toml"
    path.write_text(f'{text}[journal]\nfolder = "{folder / "journal"}"\n')
    return path


def test_live_packs_are_recorded_for_the_time_given(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trace = tmp_path / "night.csv"
    args = ["record", str(site(tmp_path)), "--trace", str(trace), "--for", "0.5s"]
    assert main(args) == 0
    rows = list(read_trace(trace))
    assert {row.pack for row in rows} == {"left"}
    assert 1 <= len(rows) <= 6
    assert f"{len(rows)} rows (left {len(rows)})" in capsys.readouterr().out


def test_the_trace_is_called_like_the_site_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["record", str(site(tmp_path)), "--for", "200ms"]) == 0
    assert len(list(read_trace(tmp_path / "hut.csv"))) >= 1


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--trace", "HERE/taken.csv"], "nothing is overwritten"),
        (["--can", "HERE/bus.log"], "no pack of this site is on a CAN bus"),
    ],
)
def test_arguments_that_cannot_be_followed_are_refused(
    tmp_path: Path,
    more: Sequence[str],
    words: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "taken.csv").write_text("mine")
    more = [word.replace("HERE", str(tmp_path)) for word in more]
    assert main(["record", str(site(tmp_path)), *more]) == 2
    assert words in capsys.readouterr().err
    assert (tmp_path / "taken.csv").read_text() == "mine"


def test_a_site_of_recordings_alone_has_nothing_to_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = site(tmp_path, SITE.replace('"simulated"', '"trace"'))
    assert main(["record", str(path)]) == 2
    assert "recordings only" in capsys.readouterr().err


def test_packs_that_do_not_answer_are_named_and_no_file_is_left(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = SITE.replace('"simulated"', '"sunspec"\nserial = "/dev/nothing-here"')
    trace = tmp_path / "night.csv"
    assert main(["record", str(site(tmp_path, text)), "--trace", str(trace)]) == 1
    assert "left: /dev/nothing-here cannot be opened" in capsys.readouterr().err
    assert not trace.exists()


def test_a_folder_that_is_not_there_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trace = tmp_path / "nowhere" / "night.csv"
    assert main(["record", str(site(tmp_path)), "--trace", str(trace)]) == 1
    assert "nowhere" in capsys.readouterr().err


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_and_every_row_is_whole(tmp_path: Path, number: int) -> None:
    trace = tmp_path / "night.csv"

    async def run() -> tuple[int | None, str]:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "tocsin", "record", str(site(tmp_path))),
            *("--trace", str(trace)),
            stdout=PIPE,
            env=os.environ,
            preexec_fn=_heed_interrupts,
        )
        async with asyncio.timeout(30):
            while not (trace.exists() and trace.read_text().count("\n") > 3):  # noqa: ASYNC110 - a file
                await asyncio.sleep(0.02)
            process.send_signal(number)
            said, _ = await process.communicate()
        return process.returncode, said.decode()

    code, said = asyncio.run(run())
    assert code == 0
    text = trace.read_text(encoding="utf-8")
    assert text.endswith("\n")
    assert f"{len(list(read_trace(trace)))} rows" in said


def _heed_interrupts() -> None:
    """A shell's background job is born deaf to them; a terminal's is not."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def test_beside_a_daemon_its_readings_are_recorded_and_no_line_is_opened(
    tmp_path: Path,
) -> None:
    """The packs' server counts its connections: the daemon's are the only ones."""
    trace = tmp_path / "night.csv"

    async def run() -> int:
        async with served(tmp_path) as whole, daemon(whole) as serving:
            whole.clock.speed = 1.0
            await whole.until(3, serving)
            before = len(whole.bus._tasks)
            args = ["record", str(tmp_path / "site.toml"), "--trace", str(trace)]
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "tocsin", *args, "--for", "2.5s"), stdout=PIPE
            )
            most = before
            async with asyncio.timeout(30):
                waiting = asyncio.ensure_future(process.communicate())
                while not waiting.done():
                    most = max(most, len(whole.bus._tasks))
                    await asyncio.sleep(0.01)
            assert most == before
            assert process.returncode is not None
            return process.returncode

    assert asyncio.run(run()) == 0
    rows = list(read_trace(trace))
    assert {row.pack for row in rows} == {"left", "right"}
    assert all(row.sample and len(row.sample.cells_mv) == 16 for row in rows)


def test_a_serial_line_that_another_program_holds_is_refused(tmp_path: Path) -> None:
    """As where a daemon of another site has it open: nothing is taken from it."""
    trace = tmp_path / "night.csv"

    async def run() -> tuple[int | None, str]:
        async with RtuBus({1: counting()}) as wire, over_rtu(wire.device) as holder:
            text = SITE.replace('"simulated"', f'"sunspec"\nserial = "{wire.device}"')
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "tocsin", "record", str(site(tmp_path, text))),
                *("--trace", str(trace)),
                stderr=PIPE,
            )
            _, moaned = await process.communicate()
            assert await read(holder, 10) == [11], "its line is as it was"
            return process.returncode, moaned.decode()

    code, moaned = asyncio.run(run())
    assert code == 1
    assert "left: " in moaned
    assert "cannot be opened" in moaned
    assert not trace.exists()


def test_a_full_disk_is_said_and_what_was_recorded_stays(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    write = Tape.write

    def full(tape: Tape, at_ms: int, pack: str, sample: Sample) -> None:
        if tape.rows >= 2:
            raise OSError(28, "No space left on device")
        write(tape, at_ms, pack, sample)

    monkeypatch.setattr(Tape, "write", full)
    trace = tmp_path / "night.csv"
    assert main(["record", str(site(tmp_path)), "--trace", str(trace)]) == 1
    said = capsys.readouterr()
    assert "No space left" in said.err
    assert "2 rows (left 2)" in said.out
    assert len(list(read_trace(trace))) == 2
