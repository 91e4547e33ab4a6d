"""The wire, against a server that misbehaves: pitfalls P5 to P12 of long polling.

Each trap shows the plain use of the library going wrong where that is cheap, and the
line doing right in the same place.
"""

from __future__ import annotations

import asyncio
import logging
import re
from contextlib import asynccontextmanager
from dataclasses import replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import pytest
from pymodbus.client import AsyncModbusTcpClient

from modbus_lines import (
    block,
    joined,
    run,
    serial,
    tcp,
)
from modbus_slave import (
    Reply,
    Request,
    Slave,
    free_port,
    on_pty,
    on_tcp,
    well,
)
from tocsin.ports import DriverError, SerialLine, SourceSpec
from tocsin_drivers.modbus.dialogue import Ask
from tocsin_drivers.modbus.link import Line, Unit, line_of

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

# ---- P5, P6, P7: connecting ------------------------------------------------------


def test_a_server_that_comes_later_is_found_by_the_next_join() -> None:
    async def story() -> None:
        port = free_port()
        client = AsyncModbusTcpClient("127.0.0.1", port=port, reconnect_delay=0.05)
        assert not await client.connect()
        spec = tcp(port)
        with pytest.raises(DriverError, match="cannot be opened"):
            async with joined(spec):
                pass
        async with on_tcp(Slave(), port):
            await asyncio.sleep(0.3)
            assert not client.connected  # nobody tries again behind the scenes
            async with joined(spec) as unit:
                assert await unit.read(Ask(1, 1)) == (1,)
        client.close()

    run(story())


def test_a_server_that_restarts_is_found_again() -> None:
    async def story() -> None:
        port = free_port()
        async with joined_when_served(port) as unit, on_tcp(Slave(), port):
            assert await unit.read(Ask(7, 1)) == (7,)

    @asynccontextmanager
    async def joined_when_served(port: int) -> AsyncIterator[Unit]:
        async with on_tcp(Slave(), port):
            join = joined(tcp(port))
            unit = await join.__aenter__()
            assert await unit.read(Ask(3, 1)) == (3,)
        await asyncio.sleep(0.05)
        yield unit
        await join.__aexit__(None, None, None)

    run(story())


def test_a_dead_peer_costs_one_timeout_a_read() -> None:
    async def story() -> None:
        slave = Slave(behave=lambda *_: None)
        async with on_tcp(slave) as port, joined(tcp(port, retries=2)) as unit:
            with pytest.raises(DriverError, match="no answer within"):
                await unit.read(Ask(1, 1))
            assert len(slave.log) == 3
            for _ in range(2):  # known to be silent: no more retries
                with pytest.raises(DriverError):
                    await unit.read(Ask(1, 1))
            assert len(slave.log) == 5

    run(story())


# ---- P8: sharing -----------------------------------------------------------------


def test_a_dead_unit_does_not_starve_the_live_ones() -> None:
    rounds = 25

    def unit_4_is_dead(slave: Slave, request: Request) -> Reply | None:
        return None if request.unit == 4 else well(slave, request)

    async def poll(spec: SourceSpec) -> None:
        async with joined(spec) as unit:
            for i in range(rounds):
                assert await unit.read(Ask(spec.unit * 1000 + i, 4))

    async def nag(line_of_dead: Line, spec: SourceSpec, tries: list[str]) -> None:
        while True:
            try:
                async with line_of_dead.join(spec) as unit:
                    await unit.read(Ask(1, 4))
            except DriverError as exc:
                tries.append(str(exc))
            await asyncio.sleep(0.01)

    async def story() -> None:
        slave = Slave(behave=unit_4_is_dead)
        tries: list[str] = []
        async with on_pty(slave) as line:
            specs = [serial(line.device, unit=u, timeout_ms=50) for u in range(1, 5)]
            keep = [line_of(spec) for spec in specs]
            assert len(set(map(id, keep))) == 1
            dead = asyncio.create_task(nag(keep[3], specs[3], tries))
            async with asyncio.TaskGroup() as group:
                for spec in specs[:3]:
                    group.create_task(poll(spec))
            dead.cancel()
            await asyncio.wait([dead])
        live = [request.unit for request in slave.log if request.unit != 4]
        assert sorted(live) == sorted([1, 2, 3] * rounds)
        for end in range(len(live)):  # turns in order: nobody is two ahead
            counts = [live[: end + 1].count(unit) for unit in (1, 2, 3)]
            assert max(counts) - min(counts) <= 1
        asked = len(slave.log) - len(live)
        assert 1 <= asked <= 6
        assert len(tries) > asked
        assert any("was silent, asked again in" in text for text in tries)

    run(story())


