"""Composition root: the one place that knows every part by name."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading
import uuid
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass
from functools import partial
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING, Any

from tocsin import __version__, clock, control, learned, notify
from tocsin.core.events import LastFull, Learned, NoteFact
from tocsin.history import History
from tocsin.journal import Journal, JournalError, last_full_ms
from tocsin.mqtt import Publisher
from tocsin.page import Page
from tocsin.ports import Heeds, Reports
from tocsin.shell import Inbox, Room, Shell
from tocsin.show import show_json

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tocsin.clock import Clock
    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact
    from tocsin.ports import BuildOutputs, BuildSources, OnTrouble, Outputs
    from tocsin.shell import Open
    from tocsin_config import Setup

SNAPSHOT_MS = 1_000
"""Snapshots are published at most this often, and after every change."""

REMEMBERING_S = 1.0
"""The first step waits at most so long for what earlier runs knew."""

LEARNED_EVERY_S = 600.0
"""So often is what the forecast has learned saved, and once more at the end."""

SAVING_S = 1.0
"""At the end a disk may take so long for that."""

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


class Rooms:
    """Passes on what became true: to the journal first, and from there to others."""

    def __init__(self, setup: Setup, time: Clock, guests: Sequence[Room]) -> None:
        self._setup = setup
        self._clock = time
        self._guests = [*guests]
        self._watchdog_ms = notify.watchdog_interval_s() * 1_000 / 2
        self._shown_ms = self._fed_ms = -SNAPSHOT_MS
        self._is_changed = False
        self._unwritten = set[int]()
        self.heeding: list[Heeds] = []
        self.outcome: Outcome | None = None
        self.journal: Journal | None = None
        self.publisher: Publisher | None = None

    def add(self, guest: Room) -> None:
        """Have one more guest told."""
        self._guests.append(guest)

    def tell(self, facts: Sequence[Fact]) -> None:
        """Store the facts; once they are durable they are published."""
        if self.journal is not None:
            self._unwritten |= {id(fact) for fact in facts}
            self.journal.tell(facts)
        for listener in (*self._guests, *self.heeding):
            listener.tell(facts)

    def written(self, facts: Sequence[Fact], durable: bool) -> None:  # noqa: FBT001 the journal's call
        """Publish what was stored, or what could not be: a warning must get out."""
        del durable
        self._unwritten -= {id(fact) for fact in facts}
        if self.publisher is None:
            return
        self.publisher.tell(facts)
        if self._is_changed and not self._unwritten:
            self._show()

    def stepped(self, outcome: Outcome) -> None:
        """Feed whoever watches that the daemon decides."""
        is_first, self.outcome = self.outcome is None, outcome
        now_ms = outcome.state.now_ms
        if is_first:
            notify.ready(f"watching {self._setup.site.name}")
        if self._watchdog_ms and now_ms - self._fed_ms >= self._watchdog_ms:
            self._fed_ms = now_ms
            notify.watchdog()
        for guest in self._guests:
            guest.stepped(outcome)
        self._is_changed |= bool(outcome.facts)
        if self.publisher is not None:
            self.publisher.alive()
            is_due = now_ms - self._shown_ms >= SNAPSHOT_MS
            if (is_due or self._is_changed) and not self._unwritten:
                self._show()

    def _show(self) -> None:
        snapshot = self.snapshot()
        if self.publisher is not None and self.outcome is not None and snapshot:
            self._is_changed = False
            self._shown_ms = self.outcome.state.now_ms
            self.publisher.show(snapshot)

    def snapshot(self) -> Mapping[str, Any] | None:
        """Return what is seen and demanded now, or None before the first step."""
        if self.outcome is None:
            return None
        return show_json(self.outcome, self._setup.site, wall_ms=self._clock.wall_ms())


async def serve(setup: Setup, *, time: Clock, guests: Sequence[Room] = ()) -> None:
    """Run the daemon until cancelled.

    Raises:
        SetupError, DriverError: it cannot begin.
        AlreadyServedError: another daemon serves this site.
        ExceptionGroup: a bug ended it; every permit is dropped.
    """
    async with AsyncExitStack() as stack:
        outputs = open_outputs(setup)
        stack.callback(outputs.close)
        inbox = Inbox()
        rooms = Rooms(setup, time, guests)
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
        )
        await _open_control(stack, setup, rooms, inbox)
        await _open_rooms(stack, setup, time, rooms, inbox)
        begun = f"tocsin {__version__}, site file {setup.path}, sha256 {setup.sha256}"
        rooms.tell((NoteFact(at_ms=time.now_ms(), what="start", text=begun),))
        remembering = asyncio.create_task(_remember(setup, time, inbox, rooms))
        stack.callback(remembering.cancel)
        await asyncio.wait({remembering}, timeout=REMEMBERING_S)
        keeping = asyncio.create_task(_keep(setup, time, rooms))
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
            if is_asked_to_stop:
                await _save(setup, time, rooms)
            else:
                # What was learned may be what the bug stumbled over.
                learned.set_aside(setup.journal_folder)


async def _open_control(
    stack: AsyncExitStack, setup: Setup, rooms: Rooms, inbox: Inbox
) -> None:
    path = control.socket_path(setup.journal_folder)
    try:
        setup.journal_folder.mkdir(parents=True, exist_ok=True)
        await stack.enter_async_context(control.serve(path, inbox, rooms.snapshot))
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
    if setup.broker is not None:
        rooms.publisher = await stack.enter_async_context(
            Publisher(
                setup.broker,
                site=setup.site.name,
                wall_ms=time.wall_ms,
                on_trouble=partial(inbox.trouble, "mqtt"),
            )
        )
    stamps = RunStamps(clock.boot_id(), uuid.uuid4().hex, time)
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


async def _remember(setup: Setup, time: Clock, inbox: Inbox, rooms: Rooms) -> None:
    """Tell the core what earlier runs knew: what was learned, when it was full."""
    try:
        known = await asyncio.to_thread(
            learned.load,
            setup.journal_folder,
            setup.site,
            wall_ms=time.wall_ms(),
            now_s=time.now_ms() / 1000,
        )
        for pack, tracker in known.items():
            await inbox.put(partial(Learned, pack=pack, tracker=tracker))
    except learned.LearnedError as exc:
        text = f"what the forecast had learned is set aside, {exc}"
        rooms.tell((NoteFact(at_ms=time.now_ms(), what="learned", text=text),))
    try:
        full_ms = await asyncio.to_thread(last_full_ms, setup.journal_folder)
    except JournalError:
        return
    if full_ms is not None and (ago_ms := time.wall_ms() - full_ms) > 0:
        await inbox.put(partial(LastFull, ago_ms=ago_ms))


async def _keep(setup: Setup, time: Clock, rooms: Rooms) -> None:
    """Save what the forecast has learned, now and then; a full disk loses only that."""
    while True:
        await asyncio.sleep(LEARNED_EVERY_S)
        await _save(setup, time, rooms)


async def _save(setup: Setup, time: Clock, rooms: Rooms) -> None:
    if rooms.outcome is None:
        return
    state, wall_ms = rooms.outcome.state, time.wall_ms()

    def save() -> None:
        text = learned.written(state, setup.site, wall_ms=wall_ms)
        learned.save(setup.journal_folder, text)

    with suppress(OSError, TimeoutError):
        await asyncio.wait_for(asyncio.to_thread(save), SAVING_S)


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
