"""The shell: stamps events, steps the core, does what it says. No decisions here."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Protocol

from tocsin.core.audit import faults
from tocsin.core.engine import Outcome, step
from tocsin.core.events import (
    CertificatesSeen,
    Event,
    Fact,
    InputSeen,
    LocalTime,
    Reading,
    ReadingFailed,
    Tick,
    Trouble,
)
from tocsin.core.hours import DAY_MS, day_ms
from tocsin.core.state import fresh
from tocsin.ports import DriverError

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping, Sequence
    from contextlib import AbstractAsyncContextManager

    from tocsin.clock import Clock
    from tocsin.core.site import Site
    from tocsin.ports import Inputs, Outputs, Source

    Open = Callable[[], AbstractAsyncContextManager[Source]]

BACKOFF_MS = (250, 500, 1_000, 2_000, 5_000)
IDLE_MS = 1_000
"""The core is stepped at least this often, so that the heart beats."""

BEAT_MS = 500
"""A level of the heartbeat lasts so long at least, and at most so long as a pause
between steps more: two steps may follow within a millisecond, and neither a relay nor
a charge pump would see that. See ``deploy/DEADMAN.md``."""

LOOK_MS = 1_000
"""So often is every input read, beside its edges: a wire that breaks has none."""

SLACK_MS = 2_000
"""The core is told the time of day when it is further off than this."""

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
    places: dict[str, dict[str, str]] = field(default_factory=dict)
    """What fails now, of each part with several places, and why."""

    certificates: dict[str, tuple[int, str]] = field(default_factory=dict)
    """What each connection said last of its own."""

    async def put(self, stamp: Unstamped) -> None:
        """Hand an event over; waits while the core is behind."""
        await self.queue.put((stamp, None))

    async def ask(self, stamp: Unstamped) -> Outcome:
        """Hand an event over and return what came of it."""
        answer: asyncio.Future[Outcome] = asyncio.get_running_loop().create_future()
        await self.queue.put((stamp, answer))
        return await answer

    def trouble_at(self, part: str, where: str, reason: str) -> None:
        """Say that a part fails at *where*, or works again there; see `OnTrouble`."""
        places = self.places.setdefault(part, {})
        if reason:
            places[where] = reason
        else:
            places.pop(where, None)
        said = "; ".join(f"{at}: {why}" for at, why in sorted(places.items()))
        self.trouble(part, said)

    def certificates_at(self, where: str, left_ms: int, text: str) -> None:
        """Say how long the first certificate at *where* holds; said again soon."""
        self.certificates[where] = left_ms, text
        left_ms, text = min(self.certificates.values())
        with suppress(asyncio.QueueFull):
            stamp = partial(CertificatesSeen, left_ms=left_ms, text=text)
            self.queue.put_nowait((stamp, None))

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
        inputs: Buttons, switches and contacts, if there are any.
        witness: Told of every step, and when its levels were on the pins.
    """

    site: Site
    clock: Clock
    outputs: Outputs
    room: Room
    sources: Mapping[str, Open]
    poll_ms: int = 1_000
    inbox: Inbox = field(default_factory=Inbox)
    inputs: Inputs | None = None
    witness: Callable[[Outcome, int], None] | None = None
    _pin_trouble: str = field(default="", init=False)
    _beat_ms: int | None = field(default=None, init=False)
    _seen: dict[str, bool | str] = field(default_factory=dict, init=False)

    async def run(self) -> None:
        """Run until cancelled; a bug in any task ends them all.

        Raises:
            ExceptionGroup: of UnsoundStepError, or of whatever bug it was.
        """
        async with asyncio.TaskGroup() as group:
            core = group.create_task(self._decide(), name="core")
            asking = [
                group.create_task(
                    listen(
                        name,
                        opened,
                        clock=self.clock,
                        poll_ms=self.poll_ms,
                        put=self.inbox.put,
                    ),
                    name=f"source:{name}",
                )
                for name, opened in self.sources.items()
            ]
            if self.inputs is not None:
                watching = self._watch(self.inputs)
                asking.append(group.create_task(watching, name="inputs"))
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
            outcome = self._time_told(outcome)
            idle_ms = max(IDLE_MS, self.poll_ms)
            while True:
                latest_ms = outcome.state.now_ms + idle_ms
                wake_ms = min(outcome.wake_at_ms or latest_ms, latest_ms)
                item = await self.clock.take(self.inbox.queue, wake_ms)
                stamp, answer = (Tick, None) if item is None else item
                outcome = self._time_told(outcome)
                event = stamp(at_ms=self.clock.now_ms())
                outcome = self._do(step(outcome.state, event, self.site))
                if answer is not None and not answer.done():
                    answer.set_result(outcome)

    def _time_told(self, outcome: Outcome) -> Outcome:
        """Tell the core the local time if it does not know it, or not well enough."""
        now_ms, is_ms = self.clock.now_ms(), self.clock.day_ms()
        known_ms = day_ms(outcome.state.local_ms, now_ms)
        if known_ms is not None:
            off_ms = (known_ms - is_ms) % DAY_MS
            if min(off_ms, DAY_MS - off_ms) <= SLACK_MS:
                return outcome
        told = LocalTime(at_ms=now_ms, day_ms=is_ms)
        return self._do(step(outcome.state, told, self.site))

    def _do(self, outcome: Outcome) -> Outcome:
        """Check the step, hold every output, beat if it is time, tell.

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
            self._beat(outcome.state.now_ms)
        except DriverError as exc:
            return str(exc) or type(exc).__name__
        return ""

    def _beat(self, now_ms: int) -> None:
        """Let the heart beat, unless it only just has."""
        if self._beat_ms is None or now_ms - self._beat_ms >= BEAT_MS:
            self.outputs.beat()
            self._beat_ms = now_ms

    def _say_pin_trouble(self, reason: str) -> None:
        """Tell the core once a change: what it is told makes the next step."""
        if reason != self._pin_trouble:
            self._pin_trouble = reason
            self.inbox.trouble("outputs", reason)

    async def _watch(self, inputs: Inputs) -> None:
        """Hand every edge on, and what has changed or cannot be read now and then."""
        loop = asyncio.get_running_loop()

        def edge(name: str, level: bool) -> None:  # noqa: FBT001 the port's call
            with suppress(RuntimeError):  # the loop may just have ended
                loop.call_soon_threadsafe(self._edge, name, level)

        inputs.listen(edge)
        with self.clock.member():
            while True:
                next_ms = self.clock.now_ms() + LOOK_MS
                for name, level in inputs.read().items():
                    said = level if isinstance(level, bool) else str(level)
                    if self._seen.get(name) != said:
                        self._seen[name] = said
                        await self.inbox.put(_seen(name, said))
                await self.clock.sleep_until(next_ms)

    def _edge(self, name: str, level: bool) -> None:  # noqa: FBT001 as above
        with suppress(asyncio.QueueFull):  # the next look says it again
            self.inbox.queue.put_nowait((_seen(name, level), None))
            self._seen[name] = level


async def listen(
    name: str,
    opened: Open,
    *,
    clock: Clock,
    poll_ms: int,
    put: Callable[[Unstamped], Awaitable[None]],
) -> None:
    """Ask one pack for ever. A driver bounds its own requests: none is cut off."""
    failures = 0
    with clock.member():
        while True:
            try:
                async with opened() as source:
                    while True:
                        next_ms = clock.now_ms() + poll_ms
                        sample = await source.read()
                        failures = 0
                        await put(partial(Reading, pack=name, sample=sample))
                        await clock.sleep_until(next_ms)
            except DriverError as exc:
                reason = str(exc) or type(exc).__name__
                await put(partial(ReadingFailed, pack=name, reason=reason))
                pause_ms = BACKOFF_MS[min(failures, len(BACKOFF_MS) - 1)]
                failures += 1
                await clock.sleep_until(clock.now_ms() + pause_ms)


def _seen(name: str, said: bool | str) -> Unstamped:  # noqa: FBT001 a level or a reason
    if isinstance(said, bool):
        return partial(InputSeen, name=name, level=said)
    return partial(InputSeen, name=name, level=None, reason=said)


def _hurry(asking: Sequence[asyncio.Task[None]], core: asyncio.Task[None]) -> None:
    """See that no request with a long timeout holds up the end."""
    loop = core.get_loop()
    for task in asking:
        loop.call_later(LEAVING_S, task.cancel)
