"""A stage for the shell: scripted packs, recorded pins, and time that jumps."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from core_builders import CHARGE, output, rule, sample, site
from tocsin.clock import SteppedClock
from tocsin.core.rules import Role
from tocsin.ports import DriverError
from tocsin.shell import Inbox, Shell

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Coroutine, Mapping, Sequence
    from typing import Any

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Demand, Fact
    from tocsin.core.model import Sample
    from tocsin.core.site import Site

    Script = Callable[[int], Sample]

HUT = site(
    rule(actions=(CHARGE,)),
    outputs=[output("charge", Role.CHARGE_PERMIT), output("horn", Role.HORN)],
)


@dataclass
class Pins:
    """Remembers every level held; *broken* makes each write fail.

    Attributes:
        beats_at: How many levels had been held at each beat of the heart.
    """

    held: list[tuple[Demand, ...]] = field(default_factory=list)
    beats_at: list[int] = field(default_factory=list)
    closed: int = 0
    broken: str = ""

    def hold(self, demands: tuple[Demand, ...]) -> None:
        self.held.append(demands)
        if self.broken:
            raise DriverError(self.broken)

    def beat(self) -> None:
        self.beats_at.append(len(self.held))

    def close(self) -> None:
        self.closed += 1

    def level(self, name: str) -> bool:
        return next(d.energised for d in self.held[-1] if d.output == name)


@dataclass
class Ears:
    """A room that keeps all it is told."""

    facts: list[Fact] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)

    def tell(self, facts: Sequence[Fact]) -> None:
        self.facts += facts

    def stepped(self, outcome: Outcome) -> None:
        self.outcomes.append(outcome)


@dataclass
class Packs:
    """Opens scripted packs: *script* gives the sample of a time, or raises."""

    clock: SteppedClock
    script: Script
    opened_ms: list[int] = field(default_factory=list)
    closed: int = 0

    @asynccontextmanager
    async def open(self) -> AsyncIterator[Packs]:
        self.opened_ms.append(self.clock.now_ms())
        try:
            yield self
        finally:
            self.closed += 1

    async def read(self) -> Sample:
        await asyncio.sleep(0)
        return self.script(self.clock.now_ms())


@dataclass
class Stage:
    """A shell with all its parts at hand."""

    site: Site = HUT
    clock: SteppedClock = field(
        default_factory=lambda: SteppedClock(speed=1e9, start_wall_ms=0)
    )
    pins: Pins = field(default_factory=Pins)
    ears: Ears = field(default_factory=Ears)
    inbox: Inbox = field(default_factory=Inbox)
    poll_ms: int = 1_000

    def shell(self, packs: Mapping[str, Packs]) -> Shell:
        return Shell(
            site=self.site,
            clock=self.clock,
            outputs=self.pins,
            room=self.ears,
            sources={name: pack.open for name, pack in packs.items()},
            inbox=self.inbox,
            poll_ms=self.poll_ms,
        )

    def pack(self, script: Script = lambda _: sample()) -> Packs:
        return Packs(self.clock, script)

    async def run_until(self, at_ms: int, **packs: Packs) -> None:
        """Run until *at_ms* has come, then cancel. What the shell raises is raised."""
        running = asyncio.ensure_future(self.shell(packs).run())
        watching = asyncio.ensure_future(self._until(at_ms))
        await asyncio.wait({running, watching}, return_when=asyncio.FIRST_COMPLETED)
        watching.cancel()
        running.cancel()
        with suppress(asyncio.CancelledError):
            await running

    async def _until(self, at_ms: int) -> None:
        while self.clock.now_ms() < at_ms:  # noqa: ASYNC110 watches from outside time
            await asyncio.sleep(0)


def failing_between(begin_ms: int, end_ms: int, reason: str = "silent") -> Script:
    """Return a script that fails from *begin_ms* until before *end_ms*."""
    return partial(_failing, begin_ms, end_ms, reason)


def _failing(begin_ms: int, end_ms: int, reason: str, now_ms: int) -> Sample:
    if begin_ms <= now_ms < end_ms:
        raise DriverError(reason)
    return sample()


async def until(
    clock: SteppedClock, at_ms: int, work: Coroutine[Any, Any, None]
) -> None:
    """Let *work* go on until *at_ms*; raise what it raises."""
    task = asyncio.ensure_future(work)
    while clock.now_ms() < at_ms and not task.done():  # noqa: ASYNC110 - from outside
        await asyncio.sleep(0)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
