"""The one file that knows the web library: sockets, TLS, and streams of events."""

from __future__ import annotations

import asyncio
import ssl
from contextlib import suppress
from typing import TYPE_CHECKING

from aiohttp import web

from tocsin.page.asked import LONGEST_BODY, Answer, Asked
from tocsin.page.guard import HEADERS

if TYPE_CHECKING:
    from collections.abc import Callable

    from tocsin.page.desk import Desk
    from tocsin.page.streams import Stream
    from tocsin.ports import PageSpec

MOST_CONNECTIONS = 256
SLOW_S = 5.0
"""A reader of the stream that takes nothing for so long is dropped."""

BUFFER = 65_536
IDLE_S = 15.0
CLOSING_S = 0.3


class Server:
    """Serves a desk on one address.

    Raises:
        OSError: on `open`: the address is taken, or a certificate cannot be used.
    """

    def __init__(self, spec: PageSpec, desk: Desk) -> None:
        self._spec = spec
        self._desk = desk
        self._runner: web.AppRunner | None = None
        self._server: asyncio.Server | None = None

    async def open(self) -> None:
        """Listen."""
        app = web.Application(client_max_size=LONGEST_BODY)
        app.router.add_route("*", "/{path:.*}", self._answer)
        app.on_response_prepare.append(_guarded)
        self._runner = web.AppRunner(
            app,
            handle_signals=False,
            access_log=None,
            keepalive_timeout=IDLE_S,
            shutdown_timeout=CLOSING_S,
        )
        tls = await asyncio.to_thread(_tls, self._spec)
        await self._runner.setup()
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(
            self._connection, self._spec.host, self._spec.port, ssl=tls
        )

    async def close(self) -> None:
        """Stop listening; who still listens to events is dropped."""
        self._desk.streams.end()
        if self._server is not None:
            self._server.close()
        if self._runner is not None:
            await self._runner.cleanup()
            self._runner = None

    def _connection(self) -> asyncio.BaseProtocol:
        """Return what talks on a new connection; one too many is closed at once."""
        served = None if self._runner is None else self._runner.server
        if served is None or len(served.connections) >= MOST_CONNECTIONS:
            return _Refusal()
        return served()

    async def _answer(self, request: web.Request) -> web.StreamResponse:
        asked = Asked(
            method=request.method,
            path=request.path,
            query=dict(request.query),
            headers={name.lower(): text for name, text in request.headers.items()},
            cookies=dict(request.cookies),
            body=await request.read(),
            peer=request.remote or "",
        )
        answer = await self._desk.answer(asked)
        if answer.stream is not None:
            try:
                return await self._streamed(request, answer, answer.stream)
            finally:
                self._desk.streams.leave(answer.stream)
        return web.Response(
            status=answer.status,
            body=answer.body,
            headers={**answer.headers, "Content-Type": answer.kind},
        )

    async def _streamed(
        self, request: web.Request, answer: Answer, stream: Stream
    ) -> web.StreamResponse:
        headers = {**answer.headers, "Content-Type": answer.kind}
        response = web.StreamResponse(headers=headers)
        await response.prepare(request)
        line = request.transport
        if line is not None:
            line.set_write_buffer_limits(high=BUFFER)
        with suppress(ConnectionError, TimeoutError):
            await _written(response, b"retry: 2000\n\n")
            while message := await stream.queue.get():
                await _written(response, message)
        if line is not None:
            line.abort()  # what waits for a reader that does not read is let go
        return response


async def _written(response: web.StreamResponse, message: bytes) -> None:
    async with asyncio.timeout(SLOW_S):
        await response.write(message)


class _Refusal(asyncio.Protocol):
    """Takes a connection only to end it."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """End it."""
        if isinstance(transport, asyncio.Transport):
            transport.abort()


async def _guarded(_request: web.Request, response: web.StreamResponse) -> None:
    """Give the library's own answers, such as 413, the headers of ours."""
    if response.headers.get("Server") != HEADERS["Server"]:  # else it bears its own
        response.headers.update(HEADERS)


def _tls(spec: PageSpec) -> ssl.SSLContext | None:
    """Return the owner's certificate, ready; None for plain HTTP.

    Raises:
        OSError: it cannot be read or used.
    """
    if spec.certificate is None:
        return None
    for path in (spec.certificate, spec.key or spec.certificate):
        path.open("rb").close()  # the library does not say which one is missing
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(spec.certificate, spec.key)
    return context


def why(exc: OSError, spec: PageSpec, words: Callable[[int], str]) -> str:
    """Return why a server could not open, for a person."""
    if isinstance(exc, ssl.SSLError):
        return f"the certificate cannot be used: {exc.reason or exc}"
    if exc.filename:
        return f"{exc.filename}: {exc.strerror}"
    reason = words(exc.errno) if exc.errno else str(exc)
    return f"cannot listen on {spec.host} port {spec.port}: {reason.lower()}"
