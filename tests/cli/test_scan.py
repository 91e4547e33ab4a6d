"""`tocsin scan` on real lines: Modbus TCP, RTU on a pty, slcan on a pty."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from asyncio.subprocess import PIPE
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from scan_stage import Scanned, can_bus, readings_of, scan, units, until
from tocsin import app
from tocsin.cli import main
from tocsin.clock import RealClock
from tocsin_config import load
from tocsin_drivers.simbus.fern_ridge import make_bank
from tocsin_drivers.simbus.server import Device, RtuBus, TcpBus
from whole_stage import NO_PAGE, Watcher

if TYPE_CHECKING:
    from tocsin.core.model import Sample
    from tocsin_drivers.simbus import frames

QUICK = ("--timeout", "100ms")


def with_journal(site: Path) -> Path:
    """Return a copy of a site file with a journal that may be written here."""
    own = site.with_name("run.toml")
    folder = site.parent / "journal"
    own.write_text(f'{site.read_text()}\n{NO_PAGE}[journal]\nfolder = "{folder}"\n')
    return own


async def daemon_reads(site: Path) -> dict[str, Sample]:
    """Run the daemon until every pack has been read; return what it read."""
    setup, watcher = load(with_journal(site)), Watcher()
    names = [pack.name for pack in setup.sources]
    serving = asyncio.ensure_future(
        app.serve(setup, time=RealClock(), guests=(watcher,))
    )

    def whole() -> list[Sample]:
        packs = watcher.outcomes[-1].state.packs if watcher.outcomes else ()
        return [pack.sample for pack in packs if pack.sample is not None]

    try:
        await until(lambda: len(whole()) == len(names))
        return dict(zip(names, whole(), strict=True))
    finally:
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)


def test_a_host_s_batteries_are_found_and_its_site_file_serves_a_daemon(
    tmp_path: Path,
) -> None:
    site, bank = tmp_path / "site.toml", make_bank()

    async def story() -> dict[str, Sample]:
        async with TcpBus(units(bank)) as bus:
            where = ("--host", "127.0.0.1", "--port", str(bus.port), "--units", "1-6")
            done = await scan(*where, *QUICK, "--out", str(site))
            assert done.code == 0, done.moaned
            assert "unit 1: Tocsin simulated pack, version 1" in done.said
            assert "1, 802, 803, 804, 805, from register 40000 on" in done.said
            assert "1 string, 1 module with single cells, 16 cells" in done.said
            assert "unit 5 answers, but is no battery known here" in done.said
            assert "asked units 1 to 6" in done.said
            assert await asyncio.to_thread(main, ["check", str(site)]) == 0
            return await daemon_reads(site)

    read = asyncio.run(story())
    assert read.keys() == {"left", "right"}
    for name, sample in read.items():
        assert sample.cells_mv == bank.packs[name].reading.cells_mv
    assert "cells_in_series = 16       # counted" in site.read_text()
    assert "capacity_ah = 280          # told" in site.read_text()


def test_a_serial_line_s_batteries_are_found(tmp_path: Path) -> None:
    site, bank = tmp_path / "site.toml", make_bank()

    async def story() -> dict[str, Sample]:
        async with RtuBus(units(bank)) as bus:
            where = ("--serial", bus.device, "--units", "1-3")
            done = await scan(*where, "--timeout", "300ms", "--out", str(site))
            assert done.code == 0, done.said + done.moaned
            assert await asyncio.to_thread(main, ["check", str(site)]) == 0
            return await readings_of(site)

    read = asyncio.run(story())
    assert read["right"].cells_mv == bank.packs["right"].reading.cells_mv


def test_a_can_bus_is_told_and_nothing_is_ever_sent_on_it(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"

    async def story() -> tuple[Any, dict[str, Sample], list[Any]]:
        async with can_bus() as bus:
            where = ("--interface", "slcan", "--channel", bus.device)
            done = await scan(*where, "--for", "4s", "--json", "--out", str(site))
            assert done.code == 0, done.moaned
            assert await asyncio.to_thread(main, ["check", str(site)]) == 0
            return done.json, await daemon_reads(site), bus.sent

    told, read, sent = asyncio.run(story())
    assert sent == [], "receive only, the daemon too"
    assert read.keys() == {"dc-1", "dc-3"}
    assert all(sample.voltage_mv for sample in read.values())
    (line,) = told["lines"]
    assert [each["instance"] for each in line["batteries"]] == [1, 3]
    assert [each["capacity_ah"] for each in line["batteries"]] == [280, 280]
    unknown = {each["id"]: each for each in line["identifiers"] if not each["known"]}
    assert {"2A1", "2A2", "2A3", "2A4"} <= unknown.keys()
    assert unknown["2A1"]["pattern"].startswith("**"), "the page number changes"
    assert unknown["2A1"]["rate_hz"] > 2 * unknown["2A3"]["rate_hz"]
    assert told["site"] == site.read_text()


def test_ctrl_c_prints_what_was_found_so_far() -> None:
    async def story() -> tuple[int | None, str]:
        async with TcpBus(units(make_bank())) as bus:
            argv = ("--host", "127.0.0.1", "--port", str(bus.port), "--for", "1h")
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "tocsin", "scan", *argv),
                *("--timeout", "1s", "--units", "1-200"),
                stdout=PIPE,
                stderr=PIPE,
            )
            await until(lambda: 3 in asked)
            process.send_signal(signal.SIGINT)
            said, _ = await process.communicate()
            return process.returncode, said.decode()

    asked: set[int] = set()
    served = TcpBus._reply_to

    async def noted(self: Any, request: frames.Request, framed: Any) -> bytes | None:
        asked.add(request.unit)
        return await served(self, request, framed)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TcpBus, "_reply_to", noted)
        code, said = asyncio.run(story())
    assert code == 0
    assert "asked 2 of 200 units, up to 2" in said
    assert 'name = "right"' in said


def test_only_registers_are_read() -> None:
    functions: set[int] = set()

    class Noting(Device):
        def answer(self, request: frames.Request) -> bytes:
            functions.add(request.function)
            return super().answer(request)

    bank = make_bank()
    served = {n: Noting(d._registers) for n, d in units(bank).items()}

    async def story() -> int:
        async with TcpBus(served) as bus:
            where = ("--host", "127.0.0.1", "--port", str(bus.port), "--units", "1,5")
            return (await scan(*where, *QUICK)).code

    assert asyncio.run(story()) == 0
    assert functions == {3}


def test_a_line_where_nobody_answers_fails_and_says_what_to_see_to() -> None:
    async def story() -> Scanned:
        async with TcpBus({}) as bus:
            where = ("--host", "127.0.0.1", "--port", str(bus.port), "--units", "1-2")
            return await scan(*where, *QUICK)

    silent = asyncio.run(story())
    assert silent.code == 1
    assert "nobody answered: see to baud and parity" in silent.said


@pytest.mark.parametrize(
    "line",
    [
        ("--host", "127.0.0.1", "--port", "1"),
        ("--interface", "slcan", "--channel", "/dev/no-such-port"),
        ("--serial", "/dev/no-such-port"),
    ],
)
def test_a_line_that_cannot_be_opened_fails_and_is_named(
    line: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["scan", *line]) == 1
    said = capsys.readouterr().out
    assert "cannot be opened" in said
    assert line[1] in said or line[-1] in said


def test_nothing_is_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site.toml"
    site.write_text("mine")
    assert main(["scan", "--host", "127.0.0.1", "--out", str(site)]) == 2
    assert "exists; nothing is overwritten" in capsys.readouterr().err
    assert site.read_text() == "mine"


@pytest.mark.parametrize(
    ("argv", "why"),
    [
        ((), "nothing to look at"),
        (("--interface", "slcan"), "belong together"),
        (("--channel", "can0"), "belong together"),
        (("--host", "h", "--serial", "/dev/ttyUSB0"), "not both"),
        (("--host", "h", "--dbc", "b.dbc"), "--dbc is for a CAN bus"),
        (("--host", "h", "--baud", "9600"), "belong to --serial"),
        (("--serial", "/dev/ttyUSB0", "--port", "502"), "belong to --host"),
        (("--host", "h", "--port", "65536"), "no port number"),
        (("--serial", "d", "--baud", "299"), "no baud rate"),
        (("--host", "h", "--for", "0s"), "above 0"),
        (("--host", "h", "--out", "/no/such/site.toml"), "folder is missing"),
        (
            ("--interface", "socketcan", "--channel", "can0", "--bitrate", "250000"),
            "kernel interface has its own",
        ),
        (
            ("--interface", "socketcan", "--channel", "can0", "--listen-only"),
            "ip link",
        ),
    ],
)
def test_wrong_arguments_are_told_before_anything_is_opened(
    argv: tuple[str, ...], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["scan", *argv]) == 2
    assert why in capsys.readouterr().err


@pytest.mark.parametrize("units", ["0-3", "5-2", "248", "", "a", "1-"])
def test_units_out_of_range_are_refused(units: str) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["scan", "--host", "h", "--units", units])
    assert ended.value.code == 2


def test_a_recording_of_a_bus_is_looked_at_like_the_bus(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "bus.log"
    log.write_text(
        "(0.000000) can0 19FFFD46#01780801A8F53577\n"
        "(0.500000) can0 19FFFD46#01780801A8F53577\n"
        "(0.600000) can0 19FEA546#01780118015601FF\n"
    )
    code = main(["scan", "--interface", "log", "--channel", str(log)])
    said = capsys.readouterr().out
    assert code == 0
    assert "RV-C DC source 1, main house battery" in said
    assert "13.20 V, -25.0 A" in said
    assert "capacity_ah = 280" in said
    assert "3 frames, of 1 s" in said
    assert "DC_SOURCE_STATUS_1   2.0/s from 46h" in said, "by the log's own time"


LOG = (
    "(0.000000) can0 19FFFD46#01780801A8F53577\n"
    "(0.100000) can0 2A3#E61401005D000000\n"
    "(0.200000) can0 2A4#C001F00A\n"
    "(0.300000) can0 7FF#00\n"
)
HUT_DBC = Path(__file__).parents[2] / "deploy" / "sites" / "fern-ridge.dbc"


def looked_at(folder: Path, log: str, *argv: str) -> int:
    path = folder / "bus.log"
    path.write_text(log)
    return main(["scan", "--interface", "log", "--channel", str(path), *argv])


def test_a_dbc_file_names_its_messages_and_those_that_never_came(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert looked_at(tmp_path, LOG, "--dbc", str(HUT_DBC)) == 0
    said = capsys.readouterr().out
    assert "2 messages of the DBC file" in said
    assert "Left_State, 13 signals" in said
    assert "Left_Limits, 4 signals; 4 bytes came, 8 are described" in said
    assert "never heard: Left_Cells, Left_Temperatures, Right_Cells" in said
    assert "1 unknown identifier; " in said
    assert 'file = "bank.dbc"' in said


def test_an_extended_identifier_from_another_sender_is_named_with_its_mask(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dbc = tmp_path / "own.dbc"
    dbc.write_text(
        'VERSION ""\nBU_: A\nBO_ 2566848769 Own: 8 A\n'  # 18FF0101 and the bit 31
        ' SG_ Volts : 0|16@1+ (0.01,0) [0|600] "V" A\n'
    )
    log = "(0.000000) can0 18FF0102#0102030405060708\n"
    assert looked_at(tmp_path, log, "--dbc", str(dbc), "--json") == 0
    (line,) = json.loads(capsys.readouterr().out)["lines"]
    (heard,) = line["identifiers"]
    expected = "Own, 1 signal; from another sender: id_mask = 0x03FFFF00"
    assert heard["described"] == expected
    assert line["missing"] == []


def test_a_file_that_is_no_dbc_is_told_before_anything_is_opened(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = tmp_path / "wrong.dbc"
    wrong.write_text("not one")
    assert looked_at(tmp_path, LOG, "--dbc", str(wrong)) == 2
    assert f"{wrong} is no DBC file" in capsys.readouterr().err
    assert looked_at(tmp_path, LOG, "--dbc", str(tmp_path / "none.dbc")) == 2
