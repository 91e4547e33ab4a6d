"""The wire, against a server that misbehaves: pitfalls P1 to P12 of long polling.

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
from pymodbus import ModbusException
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from modbus_slave import (
    Reply,
    Request,
    Slave,
    answer,
    free_port,
    on_pty,
    on_tcp,
    refuse,
    well,
)
from tocsin.ports import DriverError, SerialLine, SourceSpec, TcpLine
from tocsin_drivers.modbus.dialogue import INPUT, Ask, Meaning, ReplyError
from tocsin_drivers.modbus.link import Line, Unit, gap_s, line_of

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Coroutine

SHORT_MS = 150
LATE_S = 0.2  # later than the timeout, sooner than timeout and silence


def tcp(port: int, **changes: Any) -> SourceSpec:
    framing = changes.pop("framing", "tcp")
    line = TcpLine(host="127.0.0.1", port=port, framing=framing)
    return _spec(line, **changes)


def serial(device: str, **changes: Any) -> SourceSpec:
    return _spec(SerialLine(device=device), **changes)


def _spec(line: TcpLine | SerialLine, **changes: Any) -> SourceSpec:
    values: dict[str, Any] = {"name": "left", "timeout_ms": SHORT_MS, "retries": 0}
    values |= changes
    return SourceSpec(driver="modbus-map", cells=16, line=line, **values)


@asynccontextmanager
async def joined(spec: SourceSpec) -> AsyncIterator[Unit]:
    async with line_of(spec).join(spec) as unit:
        yield unit


def run(coroutine: Coroutine[Any, Any, None]) -> None:
    async def whole() -> None:
        await coroutine
        left = asyncio.all_tasks() - {asyncio.current_task()}
        assert not left, left

    asyncio.run(whole())


def naive(device: str, **changes: Any) -> AsyncModbusSerialClient:
    values = {"timeout": SHORT_MS / 1000, "retries": 0, "reconnect_delay": 0} | changes
    return AsyncModbusSerialClient(device, baudrate=19_200, parity="N", **values)


def late_once(slave: Slave, request: Request) -> Reply:
    reply = well(slave, request)
    return reply if request.number else replace(reply, delay_s=LATE_S)


def block(start: int, count: int = 4) -> tuple[int, ...]:
    return tuple(range(start, start + count))


# ---- frames ----------------------------------------------------------------------


def test_a_holding_register_read_is_the_frame_of_the_specification() -> None:
    """MODBUS Application Protocol V1.1b3, 6.3: registers 108 to 110."""

    async def story() -> None:
        def example(_: Slave, __: Request) -> Reply:
            return Reply(body=bytes.fromhex("03 06 02 2B 00 00 00 64"))

        slave = Slave(behave=example)
        async with on_tcp(slave) as port, joined(tcp(port)) as unit:
            assert await unit.read(Ask(107, 3)) == (0x022B, 0, 0x0064)
        assert slave.raw[0][7:] == bytes.fromhex("03 00 6B 00 03")

    run(story())


def test_an_input_register_read_is_the_frame_of_the_specification() -> None:
    """MODBUS Application Protocol V1.1b3, 6.4: input register 9."""

    async def story() -> None:
        def example(_: Slave, __: Request) -> Reply:
            return Reply(body=bytes.fromhex("04 02 00 0A"))

        slave = Slave(behave=example)
        async with on_tcp(slave) as port, joined(tcp(port)) as unit:
            assert await unit.read(Ask(8, 1, INPUT)) == (10,)
        assert slave.raw[0][7:] == bytes.fromhex("04 00 08 00 01")

    run(story())


def test_the_crc_on_the_wire_is_that_of_the_specification() -> None:
    """The slave's own CRC gives 0x1241 for 02 07 (MODBUS over Serial Line V1.02,
    appendix B), and it accepts our frames by it: low byte first.
    """
    from modbus_slave import crc  # noqa: PLC0415

    assert crc(bytes.fromhex("02 07")) == bytes.fromhex("41 12")

    async def story() -> None:
        slave = Slave()
        async with on_pty(slave) as line, joined(serial(line.device, unit=2)) as unit:
            assert await unit.read(Ask(107, 3)) == (107, 108, 109)
        assert slave.raw[0][:6] == bytes.fromhex("02 03 00 6B 00 03")
        assert slave.raw[0][6:] == crc(slave.raw[0][:6])

    run(story())


def test_serial_frames_travel_over_tcp() -> None:
    async def story() -> None:
        slave = Slave()
        async with (
            on_tcp(slave, rtu=True) as port,
            joined(tcp(port, framing="rtu")) as unit,
        ):
            assert await unit.read(Ask(5, 2)) == (5, 6)

    run(story())


@pytest.mark.parametrize(
    ("baud", "gap_ms"),
    [(9_600, 20.0), (1_200, 32.083), (1_925, 20.0), (1_924, 20.01), (115_200, 20.0)],
)
def test_the_gap_is_t35_but_never_below_20_ms(baud: int, gap_ms: float) -> None:
    """t3.5 of 11-bit characters: MODBUS over Serial Line V1.02, 2.5.1.1."""
    line = SerialLine(device="/dev/none", baud=baud)
    assert gap_s(line) * 1000 == pytest.approx(gap_ms, abs=0.001)


# ---- P1: late replies ------------------------------------------------------------


def test_a_late_reply_is_never_the_answer_to_the_next_request() -> None:
    async def story() -> None:
        async with on_pty(Slave(behave=late_once)) as line:
            client = naive(line.device)
            await client.connect()
            with pytest.raises(ModbusException):
                await client.read_holding_registers(100, count=4)
            # The next answer is slower than the one that is still on its way.
            line.slave.behave = lambda s, r: replace(well(s, r), delay_s=0.1)
            wrong = await client.read_holding_registers(200, count=4)
            assert tuple(wrong.registers) == block(100)  # the library believes it
            client.close()
        async with (
            on_pty(Slave(behave=late_once)) as line,
            joined(serial(line.device)) as unit,
        ):
            with pytest.raises(DriverError, match=r"no answer within 0\.15 s"):
                await unit.read(Ask(100, 4))
            for start in (200, 300, 400):
                assert await unit.read(Ask(start, 4)) == block(start)

    run(story())


def test_our_retry_does_not_put_the_line_out_of_step() -> None:
    """The library's own retry is what puts it out of step."""

    def slow(slave: Slave, request: Request) -> Reply:
        return replace(
            late_once(slave, request), delay_s=0.2 if not request.number else 0.1
        )

    async def story() -> None:
        async with on_pty(Slave(behave=slow)) as line:
            client = naive(line.device, retries=1)
            await client.connect()
            await client.read_holding_registers(100, count=4)
            wrong = await client.read_holding_registers(200, count=4)
            assert tuple(wrong.registers) == block(100)
            client.close()
        async with (
            on_pty(Slave(behave=slow)) as line,
            joined(serial(line.device, retries=1)) as unit,
        ):
            for start in (100, 200, 300):
                assert await unit.read(Ask(start, 4)) == block(start)

    run(story())


