"""The journal's writing half: one thread, one file, and a loop that never waits."""

from __future__ import annotations

import asyncio
import itertools
import threading
from collections import deque
from contextlib import suppress
from itertools import groupby
from typing import TYPE_CHECKING, Self

from tocsin.core.events import NoteFact
from tocsin.journal.backlog import Backlog
from tocsin.journal.rows import Entry, values
from tocsin.journal.store import (
    DamagedError,
    ReplacedError,
    Store,
    connect_writer,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path
    from types import TracebackType

    from tocsin.core.events import Fact
    from tocsin.journal.rows import Stamps, Values
    from tocsin.journal.store import Connect

    OnWritten = Callable[[Sequence[Fact], bool], None]

ROOM = 10_000
"""Entries that wait while nothing can be written: some ten megabytes."""

BATCH = 500
"""Most rows of one transaction."""

RETRY_S = 2.0
"""Pause between two tries while nothing can be written."""

STALL_S = 5.0
"""A write that takes longer counts as failed: a dying card can hang for minutes."""

IDLE_S = 10.0
"""How often a quiet journal looks whether its file is still there."""

CLOSE_S = 2.0
"""How long closing waits for the last rows."""


class Journal:
    """Writes facts to the journal of *folder*; an async context manager.

    Everything is called in the thread of the event loop that entered it.

    Args:
        folder: Made if it does not exist.
        stamps: Boot, run and time of day. Its ``run_id`` must never have been used.
        on_written: Gets each fact exactly once, in the order told: with True once it
            is on the disk; with False as soon as it is known that it is not, or not
            yet. Notes that the journal writes of itself (rows lost, file set aside)
            are passed on too.
        on_trouble: Gets the reason when facts cannot be written, and "" when they
            can be again.
        connect, room, retry_s, stall_s: For tests.
    """

    def __init__(
        self,
        folder: Path,
        *,
        stamps: Stamps,
        on_written: OnWritten,
        on_trouble: Callable[[str], None],
        connect: Connect = connect_writer,
        room: int = ROOM,
        retry_s: float = RETRY_S,
        stall_s: float = STALL_S,
        idle_s: float = IDLE_S,
    ) -> None:
        self._stamps = stamps
        self._on_written = on_written
        self._on_trouble = on_trouble
        self._stall_s = stall_s
        self._backlog = Backlog(room)
        self._numbers = itertools.count(1)  # the next one is taken in one piece
        self._unreported: deque[Entry] = deque()
        self._trouble = ""
        self._watch: asyncio.TimerHandle | None = None
        self._ended = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        store = Store(folder, wall_ms=stamps.wall_ms, connect=connect)
        self._writer = _Writer(self, store, retry_s=retry_s, idle_s=idle_s)

    @property
    def lost(self) -> int:
        """How many facts could not be kept since the start."""
        return self._backlog.lost

    def tell(self, facts: Sequence[Fact]) -> None:
        """Take facts to be written. Never waits, never raises."""
        wall_ms = self._stamps.wall_ms()
        entries = [self.entry(fact, wall_ms) for fact in facts]
        for entry in self._backlog.put(entries):
            entry.is_durable = False
        self._unreported.extend(entries)
        if self._trouble:
            self._give_up()
        if self._loop is not None:
            self._loop.call_soon(self._report)
        elif self._backlog.is_closed:
            self._report()

    async def __aenter__(self) -> Self:
        self._loop = asyncio.get_running_loop()
        self._writer.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._backlog.close()
        try:
            with suppress(TimeoutError):
                async with asyncio.timeout(CLOSE_S):
                    await self._ended.wait()
        finally:
            if self._ended.is_set():
                self._writer.join()
            self._backlog.abandon()
            self._give_up()
            self._report()
            self._loop = None

    # --- for the writer ------------------------------------------------------------

    @property
    def backlog(self) -> Backlog:
        """What waits to be written."""
        return self._backlog

    def entry(self, fact: Fact, wall_ms: int | None = None) -> Entry:
        """Return *fact* numbered and stamped; from either thread."""
        if wall_ms is None:
            wall_ms = self._stamps.wall_ms()
        return Entry(seq=next(self._numbers), fact=fact, wall_ms=wall_ms)

    def values(self, entry: Entry) -> Values:
        """Return the row of *entry*."""
        return values(entry, self._stamps)

    def post(self, call: Callable[..., None], *args: object) -> None:
        """Have *call* called in the loop's thread, unless the loop has gone."""
        loop = self._loop
        if loop is not None:
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(call, *args)

    def stored(self, entries: Sequence[Entry], notes: Sequence[Entry]) -> None:
        """Hear that these are on the disk now."""
        for entry in entries:
            if entry.is_durable is None:
                entry.is_durable = True
        self._set_trouble("")
        self._report()
        if notes:
            self._on_written(tuple(note.fact for note in notes), True)

    def failed(self, reason: str) -> None:
        """Hear that nothing can be written now."""
        self._set_trouble(reason)
        self._give_up()
        self._report()

    def unstorable(self, entry: Entry) -> None:
        """Hear that this one can never be written."""
        entry.is_durable = False
        self._report()

    def ended(self) -> None:
        """Hear that the writer has done its last."""
        self._ended.set()

    # --- within the loop -------------------------------------------------------------

    def _stalled(self) -> None:
        self._watch = None
        self.failed(f"the disk has not answered for {self._stall_s:g} s")

    def _set_trouble(self, reason: str) -> None:
        if reason != self._trouble:
            self._trouble = reason
            self._on_trouble(reason)

    def _give_up(self) -> None:
        """Wait no longer for the disk before passing on what is known."""
        for entry in self._unreported:
            if entry.is_durable is None:
                entry.is_durable = False

    def _report(self) -> None:
        """Pass on, in order, all whose fate is known, and watch over the rest."""
        known: list[Entry] = []
        while self._unreported and self._unreported[0].is_durable is not None:
            known.append(self._unreported.popleft())
        if (known or not self._unreported) and self._watch is not None:
            self._watch.cancel()
            self._watch = None
        if self._unreported and self._watch is None and self._loop is not None:
            self._watch = self._loop.call_later(self._stall_s, self._stalled)
        for is_durable, same in groupby(known, lambda entry: entry.is_durable):
            self._on_written(tuple(entry.fact for entry in same), bool(is_durable))


class _Writer(threading.Thread):
    """The one thread that writes; daemonic, so that a hung disk stops no exit."""

    def __init__(
        self, journal: Journal, store: Store, *, retry_s: float, idle_s: float
    ) -> None:
        super().__init__(name="journal", daemon=True)
        self._journal = journal
        self._backlog = journal.backlog
        self._store = store
        self._retry_s = retry_s
        self._idle_s = idle_s
        self._to_note: list[tuple[str, str]] = []
        self._notes: list[Entry] = []
        self._noted_lost = 0
        self._at_ms: int | None = None

    def run(self) -> None:
        """Write until the backlog is closed, and then what is left."""
        try:
            self._write([])
            self._write_on()
        finally:
            self._store.close()
            self._journal.post(self._journal.ended)

    def _write_on(self) -> None:
        while (pause_s := self.turn(self._idle_s)) is not None:
            if pause_s:
                self._backlog.pause(pause_s)

    def turn(self, wait_s: float) -> float | None:
        """Write what waits, or comes within *wait_s*.

        Returns how long to pause before the next turn; None after the last one.
        """
        taken = self._backlog.take(BATCH, wait_s)
        entries = [entry for entry in taken if self._is_storable(entry)]
        is_last_try = self._backlog.is_closed
        if self._write(entries):
            self._backlog.done()
            self._note_losses()
            return None if is_last_try and not self._backlog else 0.0
        self._backlog.give_back(entries)
        return None if is_last_try else self._retry_s

    def _is_storable(self, entry: Entry) -> bool:
        """Make its row, and drop and count one that cannot have any."""
        try:
            if entry.row is None:
                entry.row = self._journal.values(entry)
        except Exception:  # noqa: BLE001 one odd fact must not hold up all others
            self._backlog.lose(1)
            self._journal.post(self._journal.unstorable, entry)
            return False
        return True

    def _write(self, entries: list[Entry]) -> bool:
        """Store *entries*, on a new file if need be, and say how it went."""
        try:
            try:
                self._append(entries)
            except DamagedError as exc:
                self._begin_anew(f"the journal is damaged ({exc})", is_damaged=True)
                self._append(entries)
            except ReplacedError as exc:
                self._begin_anew(str(exc), is_damaged=False)
                self._append(entries)
        except Exception as exc:  # noqa: BLE001 whatever it is, the daemon goes on
            reason = str(exc) or type(exc).__name__
            why = f"{self._store.path} cannot be written: {reason}"
            self._journal.post(self._journal.failed, why)
            return False
        return True

    def _append(self, entries: list[Entry]) -> None:
        every = [*self._notes_before(entries), *entries]
        is_retry = any(entry.is_tried for entry in every)
        for entry in every:
            entry.is_tried = True
        rows = [entry.row for entry in every if entry.row is not None]
        self._store.append(rows, is_retry=is_retry)
        if entries:
            self._at_ms = entries[-1].fact.at_ms
        notes, self._notes = self._notes, []
        self._journal.post(self._journal.stored, entries, notes)

    def _notes_before(self, entries: list[Entry]) -> list[Entry]:
        """Return our own rows that go first, dated like what comes next."""
        at_ms = entries[0].fact.at_ms if entries else self._at_ms
        if at_ms is not None:
            for what, text in self._to_note:
                note = self._journal.entry(NoteFact(at_ms=at_ms, what=what, text=text))
                note.row = self._journal.values(note)
                self._notes.append(note)
            self._to_note.clear()
        return self._notes

    def _begin_anew(self, why: str, *, is_damaged: bool) -> None:
        self._journal.post(self._journal.failed, why)
        if is_damaged:
            why = f"{why}; it is kept as {self._store.set_aside()}"
        what = "journal-damaged" if is_damaged else "journal-replaced"
        self._to_note.append((what, f"{why}; this file begins here"))

    def _note_losses(self) -> None:
        """Write down how many rows are missing, once the backlog is through."""
        lost = self._backlog.lost - self._noted_lost
        if lost and not self._backlog:
            self._noted_lost += lost
            rows = "1 row" if lost == 1 else f"{lost} rows"
            text = f"{rows} could not be kept while the journal could not be written"
            self._to_note.append(("journal-loss", text))
            self._write([])
