"""The shell: stamps events, steps the core, does what it says. No decisions here."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Protocol

from tocsin.core.audit import faults
from tocsin.core.engine import Outcome, step
from tocsin.core.events import Event, Fact, Reading, ReadingFailed, Tick, Trouble
from tocsin.core.state import fresh
from tocsin.ports import DriverError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from contextlib import AbstractAsyncContextManager

    from tocsin.clock import Clock
    from tocsin.core.site import Site
    from tocsin.ports import Outputs, Source

    Open = Callable[[], AbstractAsyncContextManager[Source]]

BACKOFF_MS = (250, 500, 1_000, 2_000, 5_000)
IDLE_MS = 1_000
"""The core is stepped at least this often, so that the heart beats."""

LEAVING_S = 1.5
"""A source that has not let go by then is cancelled again, and its request with it."""


class UnsoundStepError(RuntimeError):
    """A step demanded what must never be. The daemon ends, and permits fall."""


class Unstamped(Protocol):
    """An event that lacks only its time, which the one consumer gives it."""

    def __call__(self, *, at_ms: int) -> Event:
        """Return the event as of *at_ms*."""
        ...


class Room(Protocol):
    """Whoever wants to know. Never blocks, never raises."""

    def tell(self, facts: Sequence[Fact]) -> None:
        """Take what just became true."""
        ...

    def stepped(self, outcome: Outcome) -> None:
        """Take the outcome of a step that was completed and checked."""
        ...


@dataclass(slots=True)
class Inbox:
    """The one queue to the core. An answer, if asked for, is the step's outcome."""

    queue: asyncio.Queue[tuple[Unstamped, asyncio.Future[Outcome] | None]] = field(
        default_factory=lambda: asyncio.Queue(maxsize=256)
    )

    async def put(self, stamp: Unstamped) -> None:
        """Hand an event over; waits while the core is behind."""
        await self.queue.put((stamp, None))

    async def ask(self, stamp: Unstamped) -> Outcome:
        """Hand an event over and return what came of it."""
        answer: asyncio.Future[Outcome] = asyncio.get_running_loop().create_future()
        await self.queue.put((stamp, answer))
        return await answer

    def trouble(self, part: str, reason: str) -> None:
        """Say from the loop's own thread that a part fails, or works again."""
        try:
            stamp = partial(Trouble, part=part, reason=reason)
            self.queue.put_nowait((stamp, None))
        except asyncio.QueueFull:
            loop = asyncio.get_running_loop()
            loop.call_later(1.0, self.trouble, part, reason)


@dataclass(slots=True, kw_only=True)
class Shell:
    """One site's loop.

    Attributes:
        outputs: Closed, so every permit dropped, as soon as deciding ends.
        sources: For each pack, what opens a fresh connection to it.
        poll_ms: How often each pack is asked.
        witness: Told of every step, and when its levels were on the pins.
    """

    site: Site
    clock: Clock
    outputs: Outputs
    room: Room
    sources: Mapping[str, Open]
    poll_ms: int = 1_000
    inbox: Inbox = field(default_factory=Inbox)
    witness: Callable[[Outcome, int], None] | None = None
    _pin_trouble: str = field(default="", init=False)

    async def run(self) -> None:
        """Run until cancelled; a bug in any task ends them all.

        Raises:
            ExceptionGroup: of UnsoundStepError, or of whatever bug it was.
        """
        async with asyncio.TaskGroup() as group:
            core = group.create_task(self._decide(), name="core")
            asking = [
                group.create_task(self._listen(name, opened), name=f"source:{name}")
                for name, opened in self.sources.items()
            ]
            core.add_done_callback(partial(_hurry, asking))

    async def _decide(self) -> None:
        try:
            await self._step_for_ever()
        finally:
            self.outputs.close()

    async def _step_for_ever(self) -> None:
        with self.clock.member():
            now_ms = self.clock.now_ms()
            state = fresh(self.site, now_ms=now_ms)
            outcome = self._do(step(state, Tick(at_ms=now_ms), self.site))
            idle_ms = max(IDLE_MS, self.poll_ms)
            while True:
                latest_ms = outcome.state.now_ms + idle_ms
                wake_ms = min(outcome.wake_at_ms or latest_ms, latest_ms)
                item = await self.clock.take(self.inbox.queue, wake_ms)
                stamp, answer = (Tick, None) if item is None else item
                event = stamp(at_ms=self.clock.now_ms())
                outcome = self._do(step(outcome.state, event, self.site))
                if answer is not None and not answer.done():
                    answer.set_result(outcome)

    def _do(self, outcome: Outcome) -> Outcome:
        """Check the step, hold every output, beat, tell.

        Raises:
            UnsoundStepError: the second look found a fault; every output was dropped.
        """
        if wrong := faults(outcome, self.site):
            dropped = (replace(d, energised=False) for d in outcome.demands)
            self.outputs.hold(tuple(dropped))
            raise UnsoundStepError("; ".join(wrong))
        self._say_pin_trouble(self._held(outcome))
        if self.witness is not None:
            self.witness(outcome, self.clock.now_ms())
        if outcome.facts:
            self.room.tell(outcome.facts)
        self.room.stepped(outcome)
        return outcome

    def _held(self, outcome: Outcome) -> str:
        """Hold every output and beat; return what failed, or an empty string."""
        try:
            self.outputs.hold(outcome.demands)
            self.outputs.beat()
        except DriverError as exc:
            return str(exc) or type(exc).__name__
        return ""

    def _say_pin_trouble(self, reason: str) -> None:
        """Tell the core once a change: what it is told makes the next step."""
        if reason != self._pin_trouble:
            self._pin_trouble = reason
            self.inbox.trouble("outputs", reason)

    async def _listen(self, name: str, opened: Open) -> None:
        """Ask one pack for ever. A driver bounds its own requests: none is cut off."""
        failures = 0
        with self.clock.member():
            while True:
                try:
                    async with opened() as source:
                        while True:
                            next_ms = self.clock.now_ms() + self.poll_ms
                            sample = await source.read()
                            failures = 0
                            stamp = partial(Reading, pack=name, sample=sample)
                            await self.inbox.put(stamp)
                            await self.clock.sleep_until(next_ms)
                except DriverError as exc:
                    reason = str(exc) or type(exc).__name__
                    await self.inbox.put(
                        partial(ReadingFailed, pack=name, reason=reason)
                    )
                    pause_ms = BACKOFF_MS[min(failures, len(BACKOFF_MS) - 1)]
                    failures += 1
                    await self.clock.sleep_until(self.clock.now_ms() + pause_ms)


def _hurry(asking: Sequence[asyncio.Task[None]], core: asyncio.Task[None]) -> None:
    """See that no request with a long timeout holds up the end."""
    loop = core.get_loop()
    for task in asking:
        loop.call_later(LEAVING_S, task.cancel)
