"""Composition root: the one place that knows every part by name."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading
import uuid
from contextlib import AsyncExitStack
from dataclasses import dataclass
from functools import partial
from importlib.metadata import EntryPoint, entry_points
from itertools import islice
from typing import TYPE_CHECKING

from tocsin import __version__, clock, control, notify
from tocsin.core.events import Command, CommandFact, NoteFact
from tocsin.history import History
from tocsin.journal import Journal, JournalError, Row, read
from tocsin.memory import Memory
from tocsin.mqtt import PAGE, Publisher, Surroundings
from tocsin.page import Page
from tocsin.ports import Heeds, Reports
from tocsin.prove import Bench
from tocsin.rooms import Rooms
from tocsin.shell import Inbox, Room, Shell

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.clock import Clock
    from tocsin.mqtt import Request
    from tocsin.ports import (
        BuildInputs,
        BuildOutputs,
        BuildSources,
        Inputs,
        OnTrouble,
        Outputs,
    )
    from tocsin.shell import Open
    from tocsin_config import Setup

REMEMBERING_S = 1.0
"""The first step waits at most so long for what earlier runs knew."""

STOPPING_S = (3.0, 3.5)
"""Whoever is still closing so long after the signal is told again to leave: the
page first, then the journal, MQTT behind it, the history last."""

HANGING_S = 0.5
"""How long threads may take to end once all is closed."""


class SetupError(Exception):
    """The site file is sound, but this machine or installation cannot serve it."""


def found(group: str, name: str) -> EntryPoint:
    """Return the entry point *name* of *group*.

    Raises:
        SetupError: no installed package offers it.
    """
    offered = entry_points(group=group)
    if name not in offered.names:
        known = ", ".join(sorted(offered.names)) or "none"
        raise SetupError(f"no {group} named {name!r} is installed; there are: {known}")
    return offered[name]


def open_sources(
    setup: Setup,
    *,
    on_trouble: OnTrouble | None = None,
    heeding: list[Heeds] | None = None,
) -> dict[str, Open]:
    """Return, for each pack, what opens a connection to it.

    Drivers that can are given *on_trouble*; those that heed facts join *heeding*.

    Raises:
        SetupError: a driver is not installed.
    """
    opened: dict[str, Open] = {}
    for driver in dict.fromkeys(spec.driver for spec in setup.sources):
        build: BuildSources = found("tocsin.sources", driver).load()
        specs = [spec for spec in setup.sources if spec.driver == driver]
        sources = build(specs)
        if on_trouble is not None and isinstance(sources, Reports):
            sources.report_to(on_trouble)
        if heeding is not None and isinstance(sources, Heeds):
            heeding.append(sources)
        for spec in specs:
            opened[spec.name] = partial(sources.open, spec.name)
    return opened


def open_outputs(setup: Setup) -> Outputs:
    """Claim every pin, de-energised.

    Raises:
        SetupError: the pin driver is not installed.
        DriverError: a pin cannot be claimed.
    """
    build: BuildOutputs = found("tocsin.outputs", setup.pins_driver).load()
    return build(setup.pins)


@dataclass(frozen=True, slots=True)
class RunStamps:
    """Identity of this run, and the time of day, for the journal."""

    boot_id: str
    run_id: str
    clock: Clock

    def wall_ms(self) -> int:
        """Return the time of day."""
        return self.clock.wall_ms()


def open_inputs(setup: Setup) -> Inputs | None:
    """Claim every input's pin; None where the site has no inputs.

    Raises:
        SetupError: the pin driver is not installed.
        DriverError: a pin cannot be claimed.
    """
    if not setup.input_pins:
        return None
    build: BuildInputs = found("tocsin.inputs", setup.pins_driver).load()
    return build(setup.input_pins)


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
        rooms.tell((NoteFact(at_ms=time.now_ms(), what="start", text=begun),))
        memory = Memory(setup, time, inbox, rooms)
        remembering = asyncio.create_task(_recall(memory, bench, time, rooms))
        stack.callback(remembering.cancel)
        await asyncio.wait({remembering}, timeout=REMEMBERING_S)
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
            ended = NoteFact(at_ms=time.now_ms(), what="stop", text="permits dropped")
            rooms.tell((ended,))
            await memory.leave(is_asked_to_stop=is_asked_to_stop)


async def _open_control(
    stack: AsyncExitStack, setup: Setup, rooms: Rooms, inbox: Inbox, bench: Bench
) -> None:
    path = control.socket_path(setup.journal_folder)
    doors = {"prove": bench.prove, "record": bench.record}
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
    if setup.broker is not None:
        around = _around(setup, time, rooms, inbox, stamps)
        rooms.publisher = await stack.enter_async_context(
            Publisher(setup.broker, site=setup.site, around=around)
        )
    rooms.journal = await stack.enter_async_context(
        Journal(
            setup.journal_folder,
            stamps=stamps,
            on_written=rooms.written,
            on_trouble=partial(inbox.trouble, "journal"),
        )
    )
    if setup.page is not None:
        page = Page(
            setup.page,
            site=setup.site,
            folder=setup.journal_folder,
            wall_ms=time.wall_ms,
            ask=inbox.ask,
            on_trouble=partial(inbox.trouble, "page"),
        )
        rooms.add(await stack.enter_async_context(page))


async def _recall(memory: Memory, bench: Bench, time: Clock, rooms: Rooms) -> None:
    """Tell the core what earlier runs knew: what was proved, learned and counted."""
    if why := await bench.remember():
        text = f"the due date of the next proof test is not known, {why}"
        rooms.tell((NoteFact(at_ms=time.now_ms(), what="proof-due", text=text),))
    await memory.recall()


def _around(
    setup: Setup, time: Clock, rooms: Rooms, inbox: Inbox, stamps: RunStamps
) -> Surroundings:
    """Return what the publisher needs of the daemon."""

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
        note = NoteFact(at_ms=time.now_ms(), what="command-refused", text=text)
        rooms.tell((note,))

    return Surroundings(
        run_id=stamps.run_id,
        folder=setup.journal_folder,
        rows=rows,
        wall_ms=time.wall_ms,
        on_trouble=partial(inbox.trouble, "mqtt"),
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
