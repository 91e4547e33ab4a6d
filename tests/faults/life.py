"""One run of the daemon after another, on one machine, in virtual time.

`tocsin.app.serve` puts the daemon together as it always does. What it is given instead
of the real thing: the loop's time, pins, inputs, the other end of the Modbus lines, the
disk below the journal's connection and the small files, and the link to a broker. Not
simulated: the control socket (its commands come in by its own parser), history, page.
"""

from __future__ import annotations

import asyncio
from contextlib import ExitStack, asynccontextmanager, suppress
from dataclasses import replace
from functools import partial
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

from tests.faults.book import Book
from tests.faults.broker import Broker, FakeLink
from tests.faults.disk import Disk, KilledError
from tests.faults.loop import Leaping, Time

from tocsin import app, files
from tocsin.clock import RealClock
from tocsin.mqtt.memory import save as save_memory
from tocsin_drivers.modbus.link import _LINES

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Mapping, Sequence

    from tests.faults.pins import Inputs, Pins
    from tests.faults.wire import Line

    from tocsin.core.events import Fact
    from tocsin.shell import Inbox, Room
    from tocsin_config import Setup

ENDING_S = 10.0
DAY_MS = 86_400_000


class SimClock(RealClock):
    """The loop's time, and the machine's wall clock; the hut keeps UTC."""

    def __init__(self, time: Time) -> None:
        self._time = time

    def wall_ms(self) -> int:
        """Return the machine's time of day."""
        return self._time.wall_ms()

    def day_ms(self) -> int:
        """Return the local time of day."""
        return self._time.wall_ms() % DAY_MS


class Machine:
    """What outlives a process: the disk, the wires, the broker, the clock.

    Attributes:
        runs: How many runs there were.
        inbox, doors: Of the run of now.
    """

    def __init__(
        self,
        setup: Setup,
        *,
        time: Time,
        disk: Disk,
        pins: Pins,
        inputs: Inputs,
        lines: Mapping[tuple[str, int], Line],
        broker: Broker,
    ) -> None:
        self.setup = setup
        self.time = time
        self.disk = disk
        self.pins = pins
        self.inputs = inputs
        self.lines = lines
        self.broker = broker
        self.runs = 0
        self.inbox: Inbox | None = None
        self.snapshot: Callable[[], Mapping[str, Any] | None] = lambda: None
        self.doors: Mapping[str, Any] = {}
        self.loop: Leaping | None = None
        self.serving: asyncio.Task[None] | None = None
        self.on_written: Callable[[Sequence[Fact], bool], None] = lambda *_: None

    def run(self, guest: Room, begun: Callable[[], None]) -> BaseException | None:
        """Run the daemon until it ends, is stopped or killed; return its exception.

        *begun* is called in the loop, to plan what happens.
        """
        self.runs += 1
        _LINES.clear()  # of the process before
        loop = Leaping(
            self.time,
            lines={at: line.open for at, line in self.lines.items()},
            elsewhere=self.disk.elsewhere,
        )
        self.loop = loop
        loop.set_exception_handler(lambda *_: None)
        self.disk.on_cut = loop.stop
        with self._stood_in_for():
            asyncio.set_event_loop(loop)
            try:
                setup = _at(self.setup, self.disk)
                self.pins.claim()
                serving = loop.create_task(
                    app.serve(
                        setup,
                        time=SimClock(self.time),
                        guests=(guest,),
                        inputs=self.inputs if setup.site.inputs else None,
                    )
                )
                self.serving = serving
                serving.add_done_callback(lambda _: loop.stop())
                loop.call_soon(begun)
                loop.run_forever()
                self._bury(loop)
            finally:
                asyncio.set_event_loop(None)
                loop.close()
        if serving.cancelled() or not serving.done():
            return None
        ended = serving.exception()
        return None if isinstance(ended, KilledError) else ended

    def kill(self) -> None:
        """End the process at this instant."""
        if self.loop is not None and not self.disk.is_dead:
            self.disk.leave()
            self.loop.stop()

    def stop(self) -> None:
        """Ask it to stop."""
        if self.serving is not None:
            self.serving.cancel()

    def _bury(self, loop: Leaping) -> None:
        """Let nothing of the process touch the world any more, and clear it away."""
        is_killed = self.disk.is_dead
        self.pins.is_dead = True
        self.pins.fall()
        link = self.broker.link
        if link is not None:
            link.die()
            self.broker.link = None
        if not is_killed:
            self.disk.leave()
        now_s = self.time.now_s
        for _ in range(3):
            left = asyncio.all_tasks(loop)
            for task in left:
                task.cancel()
            if left:
                ending = asyncio.gather(*left, return_exceptions=True)
                with suppress(Exception):
                    loop.run_until_complete(asyncio.wait_for(ending, ENDING_S))
        self.time.now_s = now_s

    def _stood_in_for(self) -> ExitStack:
        stack = ExitStack()
        make: dict[str, Any] = {
            "tocsin.app.Journal": self._book,
            "tocsin.app.open_outputs": lambda _: self.pins,
            "tocsin.app.control.serve": self._control,
            "tocsin.app.clock.boot_id": lambda: "boot",
            "tocsin.app.uuid": SimpleNamespace(
                uuid4=lambda: SimpleNamespace(hex=f"run-{self.runs}")
            ),
            "tocsin.mqtt.publisher.Link": partial(FakeLink, broker=self.broker),
            "tocsin.files.save": self.disk.saving(files.save),
            "tocsin.mqtt.memory.save": self.disk.saving(save_memory),
        }
        for name, stand_in in make.items():
            stack.enter_context(patch(name, stand_in))
        return stack

    def _book(self, folder: Any, *, on_written: Any, **how: Any) -> Book:
        def written(facts: Sequence[Fact], is_durable: bool) -> None:  # noqa: FBT001 as the journal calls it
            if not self.disk.is_dead:
                self.on_written(facts, is_durable)
            on_written(facts, is_durable)

        return Book(folder, disk=self.disk, on_written=written, **how)

    @asynccontextmanager
    async def _control(
        self,
        path: Any,
        inbox: Inbox,
        snapshot: Callable[[], Mapping[str, Any] | None],
        doors: Mapping[str, Any] | None = None,
    ) -> AsyncIterator[None]:
        del path
        self.inbox, self.snapshot, self.doors = inbox, snapshot, doors or {}
        try:
            yield
        finally:
            self.inbox = None


def _at(setup: Setup, disk: Disk) -> Setup:
    return replace(setup, journal_folder=disk.folder)
