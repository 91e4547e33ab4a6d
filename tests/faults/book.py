"""The journal's own writer, its turns taken in the loop instead of on a thread."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tests.faults.disk import Disk, KilledError

from tocsin.journal import Journal
from tocsin.journal.writer import BATCH

if TYPE_CHECKING:
    import asyncio
    from pathlib import Path
    from types import TracebackType

__all__ = ["BATCH", "Book"]


class Book(Journal):
    """A journal without a thread; everything else is the real one.

    A turn of the writer happens as long after it was woken as the disk takes, so that
    what came meanwhile waits in the backlog, as it would.
    """

    def __init__(self, folder: Path, *, disk: Disk, **how: Any) -> None:
        super().__init__(folder, connect=disk.connect, **how)
        self._disk = disk
        self._turns = self._writer
        self._planned: asyncio.TimerHandle | None = None
        self._is_pausing = False
        self._is_over = False
        thread: Any = self._writer
        thread.start = self._begin
        thread.join = lambda: None

    def tell(self, facts: Any) -> None:
        """Take facts, and wake the writer."""
        super().tell(facts)
        self._wake()

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Have the writer do its last."""
        loop = self._loop
        if loop is not None:
            loop.call_soon(self._hurry)
        await super().__aexit__(kind, exc, trace)

    def _begin(self) -> None:
        self._plan(self._disk.sync_s, self._open)

    def _wake(self) -> None:
        if self._planned is None and not self._is_over and self._loop is not None:
            self._plan(self._disk.sync_s, self._turn)

    def _hurry(self) -> None:
        if self._planned is not None and self._is_pausing:
            self._planned.cancel()
            self._planned = None
        self._wake()

    def _plan(self, after_s: float, what: Any) -> None:
        loop = self._loop
        if loop is not None:
            self._planned = loop.call_later(after_s, what)

    def _open(self) -> None:
        self._do(lambda: self._turns._write([]))
        if self._planned is None and len(self.backlog):
            self._wake()

    def _turn(self) -> None:
        pause_s = self._do(lambda: self._turns.turn(0.0))
        if pause_s is None:
            self._is_over = True
            self._turns._store.close()
            self.post(self.ended)
        elif pause_s:
            self._is_pausing = True
            self._plan(pause_s, self._turn)
        elif len(self.backlog) or self.backlog.is_closed:
            self._wake()

    def _do(self, what: Any) -> Any:
        self._planned, self._is_pausing = None, False
        with self._disk.away():
            try:
                return what()
            except KilledError:
                return None
