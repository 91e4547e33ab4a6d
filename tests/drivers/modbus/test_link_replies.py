"""The wire, against a server that misbehaves: pitfalls P1 to P4 of long polling.

Each trap shows the plain use of the library going wrong where that is cheap, and the
line doing right in the same place.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any

import pytest
from pymodbus import ModbusException
from pymodbus.client import AsyncModbusTcpClient

from modbus_lines import (
    block,
    joined,
    late_once,
    naive,
    run,
    serial,
    tcp,
)
from modbus_slave import (
    Reply,
    Request,
    Slave,
    answer,
    on_pty,
    on_tcp,
    refuse,
    well,
)
from tocsin.ports import DriverError, SerialLine
from tocsin_drivers.modbus.dialogue import INPUT, Ask, Meaning, ReplyError
from tocsin_drivers.modbus.link import line_of
from tocsin_drivers.modbus.pace import gap_s

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
            line.slave.behave = lambda s, r: replace(well(s, r), delay_s=0.1)
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


def test_a_request_in_flight_is_not_cut_off_with_its_caller() -> None:
    async def story() -> None:
        slave = Slave(behave=lambda s, r: replace(well(s, r), delay_s=0.1))
        async with on_tcp(slave) as port, joined(tcp(port)) as unit:
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(unit.read(Ask(100, 4)), 0.05)
            assert await unit.read(Ask(200, 4)) == block(200)
        assert slave.connections == 1

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
