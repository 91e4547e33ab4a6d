"""Composition root: the one place that knows every part by name."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading
import uuid
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING, Any

from tocsin import __version__, clock, control, notify
from tocsin.core.events import Command, CommandFact
from tocsin.history import History, HistoryError
from tocsin.installed import open_inputs, open_outputs, open_sources
from tocsin.journal import Journal, JournalError, Row, read
from tocsin.memory import Memory
from tocsin.prove import Bench
from tocsin.rooms import Rooms
from tocsin.shell import Inbox, Room, Shell

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.clock import Clock
    from tocsin.fleet_port import FleetSpec
    from tocsin.mqtt import Request, Surroundings
    from tocsin.ports import Inputs
    from tocsin_config import Setup

REMEMBERING_S = 1.0
"""The first step waits at most so long for what earlier runs knew."""

STOPPING_S = (3.0, 3.5)
"""Whoever is still closing so long after the signal is told again to leave: the
page first, then the journal, MQTT behind it, the history last."""

HANGING_S = 0.5
"""How long threads may take to end once all is closed."""


@dataclass(frozen=True, slots=True)
class RunStamps:
    """Identity of this run, and the time of day, for the journal."""

    boot_id: str
    run_id: str
    clock: Clock

    def wall_ms(self) -> int:
        """Return the time of day."""
        return self.clock.wall_ms()


async def serve(
    setup: Setup,
    *,
    time: Clock,
    guests: Sequence[Room] = (),
    inputs: Inputs | None = None,
) -> None:
    """Run the daemon until cancelled; *inputs* stand in for the site's own pins.

    Raises:
        SetupError, DriverError: it cannot begin.
        AlreadyServedError: another daemon serves this site.
        ExceptionGroup: a bug ended it; every permit is dropped.
    """
    async with AsyncExitStack() as stack:
        outputs = open_outputs(setup)
        stack.callback(outputs.close)
        inputs = inputs or open_inputs(setup)
        if inputs is not None:
            stack.callback(inputs.close)
        inbox = Inbox()
        rooms = Rooms(setup, time, guests)
        bench = Bench(
            inbox=inbox,
            site=setup.site,
            folder=setup.journal_folder,
            wall_ms=time.wall_ms,
            sha256=setup.sha256,
            is_rehearsal=setup.pins_driver == "simulated",
        )
        shell = Shell(
            site=setup.site,
            clock=time,
            outputs=outputs,
            room=rooms,
            sources=open_sources(
                setup, on_trouble=inbox.trouble_at, heeding=rooms.heeding
            ),
            poll_ms=setup.poll_ms,
            inbox=inbox,
            inputs=inputs,
            witness=bench.held,
        )
        await _open_control(stack, setup, rooms, inbox, bench)
        await _open_rooms(stack, setup, time, rooms, inbox)
        begun = f"tocsin {__version__}, site file {setup.path}, sha256 {setup.sha256}"
        rooms.note("start", begun)
        memory = Memory(setup, time, inbox, rooms)
        remembering = asyncio.create_task(_recall(memory, bench, rooms))
        stack.callback(remembering.cancel)
        await asyncio.wait({remembering}, timeout=REMEMBERING_S)
        rooms.add(memory)
        keeping = asyncio.create_task(memory.keep())
        stack.callback(keeping.cancel)
        is_asked_to_stop = False
        try:
            await shell.run()
        except asyncio.CancelledError:
            is_asked_to_stop = True
            raise
        finally:
            notify.stopping()
            rooms.note("stop", "permits dropped")
            await memory.leave(is_asked_to_stop=is_asked_to_stop)


async def _open_control(
    stack: AsyncExitStack, setup: Setup, rooms: Rooms, inbox: Inbox, bench: Bench
) -> None:
    path = control.socket_path(setup.journal_folder)
    doors = {"prove": bench.prove, "record": bench.record, "health": rooms.health}
    try:
        setup.journal_folder.mkdir(parents=True, exist_ok=True)
        await stack.enter_async_context(
            control.serve(path, inbox, rooms.snapshot, doors)
        )
    except control.AlreadyServedError:
        raise
    except (control.ControlError, OSError) as exc:
        # A disk that cannot be written must not keep a safety daemon from its work.
        print(f"tocsin: no control socket: {exc}", file=sys.stderr)  # noqa: T201


async def _open_rooms(
    stack: AsyncExitStack, setup: Setup, time: Clock, rooms: Rooms, inbox: Inbox
) -> None:
    if setup.history is not None:
        history = History(
            setup.journal_folder,
            site=setup.site,
            sha256=setup.sha256,
            spec=setup.history,
            wall_ms=time.wall_ms,
            on_trouble=partial(inbox.trouble, "history"),
        )
        rooms.add(await stack.enter_async_context(history))
    stamps = RunStamps(clock.boot_id(), uuid.uuid4().hex, time)
    if setup.fleet is not None:
        around = _around(setup, time, rooms, inbox, stamps)
        await _open_uplink(stack, setup.fleet, setup, rooms, around)
    if setup.broker is not None:
        from tocsin.mqtt import Publisher  # noqa: PLC0415 no broker, no library

        around = _around(setup, time, rooms, inbox, stamps)
        publisher = Publisher(setup.broker, site=setup.site, around=around)
        rooms.publishers.append(await stack.enter_async_context(publisher))
    rooms.journal = await stack.enter_async_context(
        Journal(
            setup.journal_folder,
            stamps=stamps,
            on_written=rooms.written,
            on_trouble=partial(inbox.trouble, "journal"),
        )
    )
    if setup.page is not None:
        from tocsin.page import Page  # noqa: PLC0415 no page, no library

        page = Page(
            setup.page,
            site=setup.site,
            folder=setup.journal_folder,
            wall_ms=time.wall_ms,
            ask=inbox.ask,
            on_trouble=partial(inbox.trouble, "page"),
        )
        rooms.add(await stack.enter_async_context(page))


async def _open_uplink(
    stack: AsyncExitStack,
    spec: FleetSpec,
    setup: Setup,
    rooms: Rooms,
    around: Surroundings,
) -> None:
    """Tell a fleet as well; its trouble is no alarm of the site."""
    from tocsin.history.pages import page  # noqa: PLC0415 no fleet, no pages
    from tocsin.mqtt import BadRequestError, Patience, uplink  # noqa: PLC0415

    def say(text: str) -> None:
        rooms.note("fleet", text)

    async def read(since_ms: int, until_ms: int, step_ms: int) -> dict[str, Any]:
        span = {"since_ms": since_ms, "until_ms": until_ms, "step_ms": step_ms}
        try:
            return await asyncio.to_thread(page, setup.journal_folder, **span)
        except HistoryError as exc:
            raise BadRequestError(str(exc)) from exc

    patience = Patience(say)
    stack.callback(patience.end)
    publisher = uplink(
        spec,
        site=setup.site,
        around=replace(
            around,
            on_trouble=patience.trouble,
            on_certificates=patience.certificates,
            on_certificate_note=say,
        ),
        pages=read,
    )
    rooms.publishers.append(await stack.enter_async_context(publisher))


async def _recall(memory: Memory, bench: Bench, rooms: Rooms) -> None:
    """Tell the core what earlier runs knew: what was proved, learned and counted."""
    if why := await bench.remember():
        text = f"the due date of the next proof test is not known, {why}"
        rooms.note("proof-due", text)
    await memory.recall()


def _around(
    setup: Setup, time: Clock, rooms: Rooms, inbox: Inbox, stamps: RunStamps
) -> Surroundings:
    """Return what the publisher needs of the daemon."""
    from tocsin.mqtt import PAGE, Surroundings  # noqa: PLC0415 as above

    def rows(
        *, after_id: int = 0, most: int = PAGE, newest: bool = False
    ) -> Sequence[Row] | None:
        last = most if newest else None
        try:
            found = read(setup.journal_folder, after_id=after_id, last=last)
            return list(islice(found, most))
        except JournalError:
            return None

    async def obey(request: Request) -> tuple[bool, str]:
        stamp = partial(
            Command,
            verb=request.verb,
            by=request.by,
            alarm=request.alarm,
            subject=request.subject,
            reason=request.reason,
            for_ms=request.for_ms,
        )
        outcome = await inbox.ask(stamp)
        told = [fact for fact in outcome.facts if isinstance(fact, CommandFact)][-1]
        return told.accepted, told.outcome

    def refused(text: str) -> None:
        rooms.note("command-refused", text)

    def noted(text: str) -> None:
        rooms.note("certificate", text)

    return Surroundings(
        run_id=stamps.run_id,
        folder=setup.journal_folder,
        rows=rows,
        wall_ms=time.wall_ms,
        on_trouble=partial(inbox.trouble, "mqtt"),
        on_certificates=partial(inbox.certificates_at, "mqtt"),
        on_certificate_note=noted,
        obey=obey,
        on_refused=refused,
    )


def run_until_told(setup: Setup, *, guests: Sequence[Room] = ()) -> None:
    """Run the daemon in real time until SIGTERM or SIGINT, then stop cleanly.

    It stops within 5 s. Every output falls at once; sources, journal and MQTT then
    have until STOPPING_S after the signal, in this order. Threads that still hang when
    all of them are closed, in a name server or a dying disk, are left behind.
    """
    leaving = threading.Timer(HANGING_S, os._exit, (0,))
    leaving.daemon = True

    async def main() -> None:
        loop = asyncio.get_running_loop()
        task = asyncio.ensure_future(
            serve(setup, time=clock.RealClock(), guests=guests)
        )

        def stop() -> None:
            task.cancel()
            for late_s in STOPPING_S:
                loop.call_later(late_s, task.cancel)

        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, stop)
        try:
            await task
        except asyncio.CancelledError:
            if not task.cancelled():
                raise
            leaving.start()

    try:
        asyncio.run(main())
    finally:
        leaving.cancel()
