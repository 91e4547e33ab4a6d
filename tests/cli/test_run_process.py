"""`tocsin run` as the service manager starts it: a process of its own, real wires."""

from __future__ import annotations

import asyncio
import json
import signal
from contextlib import asynccontextmanager, suppress
from typing import TYPE_CHECKING, Any

import pytest

from broker import free_port
from process_stage import (
    PATIENCE_S,
    all_online,
    running,
    shown,
    site_file,
    states,
    tocsin,
)
from shell_stage import Pins, Stage
from tocsin_drivers.simbus.server import HOST, Fault
from whole_stage import served

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path


@asynccontextmanager
async def mute_broker(first: bytes = b"") -> AsyncIterator[int]:
    """Serve what takes every connection, says *first* and never more; the port."""
    talks = set[asyncio.Task[None]]()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(asyncio.CancelledError):
            await reader.read(1)
            writer.write(first)
            await asyncio.sleep(PATIENCE_S)
        writer.close()

    def begin(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        talks.add(asyncio.ensure_future(talk(reader, writer)))

    server = await asyncio.start_server(begin, HOST, 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for each in talks:
            each.cancel()
        await asyncio.gather(*talks)
        await server.wait_closed()


def assert_clean(ended: tuple[int, str]) -> None:
    code, written = ended
    assert code == 0, written
    assert "Traceback" not in written


def mqtt(port: int) -> str:
    return f'[mqtt]\nhost = "{HOST}"\nport = {port}\n'


def test_the_service_manager_hears_ready_then_the_watchdog_then_the_end(
    tmp_path: Path,
) -> None:
    async def main() -> tuple[int, str]:
        async with served(tmp_path) as whole, running(site_file(whole)) as manager:
            await manager.hears(b"READY=1\nSTATUS=watching Fern Ridge hut")
            await manager.hears(b"WATCHDOG=1")
            await manager.hears(b"WATCHDOG=1")
            ended = await manager.stop()
            await manager.hears(b"STOPPING=1")
            return ended

    assert_clean(asyncio.run(main()))
    assert not (tmp_path / "journal" / "control.sock").exists()


def test_show_tells_every_promised_key(tmp_path: Path) -> None:
    async def main() -> dict[str, Any]:
        async with served(tmp_path) as whole:
            site = site_file(whole)
            async with running(site) as manager:
                await manager.hears(b"READY=1")
                whole.cell("right", 11, 3_760)
                return await shown(site, lambda seen: states(seen, "right/11"))

    seen = asyncio.run(main())
    assert seen.keys() >= {"site", "at", "packs", "alarms", "outputs", "forecasts"}
    assert seen["site"] == "Fern Ridge hut"
    assert [pack["name"] for pack in seen["packs"]] == ["left", "right"]
    for pack in seen["packs"]:
        assert pack.keys() >= {
            *("name", "online", "age_s", "current_a", "voltage_v", "soc_pct"),
            *("cells_v", "temps_c"),
        }
        assert len(pack["cells_v"]) == 16
    assert seen["packs"][1]["cells_v"][10] == 3.76
    for alarm in seen["alarms"]:
        assert alarm.keys() >= {"alarm", "state", "priority", "subject", "since"}
    assert [o["output"] for o in seen["outputs"]][:3] == ["charge", "drying", "lights"]
    for output in seen["outputs"]:
        assert output.keys() >= {"output", "role", "energised", "because"}
    assert isinstance(seen["forecasts"], list)


def test_an_alarm_is_acknowledged_by_command_and_the_permit_stays_dropped(
    tmp_path: Path,
) -> None:
    async def main() -> dict[str, Any]:
        async with served(tmp_path) as whole:
            site = site_file(whole)
            async with running(site) as manager:
                await manager.hears(b"READY=1")
                await shown(site, all_online)
                whole.cell("right", 11, 3_760)
                await shown(site, lambda s: "unacknowledged" in states(s, "right/11"))
                code, out, err = await tocsin("acknowledge", site)
                assert (code, err) == (0, "")
                assert "acknowledge:" in out
                return await shown(site, lambda _: True)

    seen = asyncio.run(main())
    assert "acknowledged" in states(seen, "right/11")
    charge = next(o for o in seen["outputs"] if o["output"] == "charge")
    assert charge["energised"] is False
    assert charge["because"]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_stops_in_time_with_a_unit_that_never_answers(
    number: int, tmp_path: Path
) -> None:
    """The site file lets one request take thirty seconds, more than the promise."""

    async def main() -> tuple[int, str]:
        async with served(tmp_path) as whole:
            site = site_file(whole, pack="timeout_s = 30")
            async with running(site) as manager:
                await manager.hears(b"READY=1")
                await shown(site, all_online)
                whole.devices["left"].break_down(Fault.DEAD)
                await asyncio.sleep(2.5)  # so that a request is on its way
                return await manager.stop(number)

    assert_clean(asyncio.run(main()))


@pytest.mark.parametrize("is_mute", [False, True])
def test_it_stops_in_time_whatever_unit_and_broker_do(
    is_mute: bool,  # noqa: FBT001
    tmp_path: Path,
) -> None:
    async def main() -> tuple[int, str]:
        async with served(tmp_path) as whole, mute_broker() as mute_port:
            port = mute_port if is_mute else free_port()
            site = site_file(whole, pack="timeout_s = 30", more=mqtt(port))
            async with running(site) as manager:
                await manager.hears(b"READY=1")
                await shown(site, all_online)
                whole.devices["left"].break_down(Fault.SLOW, delay_s=PATIENCE_S)
                await asyncio.sleep(2.5)
                return await manager.stop()

    assert_clean(asyncio.run(main()))


def test_it_stops_in_time_while_it_still_waits_for_the_first_answer(
    tmp_path: Path,
) -> None:
    async def main() -> tuple[int, str]:
        async with served(tmp_path) as whole:
            for device in whole.devices.values():
                device.break_down(Fault.DEAD)
            site = site_file(whole, pack="timeout_s = 30")
            async with running(site) as manager:
                await manager.hears(b"READY=1")
                await asyncio.sleep(0.5)
                return await manager.stop()

    assert_clean(asyncio.run(main()))


CONNACK = bytes.fromhex("20 03 00 00 00")
"""Accepted, no properties: MQTT 5 (OASIS, 2019), section 3.2."""

BAD_MACHINE = """\
import socket, sys, time
from tocsin import app
from tocsin.cli import main
from tocsin.journal.store import Store

def hang(host, *rest, known=socket.getaddrinfo, **more):
    if host == "far.example":
        time.sleep(60)
    return known(host, *rest, **more)

socket.getaddrinfo = hang
Store.append = lambda *_, **__: time.sleep(60)
app.last_full_ms = lambda _: time.sleep(60)
sys.exit(main(["run", sys.argv[1]]))
"""

FAR_PACK = """\
[[pack]]
name = "far"
driver = "sunspec"
host = "far.example"
timeout_s = 30
"""


@pytest.mark.slow
def test_it_stops_in_time_with_a_dead_disk_name_server_unit_and_broker_at_once(
    tmp_path: Path,
) -> None:
    async def main() -> tuple[int, str]:
        async with served(tmp_path) as whole, mute_broker(CONNACK) as port:
            more = FAR_PACK + mqtt(port)
            site = site_file(whole, pack="timeout_s = 30", more=more)
            async with running(site, ("-c", BAD_MACHINE)) as manager:
                await manager.hears(b"READY=1")
                await shown(site, lambda seen: seen["packs"][0]["online"])
                whole.devices["left"].break_down(Fault.DEAD)
                await asyncio.sleep(7)  # the disk counts as dead after five
                return await manager.stop()

    ended = asyncio.run(main())
    assert_clean(ended)
    assert "journal" in ended[1], "the dead disk was noticed"


def test_the_journal_says_that_permits_were_dropped_at_the_end(tmp_path: Path) -> None:
    async def main() -> str:
        async with served(tmp_path) as whole:
            site = site_file(whole)
            async with running(site) as manager:
                await manager.hears(b"READY=1")
                await manager.stop()
            code, out, _ = await tocsin("journal", site, "--json")
            assert code == 0
            return out

    last = json.loads(asyncio.run(main()).splitlines()[-1])
    assert (last["kind"], last["what"]) == ("note", "stop")


def test_outputs_are_dropped_before_a_source_that_is_slow_to_let_go_is_waited_for() -> (
    None
):
    class Clinging:
        """A source that wants to be told twice."""

        def __init__(self, pins: Pins) -> None:
            self.pins = pins
            self.closed_when_told: list[int] = []

        @asynccontextmanager
        async def open(self) -> AsyncIterator[Clinging]:
            yield self

        async def read(self) -> Any:
            while len(self.closed_when_told) < 2:
                with suppress(asyncio.CancelledError):
                    await asyncio.Event().wait()
                self.closed_when_told.append(self.pins.closed)
            raise asyncio.CancelledError

    async def main() -> list[int]:
        stage = Stage()
        clinging = Clinging(stage.pins)
        shell = stage.shell({})
        shell.sources = {"left": clinging.open}
        serving = asyncio.ensure_future(shell.run())
        await asyncio.sleep(0.05)
        serving.cancel()
        with suppress(asyncio.CancelledError):
            await serving
        return clinging.closed_when_told

    assert asyncio.run(main())[-1] == 1


def test_a_site_file_that_is_wrong_ends_with_2_and_names_the_line(
    tmp_path: Path,
) -> None:
    path = tmp_path / "site.toml"
    path.write_text('[bank]\ncapacity_ah = "many"\ncells_in_series = 16\n')

    async def main() -> tuple[int, str]:
        async with running(path) as manager:
            _, written = await manager.process.communicate()
            assert manager.process.returncode is not None
            return manager.process.returncode, written.decode()

    code, written = asyncio.run(main())
    assert code == 2
    assert f"{path}:2: bank.capacity_ah" in written
