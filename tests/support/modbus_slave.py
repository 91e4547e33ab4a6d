"""A Modbus server that misbehaves as told, on a pty or on loopback TCP.

Written against the published frames (MODBUS Application Protocol V1.1b3, MODBUS over
Serial Line V1.02), without the library under test. Every register holds its own
address unless *registers* says otherwise.
"""

from __future__ import annotations

import asyncio
import os
import pty
import struct
import tty
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Mapping


def crc(frame: bytes) -> bytes:
    """CRC of MODBUS over Serial Line V1.02, 6.2.2, bit by bit, low byte first."""
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


@dataclass(frozen=True, kw_only=True)
class Request:
    number: int  # from 0
    unit: int
    function: int
    address: int
    count: int
    tid: int = 0


@dataclass(frozen=True, kw_only=True)
class Reply:
    body: bytes  # function code and what follows
    delay_s: float = 0.0
    unit: int | None = None
    tid: int | None = None


class Behaviour(Protocol):
    def __call__(self, slave: Slave, request: Request, /) -> Reply | None: ...


def well(slave: Slave, request: Request) -> Reply:
    """Answer as the specification says."""
    addresses = range(request.address, request.address + request.count)
    values = [slave.value(address) for address in addresses]
    if any(value is None for value in values):
        return refuse(request, 2)
    return answer(request, [value or 0 for value in values])


def answer(request: Request, values: list[int], **changes: float) -> Reply:
    data = b"".join(struct.pack(">H", value) for value in values)
    delay_s = changes.get("delay_s", 0.0)
    body = bytes([request.function, len(data) % 256]) + data
    return Reply(body=body, delay_s=delay_s)


def refuse(request: Request, code: int) -> Reply:
    return Reply(body=bytes([request.function | 0x80, code]))


@dataclass
class Slave:
    behave: Behaviour = well
    registers: Mapping[int, int] | None = None
    log: list[Request] = field(default_factory=list)
    raw: list[bytes] = field(default_factory=list)
    connections: int = 0
    _late: set[asyncio.TimerHandle] = field(default_factory=set)

    def value(self, address: int) -> int | None:
        return address if self.registers is None else self.registers.get(address)

    def hear(
        self, frame: bytes, body: bytes, tid: int, send: Callable[[bytes], None]
    ) -> None:
        unit, function, address, count = struct.unpack(">BBHH", body)
        request = Request(
            number=len(self.log),
            unit=unit,
            function=function,
            address=address,
            count=count,
            tid=tid,
        )
        self.raw.append(frame)
        self.log.append(request)
        reply = self.behave(self, request)
        if reply is None:
            return
        out_unit = unit if reply.unit is None else reply.unit
        out = bytes([out_unit]) + reply.body
        if tid:
            out_tid = tid if reply.tid is None else reply.tid
            out = struct.pack(">HHH", out_tid, 0, len(out)) + out
        else:
            out += crc(out)
        if reply.delay_s:
            loop = asyncio.get_running_loop()
            self._late.add(loop.call_later(reply.delay_s, send, out))
        else:
            send(out)

    def hush(self) -> None:
        for handle in self._late:
            handle.cancel()


class Pty:
    """The device's end of a serial cable."""

    def __init__(self, slave: Slave) -> None:
        self.slave = slave
        self._master, self._held = pty.openpty()
        tty.setraw(self._held)
        tty.setraw(self._master)
        self.device = os.ttyname(self._held)
        self._buffer = b""
        asyncio.get_running_loop().add_reader(self._master, self._ready)
        self._is_plugged = True

    def _ready(self) -> None:
        self._buffer += os.read(self._master, 1024)
        while len(self._buffer) >= 8:
            frame, self._buffer = self._buffer[:8], self._buffer[8:]
            assert crc(frame[:6]) == frame[6:], frame.hex()
            self.slave.hear(frame, frame[:6], 0, self.send)

    def send(self, data: bytes) -> None:
        if self._is_plugged:
            with suppress(OSError):
                os.write(self._master, data)

    def unplug(self) -> None:
        if self._is_plugged:
            self._is_plugged = False
            asyncio.get_running_loop().remove_reader(self._master)
            os.close(self._master)
            os.close(self._held)
            self.slave.hush()


@asynccontextmanager
async def on_pty(slave: Slave) -> AsyncIterator[Pty]:
    line = Pty(slave)
    try:
        yield line
    finally:
        line.unplug()


@asynccontextmanager
async def on_tcp(
    slave: Slave, port: int = 0, *, rtu: bool = False
) -> AsyncIterator[int]:
    """Serve on loopback; yields the port."""
    writers: set[asyncio.StreamWriter] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        slave.connections += 1
        writers.add(writer)

        def send(data: bytes) -> None:
            if not writer.is_closing():
                writer.write(data)

        with suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                if rtu:
                    frame = await reader.readexactly(8)
                    assert crc(frame[:6]) == frame[6:]
                    slave.hear(frame, frame[:6], 0, send)
                    continue
                frame = await reader.readexactly(12)
                tid, protocol, length = struct.unpack(">HHH", frame[:6])
                assert (protocol, length) == (0, 6)
                slave.hear(frame, frame[6:], tid, send)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", port)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        slave.hush()
        server.close()
        for writer in writers:
            writer.close()
        await server.wait_closed()
        await asyncio.sleep(0.01)


def free_port() -> int:
    import socket  # noqa: PLC0415 only here

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
