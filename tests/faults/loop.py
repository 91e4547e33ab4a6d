"""An event loop whose time leaps from one timer to the next. No thread takes part.

What the daemon gives to other threads runs in the loop's own, after as long as the
disk would take; a connection is made to the simulated line of that address.
"""

from __future__ import annotations

import asyncio
import heapq
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

BEGINNING_S = 1_000.0
LATE_S = 1e-6
"""No timer is punctual: at its moment to the last bit, a cut to whole milliseconds
could show the one before, for ever."""


class Time:
    """Seconds since the machine was switched on, and what its wall clock says.

    Attributes:
        held_up_s: How long the loop was held up in all, by us.
    """

    def __init__(self, *, start_wall_ms: int) -> None:
        self.now_s = BEGINNING_S
        self.held_up_s = 0.0
        self._wall_ms = start_wall_ms - round(BEGINNING_S * 1000)

    def wall_ms(self) -> int:
        """Return the time of day, as the wall clock has it."""
        return self._wall_ms + int(self.now_s * 1000)

    def jump(self, by_s: float) -> None:
        """Set the wall clock forward, or back."""
        self._wall_ms += round(by_s * 1000)

    def hold_up(self, for_s: float) -> None:
        """Let time pass while the loop can do nothing."""
        self.now_s += for_s
        self.held_up_s += for_s


class _NoSelector:
    """Has nothing to wait for: whatever comes from outside is a timer here."""

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is None:
            raise RuntimeError("nothing is ready and no timer is set: it would hang")
        return []

    def close(self) -> None:
        """Close nothing."""


class Leaping(asyncio.SelectorEventLoop):
    """A loop of virtual time.

    Attributes:
        lines: What answers, by host and port.
        elsewhere: Runs what the daemon gives to another thread, and returns how long
            the disk took over it.
    """

    def __init__(
        self,
        time: Time,
        *,
        lines: Mapping[tuple[str, int], Callable[[Any], Any]],
        elsewhere: Callable[[Callable[[], Any]], float],
    ) -> None:
        self._virtual = time
        super().__init__(_NoSelector())  # type: ignore[arg-type]
        self._lines = lines
        self._elsewhere = elsewhere

    def time(self) -> float:
        return self._virtual.now_s

    def _run_once(self) -> None:
        inner: Any = self
        timers = inner._scheduled
        while timers and timers[0]._cancelled:
            timer = heapq.heappop(timers)
            timer._scheduled = False
            inner._timer_cancelled_count -= 1
        if timers and not inner._ready:
            at_s = timers[0]._when + LATE_S
            self._virtual.now_s = max(self._virtual.now_s, at_s)
        run: Any = super()
        run._run_once()

    def _make_self_pipe(self) -> None:
        inner: Any = self
        inner._ssock = inner._csock = None

    def _close_self_pipe(self) -> None:
        """There is none."""

    def _write_to_self(self) -> None:
        """Wake nobody: who calls from "another thread" is in this one."""

    def run_in_executor(  # type: ignore[override]  # done at once, on no thread
        self, executor: Any, func: Callable[..., Any], *args: Any
    ) -> Any:
        del executor
        done: asyncio.Future[Any] = self.create_future()
        outcome: list[Any] = []

        def work() -> None:
            outcome.append(func(*args))

        try:
            took_s = self._elsewhere(work)
        except Exception as exc:  # noqa: BLE001 whatever it is, the caller gets it
            self.call_soon(_fail, done, exc)
        else:
            self.call_later(took_s, _finish, done, outcome[0])
        return done

    async def create_connection(  # type: ignore[override]
        self, protocol_factory: Callable[[], Any], host: str, port: int, **_: Any
    ) -> tuple[Any, Any]:
        open_line = self._lines.get((host, port))
        if open_line is None:
            raise ConnectionRefusedError(f"nobody is at {host}:{port}")
        protocol = protocol_factory()
        transport = open_line(protocol)
        protocol.connection_made(transport)
        return transport, protocol


def _finish(done: asyncio.Future[Any], result: Any) -> None:
    if not done.done():
        done.set_result(result)


def _fail(done: asyncio.Future[Any], exc: Exception) -> None:
    if not done.done():
        done.set_exception(exc)
