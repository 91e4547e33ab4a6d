"""The page's room: a thread with an event loop of its own, which nobody waits for."""

from __future__ import annotations

import asyncio
import os
import socket
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Self

from tocsin.page.desk import Desk
from tocsin.page.guard import Guard
from tocsin.page.server import Server, why
from tocsin.page.streams import Streams
from tocsin.page.token import TokenError, token
from tocsin.page.view import picture

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Mapping, Sequence
    from pathlib import Path
    from types import TracebackType

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Event, Fact
    from tocsin.core.site import Site
    from tocsin.ports import PageSpec

PACE_S = 0.25
"""What changes is sent at most so often."""

AGAIN_S = 10.0
"""So long after it could not listen the page tries again."""

DRIFT_MS = 500
"""The time of day is taken anew once it differs by more: times shown stand still."""

CLOSE_S = 1.0


class Page:
    """Serves the page of one site; a room, and a context manager.

    ``stepped`` and ``tell`` are called in the thread of the event loop that entered it,
    take some microseconds, and never wait.

    Args:
        spec: Where, and with what.
        site: What is shown.
        folder: Of journal, history and records.
        wall_ms: The time of day.
        ask: Hands a command to the core; called in the thread that entered it.
        on_trouble: Gets the reason when there is no page, or nobody can act on it, and
            "" once all is well; in the thread that entered it.
    """

    def __init__(
        self,
        spec: PageSpec,
        *,
        site: Site,
        folder: Path,
        wall_ms: Callable[[], int],
        ask: Callable[[Callable[..., Event]], Coroutine[Any, Any, Outcome]],
        on_trouble: Callable[[str], None],
    ) -> None:
        self._spec = spec
        self._site = site
        self._folder = folder
        self._wall_ms = wall_ms
        self._ask = ask
        self._on_trouble = on_trouble
        self._seen: tuple[Outcome, int, int] | None = None
        self._ahead_ms = 0
        self._told = 0
        self._streams = Streams()
        self._is_woken = False
        self._daemon: asyncio.AbstractEventLoop | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ended = asyncio.Event()
        self._wake = asyncio.Event()
        self._ending = asyncio.Event()
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    # --- in the daemon's thread -----------------------------------------------------

    def tell(self, facts: Sequence[Fact]) -> None:
        """Count what became true."""
        self._told += len(facts)

    def stepped(self, outcome: Outcome) -> None:
        """Take what is shown from now on."""
        ahead_ms = self._wall_ms() - outcome.state.now_ms
        if abs(ahead_ms - self._ahead_ms) > DRIFT_MS:
            self._ahead_ms = ahead_ms
        self._seen = outcome, self._ahead_ms + outcome.state.now_ms, self._told
        is_asleep = len(self._streams) > 0 and not self._is_woken
        if is_asleep and self._loop is not None:
            self._is_woken = True
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._wake.set)

    async def __aenter__(self) -> Self:
        self._daemon = asyncio.get_running_loop()
        self._thread.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._loop is not None:
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._ending.set)
        with suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_S):
                await self._ended.wait()
        if self._ended.is_set():
            self._thread.join()
        self._daemon = None

    # --- in the page's own thread ---------------------------------------------------

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as exc:
            self._say(f"the page has ended: {exc!r}")
            raise
        finally:
            self._post(self._ended.set)

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        ending = asyncio.create_task(self._ending.wait())
        work = asyncio.create_task(self._work())
        await asyncio.wait({ending, work}, return_when=asyncio.FIRST_COMPLETED)
        for task in (ending, work):
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task

    async def _work(self) -> None:
        desk = Desk(
            folder=self._folder,
            ask=self._command,
            now_s=asyncio.get_running_loop().time,
            guard=Guard(None),
            names=_names(self._spec),
            has_tls=self._spec.certificate is not None,
            now=self._picture,
            streams=self._streams,
        )
        server = await self._open(desk)
        try:
            while True:
                await self._wake.wait()
                self._wake.clear()
                self._is_woken = False
                if (shown := self._picture()) is not None:
                    self._streams.publish(shown)
                await asyncio.sleep(PACE_S)
        finally:
            await server.close()

    async def _open(self, desk: Desk) -> Server:
        """Return the server once it listens; until then say why not."""
        said: str | None = None
        while True:
            trouble = await asyncio.to_thread(self._load_token, desk)
            server = Server(self._spec, desk)
            try:
                await server.open()
            except OSError as exc:
                await server.close()
                trouble = why(exc, self._spec, os.strerror)
            else:
                if trouble or said:
                    self._say(trouble)
                return server
            if trouble != said:
                self._say(trouble)
                said = trouble
            await asyncio.sleep(AGAIN_S)

    def _load_token(self, desk: Desk) -> str:
        """Let people sign in; return why they cannot, if so."""
        try:
            desk.guard.token = token(self._spec.token_file, self._folder)
        except TokenError as exc:
            return str(exc)
        return ""

    def _picture(self) -> Mapping[str, Any] | None:
        if self._seen is None:
            return None
        outcome, wall_ms, told = self._seen
        return picture(outcome, self._site, wall_ms=wall_ms, told=told)

    async def _command(self, stamp: Callable[..., Event]) -> Outcome:
        daemon = self._daemon
        if daemon is None:
            raise TimeoutError
        asked = asyncio.run_coroutine_threadsafe(self._ask(stamp), daemon)
        outcome: Outcome = await asyncio.wrap_future(asked)
        return outcome

    def _say(self, reason: str) -> None:
        self._post(self._on_trouble, reason)

    def _post(self, call: Callable[..., None], *args: object) -> None:
        daemon = self._daemon
        if daemon is not None:
            with suppress(RuntimeError):
                daemon.call_soon_threadsafe(call, *args)


def _names(spec: PageSpec) -> frozenset[str]:
    """Return the names this machine goes by, in lower case."""
    own = socket.gethostname().lower()
    bare = own.partition(".")[0]
    named = (spec.host, *spec.names, own, bare, f"{bare}.local", "localhost")
    return frozenset(name.lower().rstrip(".") for name in named)
