"""A bus recorded by `tocsin record`, and played back through the real decoders."""

from __future__ import annotations

import asyncio
import sys
from asyncio.subprocess import PIPE
from typing import TYPE_CHECKING, Any

from tocsin.installed import open_sources
from tocsin.ports import DriverError
from tocsin.trace import read_trace
from tocsin_config import load
from tocsin_drivers.simbus.can_serve import bank_dbc, hut_traffic, pumped
from tocsin_drivers.simbus.fern_ridge import make_bank
from tocsin_drivers.simbus.hut_dbc import signals_toml
from tocsin_drivers.simbus.slcan import SlcanPty

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.core.model import Sample
    from tocsin_drivers.simbus.bank import SimBank

HEAD = """\
[bank]
capacity_ah = 280
cells_in_series = 16
[journal]
folder = "{folder}"
[timing]
poll_s = 0.5
"""
LEFT = """\
[[pack]]
name = "left"
driver = "dbc"
file = "fern-ridge.dbc"
{bus}
"""
RIGHT = """\
[[pack]]
name = "right"
driver = "rv-c"
instance = 3
{bus}
"""
ALL_PAGES_S = 3
BUS_SPEED = 4.0
"""Of the bus to real time: temperatures take half a second for all of them."""
SPEED = 8.0


def site(folder: Path, bus: str, name: str) -> Path:
    path = folder / name
    left = LEFT.format(bus=bus) + signals_toml("left", 16)
    head = HEAD.format(folder=folder / "journal")
    path.write_text(head + left + RIGHT.format(bus=bus))
    return path


async def record(
    folder: Path, bank: SimBank, *more: str, seconds: int = ALL_PAGES_S
) -> tuple[int, str, str]:
    """Serve the bank on a pty and record it from another process."""
    traffic = hut_traffic(bank)
    async with SlcanPty(traffic.answers) as pty, pumped(traffic, pty, speed=BUS_SPEED):
        bus = f'interface = "slcan"\nchannel = "{pty.device}"\nbitrate = 250000'
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "tocsin", "record"),
            *(str(site(folder, bus, "live.toml")), "--for", f"{seconds}s", *more),
            stdout=PIPE,
            stderr=PIPE,
        )
        async with asyncio.timeout(60):
            said, moaned = await process.communicate()
    assert process.returncode is not None
    return process.returncode, said.decode(), moaned.decode()


async def played(folder: Path) -> dict[str, Sample | str]:
    """Read both packs of the recording to its end; return the newest of each."""
    bus = f'interface = "log"\nchannel = "bus.log"\nspeed = {SPEED}'
    setup = load(site(folder, bus, "played.toml"))
    newest: dict[str, Any] = {}

    async def read(name: str, opened: Any) -> None:
        while True:
            try:
                async with opened() as source:
                    while True:
                        newest[name] = await source.read()
                        await asyncio.sleep(0.05)
            except DriverError as exc:
                newest[f"{name} lost"] = str(exc)
                if "has ended" in str(exc):
                    return

    async with asyncio.timeout(30):
        sources = open_sources(setup)
        await asyncio.gather(*(read(name, opened) for name, opened in sources.items()))
    return newest


def test_a_bus_is_recorded_and_played_back_through_its_decoders(
    tmp_path: Path,
) -> None:
    bank = make_bank()
    (tmp_path / "fern-ridge.dbc").write_text(bank_dbc(bank))
    trace, log = tmp_path / "night.csv", tmp_path / "bus.log"
    code, said, moaned = asyncio.run(
        record(tmp_path, bank, "--trace", str(trace), "--can", str(log))
    )
    assert code == 0, moaned
    assert "bus.log: " in said
    assert "right: no single cells" in moaned
    left = [row for row in read_trace(trace) if row.pack == "left"]
    seen = bank.packs["left"].reading
    assert left[-1].sample is not None
    assert left[-1].sample.cells_mv == seen.cells_mv
    assert left[-1].sample.temps_dc == seen.temps_dc
    newest = asyncio.run(played(tmp_path))
    again: Any = newest["left"]
    assert again.cells_mv == seen.cells_mv
    assert again.temps_dc == seen.temps_dc
    assert again.voltage_mv == round(seen.voltage_mv, -1)
    assert again.charge_limit_ma == seen.charge_limit_da * 100
    other: Any = newest["right"]
    assert abs(other.voltage_mv - bank.packs["right"].reading.voltage_mv) <= 1
    assert {"left lost", "right lost"} <= newest.keys()


def test_the_bus_alone_may_be_recorded(tmp_path: Path) -> None:
    bank = make_bank()
    (tmp_path / "fern-ridge.dbc").write_text(bank_dbc(bank))
    log = tmp_path / "bus.log"
    code, said, _ = asyncio.run(record(tmp_path, bank, "--can", str(log), seconds=1))
    lines = log.read_text().splitlines()
    assert code == 0
    assert f"{len(lines)} frames" in said
    assert lines[0].startswith("(")
    assert sum(" 2A1#" in line for line in lines) > 8
    assert sum(" 19FFFD" in line for line in lines) > 2
