"""The only reader of clocks, so that time can be replaced whole.

Times are milliseconds of a monotonic clock; wall time is for people's columns only.
"""

from __future__ import annotations

import asyncio
import time
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

T = TypeVar("T")

DAY_MS = 86_400_000
SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Clock(Protocol):
    """What the shell needs of time."""

    def now_ms(self) -> int:
        """Return the daemon's monotonic time."""
        ...

    def wall_ms(self) -> int:
        """Return the time of day, in ms since 1970."""
        ...

    def day_ms(self) -> int:
        """Return the local time of day, in ms since midnight."""
        ...

    async def sleep_until(self, at_ms: int) -> None:
        """Sleep until *at_ms*, or not at all if it has passed."""
        ...

    async def take(self, queue: asyncio.Queue[T], until_ms: int) -> T | None:
        """Return the next item, or None once *until_ms* has come."""
        ...

    def member(self) -> AbstractContextManager[None]:
        """Count a task in: stepped time waits for it whenever it is busy."""
        ...


class RealClock:
    """The running loop's time."""

    def now_ms(self) -> int:
        """Return the running loop's time."""
        return int(asyncio.get_running_loop().time() * 1000)

    def wall_ms(self) -> int:
        """Return the system's time of day."""
        return wall_ms()

    def day_ms(self) -> int:
        """Return the system's local time of day, by its own zone and summer time."""
        return local_day_ms(self.wall_ms())

    async def sleep_until(self, at_ms: int) -> None:
        """Sleep until *at_ms*."""
        loop = asyncio.get_running_loop()
        await asyncio.sleep(max(0.0, at_ms / 1000 - loop.time()))

    async def take(self, queue: asyncio.Queue[T], until_ms: int) -> T | None:
        """Return the next item, or None at *until_ms*."""
        if not queue.empty():
            return queue.get_nowait()
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout_at(max(until_ms / 1000, loop.time())):
                return await queue.get()
        except TimeoutError:
            return None

    @contextmanager
    def member(self) -> Iterator[None]:
        """Real time waits for nobody."""
        yield


class SteppedClock:
    """Time that jumps to the next deadline once every member sleeps.

    It goes at most *speed* times as fast as real time, and waits for whoever is busy,
    so that a slow machine tells the same story more slowly, never another one.

    Attributes:
        speed: May be changed while it runs; holds from the next jump on.
    """

    YIELD_S = 0.001
    """Long enough for the loop to wake whoever was just handed something."""

    CATCH_UP_S = 0.25
    """At most so much real time that work took is made good by shorter pauses."""

    def __init__(self, *, speed: float, start_wall_ms: int) -> None:
        self.speed = speed
        self._start_wall_ms = start_wall_ms
        self._now_ms = 0
        self._members = 0
        self._asleep: dict[asyncio.Future[None], int] = {}
        self._jump: asyncio.TimerHandle | None = None
        self._due_s = 0.0

    def now_ms(self) -> int:
        """Return the stepped time; 0 at the start."""
        return self._now_ms

    def wall_ms(self) -> int:
        """Return the story's time of day."""
        return self._start_wall_ms + self._now_ms

    def day_ms(self) -> int:
        """Return the story's time of day; it plays where the clocks show UTC."""
        return self.wall_ms() % DAY_MS

    @contextmanager
    def member(self) -> Iterator[None]:
        """Count the current task in."""
        self._members += 1
        try:
            yield
        finally:
            self._members -= 1
            self._plan()

    async def sleep_until(self, at_ms: int) -> None:
        """Sleep until *at_ms*."""
        if at_ms > self._now_ms:
            alarm = self._set_alarm(at_ms)
            try:
                await alarm
            finally:
                self._asleep.pop(alarm, None)

    async def take(self, queue: asyncio.Queue[T], until_ms: int) -> T | None:
        """Return the next item, or None at *until_ms*."""
        if not queue.empty():
            return queue.get_nowait()
        if until_ms <= self._now_ms:
            return None
        alarm = self._set_alarm(until_ms)
        item = asyncio.ensure_future(queue.get())
        try:
            either: set[asyncio.Future[Any]] = {alarm, item}
            await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
            return item.result() if item.done() else None
        finally:
            self._asleep.pop(alarm, None)
            item.cancel()
            alarm.cancel()

    def _set_alarm(self, at_ms: int) -> asyncio.Future[None]:
        alarm: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._asleep[alarm] = at_ms
        self._plan()
        return alarm

    def _plan(self) -> None:
        if self._jump is not None or not self._asleep:
            return
        if len(self._asleep) < self._members:
            return
        ahead_s = (min(self._asleep.values()) - self._now_ms) / 1000 / self.speed
        loop = asyncio.get_running_loop()
        self._due_s = max(self._due_s, loop.time() - self.CATCH_UP_S) + ahead_s
        at_s = max(self._due_s, loop.time() + self.YIELD_S)
        self._jump = loop.call_at(at_s, self._step)

    def _step(self) -> None:
        self._jump = None
        if len(self._asleep) < self._members or not self._asleep:
            return
        self._now_ms = max(self._now_ms, min(self._asleep.values()))
        for alarm, at_ms in list(self._asleep.items()):
            if at_ms <= self._now_ms:
                del self._asleep[alarm]
                if not alarm.done():
                    alarm.set_result(None)
        self._plan()


def wall_ms() -> int:
    """Return the system's time of day in ms since 1970."""
    return int(time.time() * 1000)


def is_set() -> bool:
    """Return True if the system's time came from the network since it was booted.

    systemd-timesyncd.service(8) makes this file; where another program sets the clock
    there is none, and nobody here knows.
    """
    return SYNCHRONISED.exists()


def local_day_ms(at_wall_ms: int) -> int:
    """Return the local time of day of a moment, in ms since midnight."""
    local = time.localtime(at_wall_ms / 1000)
    seconds = (local.tm_hour * 60 + local.tm_min) * 60 + min(local.tm_sec, 59)
    return seconds * 1000 + at_wall_ms % 1000


def day_ms(year: int, month: int, day: int) -> int:
    """Return the start of a day in UTC, in ms since 1970."""
    return round(datetime(year, month, day, tzinfo=UTC).timestamp() * 1000)


def iso_time(at_wall_ms: int) -> str:
    """Return a time of day as ISO 8601 in UTC, to the millisecond."""
    moment = datetime.fromtimestamp(at_wall_ms / 1000, tz=UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def stopwatch_s() -> float:
    """Return seconds for measuring how long work took."""
    return time.perf_counter()


def loop_s() -> float:
    """Return the running loop's time, in seconds."""
    return asyncio.get_running_loop().time()


def boot_id() -> str:
    """Return the identity of this boot of the machine; empty where there is none."""
    try:
        return BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""