def test_a_dead_unit_alone_on_its_line_never_rests() -> None:
    async def story() -> None:
        slave = Slave(behave=lambda *_: None)
        async with on_tcp(slave) as port, joined(tcp(port, timeout_ms=30)) as unit:
            for _ in range(4):
                with pytest.raises(DriverError, match="no answer"):
                    await unit.read(Ask(1, 1))
        assert len(slave.log) == 4

    run(story())


def test_packs_on_one_tcp_endpoint_share_one_connection() -> None:
    async def story() -> None:
        slave = Slave()
        async with on_tcp(slave) as port:
            one, two = tcp(port, unit=1), tcp(port, unit=2)
            async with joined(one) as first, joined(two) as second:
                await asyncio.gather(first.read(Ask(1, 1)), second.read(Ask(2, 1)))
        assert slave.connections == 1
        assert [request.unit for request in slave.log] == [1, 2]

    run(story())


def test_one_line_has_one_way_of_talking() -> None:
    keep = line_of(serial("/dev/ttyFERN"))
    other = replace(
        serial("/dev/ttyFERN"), line=SerialLine(device="/dev/ttyFERN", baud=9_600)
    )
    with pytest.raises(ValueError, match="with other settings"):
        line_of(other)
    assert str(keep) == "/dev/ttyFERN"


# ---- P9: junk --------------------------------------------------------------------


def test_junk_before_a_reply_is_no_reply() -> None:
    """An idle bus without bias reads as garbage."""

    async def story() -> None:
        slave = Slave()
        async with (
            on_pty(slave) as line,
            joined(serial(line.device, retries=1)) as unit,
        ):
            line.send(b"\x00\xff\x00")
            assert await unit.read(Ask(100, 4)) == block(100)

    run(story())


def test_a_spoilt_frame_is_an_error() -> None:
    def spoilt(slave: Slave, request: Request) -> Reply | None:
        frame = bytes([request.unit]) + well(slave, request).body + b"\x12\x34"
        slave.spoilt(frame)  # type: ignore[attr-defined]
        return None

    async def story() -> None:
        slave = Slave(behave=spoilt)
        async with on_pty(slave) as line, joined(serial(line.device)) as unit:
            slave.spoilt = line.send  # type: ignore[attr-defined]
            with pytest.raises(DriverError, match="no answer"):
                await unit.read(Ask(100, 4))

    run(story())


# ---- P10: unplugged --------------------------------------------------------------


def test_an_unplugged_port_is_an_error_and_the_next_one_is_opened(
    tmp_path: Path,
) -> None:
    name = tmp_path / "adapter"  # the pty's own may be another program's at once

    async def story() -> None:
        async with on_pty(Slave(behave=lambda *_: None)) as line:
            name.symlink_to(line.device)
            spec = serial(str(name))
            async with joined(spec) as unit:
                reading = asyncio.create_task(unit.read(Ask(1, 1)))
                await asyncio.sleep(0.05)
                line.unplug()
                name.unlink()
                with pytest.raises(DriverError, match="no answer"):
                    await reading
            with pytest.raises(DriverError, match="cannot be opened"):
                async with joined(spec):
                    pass

    run(story())


# ---- P11, P12, ending ------------------------------------------------------------


def test_a_line_outlives_its_event_loop() -> None:
    port = free_port()
    spec = tcp(port)
    keep = line_of(spec)

    async def story() -> None:
        async with on_tcp(Slave(), port), joined(spec) as unit:
            reads = [unit.read(Ask(i, 1)) for i in range(3)]
            assert await asyncio.gather(*reads) == [(0,), (1,), (2,)]

    run(story())
    run(story())
    assert keep is line_of(spec)


def test_the_library_does_not_log_every_timeout(caplog: Any) -> None:
    async def story() -> None:
        slave = Slave(behave=lambda *_: None)
        async with on_tcp(slave) as port, joined(tcp(port, timeout_ms=30)) as unit:
            for _ in range(3):
                with pytest.raises(DriverError):
                    await unit.read(Ask(1, 1))

    with caplog.at_level(logging.DEBUG):
        run(story())
    assert not [r for r in caplog.records if r.name.startswith("pymodbus")]


def test_the_library_is_the_one_that_was_measured() -> None:
    assert re.fullmatch(r"3\.16\.[1-9]\d*", version("pymodbus"))


@pytest.mark.parametrize("wait_s", [0.0, 0.05])
def test_a_cancelled_source_ends_within_its_timeout_and_a_second(wait_s: float) -> None:
    async def forever(spec: SourceSpec) -> None:
        async with joined(spec) as unit:
            while True:
                await unit.read(Ask(1, 1))

    async def story() -> None:
        slave = Slave(behave=lambda *_: None)
        async with on_tcp(slave) as port:
            source = asyncio.create_task(forever(tcp(port, timeout_ms=300)))
            await asyncio.sleep(wait_s)
            source.cancel()
            await asyncio.wait([source], timeout=1.3)
            assert source.cancelled()

    run(story())
