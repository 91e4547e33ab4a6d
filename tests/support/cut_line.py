"""A TCP relay whose line can be cut: nothing passes, and nobody is told."""

from __future__ import annotations

import asyncio
import threading
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@dataclass
class Line:
    """The relay; clear *whole* to cut it."""

    port: int = 0
    whole: threading.Event = field(default_factory=threading.Event)


@contextmanager
def relayed(to_port: int) -> Iterator[Line]:
    """Relay a new loopback port to *to_port* while the context lasts."""
    line, ready = Line(), threading.Event()
    line.whole.set()
    loops: list[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = []

    async def copy(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            while data := await reader.read(65_536):
                while not line.whole.is_set():  # noqa: ASYNC110 another thread's
                    await asyncio.sleep(0.02)
                writer.write(data)
                await writer.drain()
        writer.close()

    async def relay(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        ends = [writer]
        try:
            there = await asyncio.open_connection("127.0.0.1", to_port)
            ends.append(there[1])
            await asyncio.gather(copy(reader, there[1]), copy(there[0], writer))
        except OSError:
            pass  # whoever was to answer has gone
        finally:
            for end in ends:
                end.transport.abort()
                with suppress(OSError):
                    await end.wait_closed()

    async def serve() -> None:
        leaving, talks = asyncio.Event(), set[asyncio.Task[None]]()

        def begin(r: asyncio.StreamReader, w: asyncio.StreamWriter) -> None:
            task = asyncio.ensure_future(relay(r, w))
            talks.add(task)
            task.add_done_callback(talks.discard)

        server = await asyncio.start_server(begin, "127.0.0.1", 0)
        line.port = server.sockets[0].getsockname()[1]
        loops.append((asyncio.get_running_loop(), leaving))
        ready.set()
        await leaving.wait()
        server.close()
        for talk in list(talks):
            talk.cancel()
        await asyncio.gather(*talks, return_exceptions=True)

    thread = threading.Thread(target=asyncio.run, args=(serve(),))
    thread.start()
    try:
        assert ready.wait(30)
        yield line
    finally:
        loops[0][0].call_soon_threadsafe(loops[0][1].set)
        thread.join(30)