def test_a_cancelled_caller_is_let_go_and_the_line_stays_in_step() -> None:
    def slow(slave: Slave, request: Request) -> Reply:
        return replace(well(slave, request), delay_s=0.1)

    async def impatient(reading: Any) -> None:
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(reading, 0.05)

    async def story() -> None:
        async with on_pty(Slave(behave=slow)) as line:
            client = naive(line.device)
            await client.connect()
            await impatient(client.read_holding_registers(100, count=4))
            wrong = await client.read_holding_registers(200, count=4)
            assert tuple(wrong.registers) == block(100)
            client.close()
        async with on_pty(Slave(behave=slow)) as line:
            async with joined(serial(line.device)) as unit:
                await impatient(unit.read(Ask(100, 4)))
                for start in (200, 300):
                    assert await unit.read(Ask(start, 4)) == block(start)
            assert len(line.slave.log) == 3

    run(story())


def test_what_was_not_sent_when_its_caller_went_is_never_sent() -> None:
    async def story() -> None:
        slave = Slave(behave=lambda s, r: replace(well(s, r), delay_s=0.1))
        async with on_pty(slave) as line, joined(serial(line.device)) as unit:
            first = asyncio.create_task(unit.read(Ask(100, 4)))
            second = asyncio.create_task(unit.read(Ask(200, 4)))
            await asyncio.sleep(0.05)
            second.cancel()
            assert await first == block(100)
            assert await unit.read(Ask(300, 4)) == block(300)
        assert [request.address for request in slave.log] == [100, 300]

    run(story())


