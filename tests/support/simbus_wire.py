"""Ways to ask a simulated pack over a real socket or pty, by other people's code."""

from __future__ import annotations

from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from tocsin_drivers.simbus.server import HOST, Device

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from pymodbus.client.base import ModbusBaseClient

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
