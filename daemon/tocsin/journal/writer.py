"""The journal as the event loop sees it: told without waiting, written elsewhere."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from typing import TYPE_CHECKING, Self

from tocsin.core.events import NoteFact
from tocsin.journal.backlog import Backlog
from tocsin.journal.rows import Entry, JournalError, values
from tocsin.journal.store import DamagedError, Store, connect_writer

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path
    from types import TracebackType

    from tocsin.core.events import Fact
    from tocsin.journal.rows import Stamps
    from tocsin.journal.store import Connect

    OnWritten = Callable[[Sequence[Fact], bool], None]
    OnTrouble = Callable[[str], None]

ROOM = 20_000
"""Rows kept in memory while they cannot be written."""

RETRY_S = 5.0
CLOSING_S = 2.0


class Journal:
    """Writes facts on one thread of its own; use as an async context manager.

    Args:
        folder: Where the file is; made if missing.
        stamps: What each row says of this run.
        on_written: Called in the event loop, in order and once a fact: with True after
            the fact is on the disk, with False as soon as it is known that it could
            not be written at once (it is tried again, but is not told again).
        on_trouble: Called in the event loop with a reason, and with "" once the
            journal works again.
        room: Rows kept in memory while they cannot be written.
        retry_s: Pause before trying again.

    Nothing here raises once the journal is open: a disk must never stop a step.
    """

    def __init__(
        self,
        folder: Path,
        *,
        stamps: Stamps,
        on_written: OnWritten,
        on_trouble: OnTrouble,
        room: int = ROOM,
        retry_s: float = RETRY_S,
        connect: Connect = connect_writer,
    ) -> None:
        self._stamps = stamps
        self._on_written = on_written
        self._on_trouble = on_trouble
        self._retry_s = retry_s
        self._backlog = Backlog(room)
        self._store = Store(folder, wall_ms=stamps.wall_ms, connect=connect)
        self._thread = threading.Thread(
            target=self._work, name="tocsin-journal", daemon=True
        )
        self._loop: asyncio.AbstractEventLoop | None = None
        self._counting = threading.Lock()
        self._lost = 0
        self._lost_said = 0
        self._at_ms = 0
        self._trouble = ""

    @property
    def lost(self) -> int:
        """Return how many facts were given up, for want of room or at the end."""
        return self._lost

    async def __aenter__(self) -> Self:
        """Begin to write; trouble with the file is told, not raised."""
        self._loop = asyncio.get_running_loop()
        self._thread.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Write what is left, for two seconds at most."""
        self._backlog.close()
        await asyncio.to_thread(self._thread.join, CLOSING_S)
        self._give_up(self._backlog.drain())
        await asyncio.sleep(0)  # let the last calls into the loop be made

    def tell(self, facts: Sequence[Fact]) -> None:
        """Take facts to be written. Never waits, never raises."""
        if facts:
            wall_ms = self._stamps.wall_ms()
            entries = [Entry(fact=fact, wall_ms=wall_ms) for fact in facts]
            self._give_up(self._backlog.put(entries))

    # --- on the writer's thread ------------------------------------------------------

    def _work(self) -> None:
        retry_s = None if self._attempt([]) else self._retry_s
        is_last = False
        while not is_last:
            entries, is_last = self._backlog.take(retry_s)
            is_written = self._attempt(entries)
            retry_s = None if is_written else self._retry_s
            if not is_written:
                self._keep(entries, is_last=is_last)
        self._store.close()

    def _attempt(self, entries: list[Entry]) -> bool:
        """Try to write *entries*; return False, with nothing written, if it fails."""
        try:
            try:
                self._append(entries)
            except DamagedError as exc:
                aside = self._store.set_aside()
                text = f"the journal was damaged ({exc}); it is kept as {aside}"
                self._append([self._note("journal-damaged", text), *entries])
        except (DamagedError, JournalError, sqlite3.Error, OSError) as exc:
            self._say_trouble(f"{type(exc).__name__}: {exc}")
            return False
        self._say_trouble("")
        return True

    def _append(self, entries: list[Entry]) -> None:
        """Write *entries*, and before them how many were lost since it was last said.

        Raises:
            As `Store.append`; nothing was written then.
        """
        lost = self._lost
        if lost > self._lost_said:
            text = f"{lost - self._lost_said} rows could not be written and are lost"
            entries = [self._note("journal-loss", text), *entries]
        if entries:
            self._at_ms = max(self._at_ms, entries[-1].fact.at_ms)
        self._store.append([values(entry, self._stamps) for entry in entries])
        self._lost_said = lost
        self._tell([e.fact for e in entries if not e.is_told], is_durable=True)

    def _note(self, what: str, text: str) -> Entry:
        note = NoteFact(at_ms=self._at_ms, what=what, text=text)
        return Entry(fact=note, wall_ms=self._stamps.wall_ms())

    def _keep(self, entries: list[Entry], *, is_last: bool) -> None:
        """Pass on what could not be written, and hold it for the next attempt."""
        self._tell([e.fact for e in entries if not e.is_told], is_durable=False)
        for entry in entries:
            entry.is_told = True
        self._give_up(entries if is_last else self._backlog.give_back(entries))

    # --- on either thread ------------------------------------------------------------

    def _give_up(self, entries: list[Entry]) -> None:
        with self._counting:
            self._lost += len(entries)
        self._tell([e.fact for e in entries if not e.is_told], is_durable=False)

    def _tell(self, facts: Sequence[Fact], *, is_durable: bool) -> None:
        if facts:
            self._call(self._on_written, facts, is_durable)

    def _say_trouble(self, reason: str) -> None:
        if reason != self._trouble:
            self._trouble = reason
            self._call(self._on_trouble, reason)

    def _call(self, told: Callable[..., None], *args: object) -> None:
        """Call *told* in the event loop, unless that has ended."""
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(told, *args)
