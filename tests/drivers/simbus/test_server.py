"""Simulated packs over a real socket and a real pty, asked by the pymodbus client."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import pytest
from pymodbus.exceptions import ModbusIOException

from simbus_made import pack
from simbus_wire import TIMEOUT_S, counting, over_rtu, over_tcp, read
from tocsin_drivers.simbus.image import plain_image
from tocsin_drivers.simbus.server import Device, Fault, RtuBus, TcpBus

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    Ask = Callable[[Any, Device], Awaitable[None]]

LINES = ("tcp", "rtu")


def on(line: str, ask: Ask, device: Device | None = None) -> None:
    """Serve *device* as unit 1 and another as unit 2 on *line*, and *ask*."""
    first = device or counting()
    units = {1: first, 2: counting(1_000)}

    async def serve() -> None:
        if line == "tcp":
            async with TcpBus(units) as bus, over_tcp(bus.port) as client:
                await ask(client, first)
        else:
            async with RtuBus(units) as wire, over_rtu(wire.device) as serial:
                await ask(serial, first)

    asyncio.run(serve())


async def silent(client: Any, unit: int = 1) -> None:
    with pytest.raises(ModbusIOException):
        await client.read_holding_registers(0, count=1, device_id=unit)


@pytest.mark.parametrize("line", LINES)
def test_several_packs_answer_on_one_line(line: str) -> None:
    async def ask(client: Any, _: Device) -> None:
        for answers in range(1, 4):
            assert await read(client, 10, 2) == [10 + answers, 11 + answers]
            assert await read(client, 10, unit=2) == [1_010 + answers]

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
def test_input_registers_hold_the_same(line: str) -> None:
    async def ask(client: Any, _: Device) -> None:
        answer = await client.read_input_registers(5, count=1, device_id=1)
        assert answer.registers == [6]

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize(("count", "code"), [(124, 0), (125, 0), (126, 3)])
def test_at_most_125_registers_are_read_at_once(
    line: str, count: int, code: int
) -> None:
    async def ask(client: Any, _: Device) -> None:
        data = b"\0\0" + count.to_bytes(2, "big")
        answer = await raw_read(client, data)
        assert getattr(answer, "exception_code", 0) == code

    on(line, ask)


async def raw_read(client: Any, data: bytes) -> Any:
    """Read with *data* as it is: the client itself refuses what is out of range."""
    from pymodbus.pdu.register_message import (  # noqa: PLC0415 - only this test
        ReadHoldingRegistersRequest,
    )

    class Plain(ReadHoldingRegistersRequest):
        def encode(self) -> bytes:
            return data

    return await client.execute(False, Plain(address=0, count=1, dev_id=1))


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize(("address", "code"), [(198, 0), (199, 2), (200, 2)])
def test_registers_that_do_not_exist_are_an_exception(
    line: str, address: int, code: int
) -> None:
    async def ask(client: Any, _: Device) -> None:
        answer = await client.read_holding_registers(address, count=2, device_id=1)
        assert getattr(answer, "exception_code", 0) == code

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
def test_a_write_is_refused(line: str) -> None:
    async def ask(client: Any, _: Device) -> None:
        one = await client.write_register(0, 1, device_id=1)
        many = await client.write_registers(0, [1, 2], device_id=1)
        assert (one.exception_code, many.exception_code) == (1, 1)

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
def test_a_unit_that_does_not_exist_is_silent(line: str) -> None:
    async def ask(client: Any, _: Device) -> None:
        await silent(client, unit=9)
        assert await read(client, 0) == [1]

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
def test_a_dead_pack_is_silent_and_its_neighbour_is_not(line: str) -> None:
    async def ask(client: Any, device: Device) -> None:
        device.break_down(Fault.DEAD)
        await silent(client)
        assert await read(client, 0, unit=2) == [1_001]
        device.repair()
        assert await read(client, 0) == [1]

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
def test_a_frozen_pack_repeats_itself(line: str) -> None:
    async def ask(client: Any, device: Device) -> None:
        assert await read(client, 0) != await read(client, 0)
        device.break_down(Fault.FROZEN)
        assert await read(client, 0) == await read(client, 0)
        device.repair()
        assert await read(client, 0) != await read(client, 0)

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
def test_garbage_registers_mean_nothing(line: str) -> None:
    async def ask(client: Any, device: Device) -> None:
        device.break_down(Fault.GARBAGE)
        first, second = await read(client, 0, 50), await read(client, 0, 50)
        assert len(set(first)) > 40
        assert first != second

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
def test_a_slow_pack_answers_too_late(line: str) -> None:
    async def ask(client: Any, device: Device) -> None:
        device.break_down(Fault.SLOW, delay_s=TIMEOUT_S * 2)
        await silent(client)
        device.repair()

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
def test_a_slow_pack_that_is_still_in_time_is_read(line: str) -> None:
    async def ask(client: Any, device: Device) -> None:
        device.break_down(Fault.SLOW, delay_s=TIMEOUT_S / 6)
        assert await read(client, 0) == [1]

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
def test_one_short_reply_is_followed_by_good_ones(line: str) -> None:
    async def ask(client: Any, device: Device) -> None:
        device.break_down(Fault.SHORT_REPLY)
        await silent(client)
        assert device.fault is Fault.NONE
        assert await read(client, 0) == [2]

    on(line, ask)


@pytest.mark.parametrize("line", LINES)
def test_a_cell_at_0_v_is_read_as_such(line: str) -> None:
    made = pack()

    async def ask(client: Any, device: Device) -> None:
        before = await read(client, 0x1000, 16)
        device.break_down(Fault.ZERO_CELL)
        assert await read(client, 0x1000, 16) == [0, *before[1:]]
        assert await read(client, 0x1207, 2) == [0, max(before)]

    on(line, ask, Device(lambda: plain_image(made.reading)))


def test_a_cut_pack_closes_the_connection() -> None:
    async def ask() -> None:
        device = counting()
        async with TcpBus({1: device}) as bus:
            device.break_down(Fault.CUT)
            reader, writer = await asyncio.open_connection("127.0.0.1", bus.port)
            writer.write(bytes.fromhex("0001 0000 0006 01 03 0000 0001"))
            assert await asyncio.wait_for(reader.read(), 2) == b""
            writer.close()

    asyncio.run(ask())


def test_an_unplugged_line_refuses_and_comes_back_on_the_same_port() -> None:
    async def ask() -> None:
        async with TcpBus({1: counting()}) as bus:
            port = bus.port
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            await bus.unplug()
            assert await asyncio.wait_for(reader.read(), 2) == b""
            writer.close()
            with pytest.raises(ConnectionRefusedError):
                await asyncio.open_connection("127.0.0.1", port)
            await bus.plug_in()
            async with over_tcp(port) as client:
                assert await read(client, 0) == [1]

    asyncio.run(ask())


def test_what_is_not_modbus_is_hung_up_on_and_others_are_served() -> None:
    async def ask() -> None:
        async with TcpBus({1: counting()}) as bus:
            reader, writer = await asyncio.open_connection("127.0.0.1", bus.port)
            writer.write(b"GET / HTTP/1.1\r\n\r\n")
            assert await asyncio.wait_for(reader.read(), 2) == b""
            writer.close()
            async with over_tcp(bus.port) as client:
                assert await read(client, 0) == [1]

    asyncio.run(ask())


def test_leaving_a_bus_ends_its_tasks_and_connections() -> None:
    async def ask() -> None:
        async with TcpBus({1: counting()}) as bus, RtuBus({1: counting()}):
            _, writer = await asyncio.open_connection("127.0.0.1", bus.port)
            await asyncio.sleep(0.05)
        writer.close()
        assert asyncio.all_tasks() == {asyncio.current_task()}

    asyncio.run(ask())
