"""Short ways onto a line, ours and the plain library's."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from pymodbus.client import AsyncModbusSerialClient

from modbus_slave import (
    Reply,
    Request,
    Slave,
    well,
)
from tocsin.ports import SerialLine, SourceSpec, TcpLine
from tocsin_drivers.modbus.link import Unit, line_of

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