def test_a_port_opened_again_at_once_waits_for_the_late_reply() -> None:
    async def story() -> None:
        async with on_pty(Slave(behave=late_once)) as line:
            spec = serial(line.device)
            keep = line_of(spec)
            with pytest.raises(DriverError):
                async with joined(spec) as unit:
                    await unit.read(Ask(100, 4))
            async with joined(spec) as unit:
                assert await unit.read(Ask(200, 4)) == block(200)
            assert keep is line_of(spec)

    run(story())


# ---- P2, P3, P4: odd replies -----------------------------------------------------


def test_a_reply_to_another_transaction_is_dropped() -> None:
    def swapped(slave: Slave, request: Request) -> Reply:
        reply = well(slave, request)
        return reply if request.number else replace(reply, tid=request.tid + 1)

    async def story() -> None:
        slave = Slave(behave=swapped)
        async with on_tcp(slave) as port, joined(tcp(port)) as unit:
            with pytest.raises(DriverError, match="no answer"):
                await unit.read(Ask(100, 4))
            assert await unit.read(Ask(200, 4)) == block(200)
        assert slave.connections == 2  # a fault is followed by a fresh connection

    run(story())


def test_a_short_reply_is_an_error() -> None:
    def short(_: Slave, request: Request) -> Reply:
        return answer(request, [1, 2, 3])

    async def story() -> None:
        async with on_tcp(Slave(behave=short)) as port:
            client = AsyncModbusTcpClient("127.0.0.1", port=port, reconnect_delay=0)
            await client.connect()
            wrong = await client.read_holding_registers(100, count=4)
            assert not wrong.isError()
            assert len(wrong.registers) == 3
            client.close()
            async with joined(tcp(port)) as unit:
                with pytest.raises(DriverError, match="3 registers came, 4 were asked"):
                    await unit.read(Ask(100, 4))

    run(story())


def test_a_reply_to_another_function_is_an_error() -> None:
    def other(slave: Slave, request: Request) -> Reply:
        return well(slave, replace(request, function=4))

    async def story() -> None:
        async with on_tcp(Slave(behave=other)) as port:
            client = AsyncModbusTcpClient("127.0.0.1", port=port, reconnect_delay=0)
            await client.connect()
            assert not (await client.read_holding_registers(100, count=4)).isError()
            client.close()
            async with joined(tcp(port)) as unit:
                with pytest.raises(DriverError, match="answer to function 4, asked"):
                    await unit.read(Ask(100, 4))

    run(story())


@pytest.mark.parametrize(
    ("code", "meaning", "words"),
    [
        (1, Meaning.CONFIGURATION, "illegal function"),
        (2, Meaning.CONFIGURATION, "illegal data address"),
        (3, Meaning.CONFIGURATION, "illegal data value"),
        (4, Meaning.LOST, "server device failure"),
        (5, Meaning.BUSY, "acknowledge"),
        (6, Meaning.BUSY, "server device busy"),
        (0x0A, Meaning.LOST, "gateway path unavailable"),
        (0x0B, Meaning.LOST, "gateway target device failed to respond"),
        (0x55, Meaning.LOST, "unknown code"),
    ],
)
def test_an_exception_reply_raises(code: int, meaning: Meaning, words: str) -> None:
    """Codes of MODBUS Application Protocol V1.1b3, section 7."""

    async def story() -> None:
        slave = Slave(behave=lambda _, request: refuse(request, code))
        async with on_tcp(slave) as port:
            client = AsyncModbusTcpClient("127.0.0.1", port=port, reconnect_delay=0)
            await client.connect()
            await client.read_holding_registers(100, count=4)  # does not raise
            client.close()
            slave.log.clear()
            async with joined(tcp(port, retries=2)) as unit:
                with pytest.raises(ReplyError, match=f"{code:02X}, {words}") as caught:
                    await unit.read(Ask(100, 4))
        assert caught.value.meaning is meaning
        tries = 1 if meaning is Meaning.CONFIGURATION else 3
        assert len(slave.log) == tries

    run(story())


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


def test_an_unplugged_port_is_an_error_and_the_next_one_is_opened() -> None:
    async def story() -> None:
        async with on_pty(Slave(behave=lambda *_: None)) as line:
            spec = serial(line.device)
            async with joined(spec) as unit:
                reading = asyncio.create_task(unit.read(Ask(1, 1)))
                await asyncio.sleep(0.05)
                line.unplug()
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
