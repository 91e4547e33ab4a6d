"""A TCP proxy that breaks connections, and reads along what passes.

It runs on a thread and a loop of its own, so that a stalled daemon does not stall it.
Packets are read after MQTT 5.0 (OASIS, 2019), sections 2.1, 3.3 and 3.4.
"""

from __future__ import annotations

import asyncio
import json
import socket
import struct
import threading
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import broker

if TYPE_CHECKING:
    from collections.abc import Iterator

PUBLISH, PUBACK = 3, 4
FAILURE = 0x80

Key = tuple[str, int]


@dataclass
class Tap:
    """Cuts a stream into packets."""

    data: bytearray = field(default_factory=bytearray)

    def packets(self, more: bytes) -> Iterator[tuple[int, int, bytes]]:
        """Yield (type, flags, body) of each whole packet."""
        self.data += more
        while len(self.data) >= 2:
            size, used = varint(self.data, 1)
            if used < 0 or len(self.data) < 1 + used + size:
                return
            first, body = self.data[0], bytes(self.data[1 + used : 1 + used + size])
            del self.data[: 1 + used + size]
            yield first >> 4, first & 15, body


def varint(data: bytes | bytearray, at: int) -> tuple[int, int]:
    """Return a variable byte integer (1.5.5) and its length; -1 if it is cut off."""
    value = 0
    for used in range(4):
        if at + used >= len(data):
            return 0, -1
        value |= (data[at + used] & 127) << (7 * used)
        if data[at + used] < 128:
            return value, used + 1
    return 0, -1


def published(flags: int, body: bytes) -> tuple[str, int, bytes]:
    """Return topic, packet id and payload of a PUBLISH (3.3)."""
    (length,) = struct.unpack_from(">H", body)
    topic, at = body[2 : 2 + length].decode(), 2 + length
    number = 0
    if flags & 6:
        (number,) = struct.unpack_from(">H", body, at)
        at += 2
    size, used = varint(body, at)
    return topic, number, body[at + used + size :]


@dataclass
class Proxy:
    """Between a publisher and the broker on port *target*.

    Attributes:
        host: Where it listens.
        acked: Events that the broker has acknowledged, in order, by (epoch, seq).
        messages: How many PUBLISH packets passed towards the broker.
    """

    target: int
    host: str = "127.0.0.1"
    port: int = field(default_factory=broker.free_port)
    acked: list[Key] = field(default_factory=list)
    messages: int = 0
    _frozen: bool = False
    _loop: asyncio.AbstractEventLoop | None = None
    _server: asyncio.Server | None = None
    _writers: set[asyncio.StreamWriter] = field(default_factory=set)

    # --- told from another thread ----------------------------------------------------

    def freeze(self, *, is_frozen: bool) -> None:
        """Pass nothing on, and close nothing."""
        self._frozen = is_frozen

    def reset(self) -> None:
        """Break every connection with RST."""
        self._call(self._reset())

    def refuse(self, *, is_refusing: bool) -> None:
        """Let nobody connect; break what is there."""
        self._call(self._close() if is_refusing else self._open())

    def _call(self, work: object) -> None:
        assert self._loop is not None
        asyncio.run_coroutine_threadsafe(work, self._loop).result(10)  # type: ignore[arg-type]

    # --- on its own loop -------------------------------------------------------------

    async def _open(self) -> None:
        self._server = await asyncio.start_server(self._pass, self.host, self.port)

    async def _close(self) -> None:
        if self._server is not None:
            self._server.close()
        await self._reset()

    async def _reset(self) -> None:
        for writer in list(self._writers):
            link = writer.get_extra_info("socket")
            if link is not None:
                with suppress(OSError):
                    link.setsockopt(
                        socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0)
                    )
            writer.transport.abort()

    async def _pass(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        try:
            up, down = await asyncio.open_connection("127.0.0.1", self.target)
        except OSError:
            writer.transport.abort()
            return
        flying: dict[int, Key] = {}
        self._writers |= {writer, down}
        try:
            await asyncio.gather(
                self._pipe(reader, down, Tap(), flying),
                self._pipe(up, writer, Tap(), flying),
            )
        except (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            self._writers -= {writer, down}
            for each in (writer, down):
                each.transport.abort()

    async def _pipe(
        self,
        source: asyncio.StreamReader,
        sink: asyncio.StreamWriter,
        tap: Tap,
        flying: dict[int, Key],
    ) -> None:
        while data := await source.read(65_536):
            while self._frozen:  # noqa: ASYNC110 told from another thread
                await asyncio.sleep(0.05)
            for kind, flags, body in tap.packets(data):
                self._look(kind, flags, body, flying)
            sink.write(data)
            await sink.drain()
        raise OSError("closed")

    def _look(self, kind: int, flags: int, body: bytes, flying: dict[int, Key]) -> None:
        if kind == PUBLISH:
            topic, number, payload = published(flags, body)
            self.messages += 1
            if topic.endswith("/events/event"):
                told = json.loads(payload)
                flying[number] = (told["epoch"], told["seq"])
        elif kind == PUBACK:
            (number,) = struct.unpack_from(">H", body)
            is_refused = len(body) > 2 and body[2] >= FAILURE
            if (key := flying.pop(number, None)) is not None and not is_refused:
                self.acked.append(key)


@contextmanager
def proxied(target: int, host: str = "127.0.0.1") -> Iterator[Proxy]:
    """Run a proxy to *target* while the context lasts."""
    proxy, is_up = Proxy(target, host), threading.Event()

    def run() -> None:
        async def main() -> None:
            proxy._loop = asyncio.get_running_loop()
            await proxy._open()
            is_up.set()
            await stop.wait()
            await proxy._close()
            await asyncio.sleep(0.1)

        asyncio.run(main())

    stop = asyncio.Event()
    thread = threading.Thread(target=run)
    thread.start()
    assert is_up.wait(10)
    try:
        yield proxy
    finally:
        proxy.freeze(is_frozen=False)
        assert proxy._loop is not None
        proxy._loop.call_soon_threadsafe(stop.set)
        thread.join()
