"""Ways to ask a simulated pack over a real socket or pty, by other people's code."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from sunspec2.modbus.client import SunSpecModbusClientDeviceTCP

from tocsin_drivers.simbus.image import sunspec_image
from tocsin_drivers.simbus.server import HOST, Device, Fault, TcpBus

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from pymodbus.client.base import ModbusBaseClient

    from tocsin_drivers.simbus.pack import Pack

TIMEOUT_S = 0.3


@asynccontextmanager
async def over_tcp(port: int) -> AsyncIterator[AsyncModbusTcpClient]:
    client = AsyncModbusTcpClient(HOST, port=port, timeout=TIMEOUT_S, retries=0)
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


@asynccontextmanager
async def over_rtu(path: str) -> AsyncIterator[AsyncModbusSerialClient]:
    client = AsyncModbusSerialClient(
        path, baudrate=19_200, parity="N", timeout=TIMEOUT_S, retries=0
    )
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


async def read(
    client: ModbusBaseClient, address: int, count: int = 1, unit: int = 1
) -> list[int]:
    """Return the registers; raises whatever the client does when there are none."""
    answer = await client.read_holding_registers(address, count=count, device_id=unit)
    assert not answer.isError(), answer
    return list(answer.registers)


def counting(start: int = 0, size: int = 200) -> Device:
    """A unit whose registers move with every answer: register n holds n + answers."""
    answers = [start]

    def registers() -> dict[int, int]:
        answers[0] += 1
        return {address: address + answers[0] for address in range(size)}

    return Device(registers)


def sunspec_decoded(made: Pack, fault: Fault = Fault.NONE) -> Any:
    """Return the device as pysunspec2 finds it over a real socket."""

    def scan(port: int) -> Any:
        device = SunSpecModbusClientDeviceTCP(
            slave_id=1, ipaddr="127.0.0.1", ipport=port, timeout=5
        )
        try:
            device.scan()
            return device
        finally:
            device.close()

    async def serve() -> Any:
        device = Device(lambda: sunspec_image(made.reading))
        device.break_down(fault)
        async with TcpBus({1: device}) as bus:
            return await asyncio.to_thread(scan, bus.port)

    return asyncio.run(serve())
