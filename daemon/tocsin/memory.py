"""What one run leaves for the next: what was learned, what was counted."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING

from tocsin import files, kept, learned
from tocsin.core.events import (
    ChargeSeen,
    Counted,
    LastFull,
    Learned,
    NoteFact,
    OutputFact,
)
from tocsin.core.rules import Role
from tocsin.journal import JournalError, last_full_ms

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tocsin.clock import Clock
    from tocsin.core.counts import Counts
    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact
    from tocsin.rooms import Rooms
    from tocsin.shell import Inbox
    from tocsin_config import Setup

LEARNED_EVERY_S = 600.0
"""So often is what was learned and counted saved, and once more at the end."""

LOOK_EVERY_S = 5.0
"""So soon is what must not be forgotten, such as a lock-out after failed starts. The
call of a set is at once: its starter may well take this computer's power away."""

SAVING_S = 1.0
"""At the end a disk may take so long for each file."""


class Memory:
    """The files beside the journal. No permit depends on them."""

    def __init__(self, setup: Setup, time: Clock, inbox: Inbox, rooms: Rooms) -> None:
        self._setup = setup
        self._time = time
        self._inbox = inbox
        self._rooms = rooms
        self._recalled: dict[str, Counts] | None = None
        self._called = asyncio.Event()
        self._sets = {
            output.name
            for output in setup.site.outputs
            if output.role is Role.GENERATOR_CALL
        }

    def tell(self, facts: Sequence[Fact]) -> None:
        """Hear what became true."""
        if any(isinstance(f, OutputFact) and f.output in self._sets for f in facts):
            self._called.set()

    def stepped(self, outcome: Outcome) -> None:
        """Hear of a step; what it left is looked at in `keep`."""

    async def recall(self) -> None:
        """Tell the core what earlier runs knew; what they counted comes first."""
        await self._recall_counts()
        folder, time = self._setup.journal_folder, self._time
        try:
            known = await asyncio.to_thread(
                learned.load,
                folder,
                self._setup.site,
                wall_ms=time.wall_ms(),
                now_s=time.now_ms() / 1000,
            )
            for pack, tracker in known.items():
                await self._inbox.put(partial(Learned, pack=pack, tracker=tracker))
        except learned.LearnedError as exc:
            self._note("learned", f"what the forecast had learned is set aside, {exc}")
        try:
            full_ms = await asyncio.to_thread(last_full_ms, folder)
        except JournalError:
            return
        if full_ms is not None and (ago_ms := time.wall_ms() - full_ms) > 0:
            await self._inbox.put(partial(LastFull, ago_ms=ago_ms))

    async def _recall_counts(self) -> None:
        folder, time = self._setup.journal_folder, self._time
        try:
            counts, begins_ms = await asyncio.to_thread(
                kept.load,
                folder,
                self._setup.site,
                wall_ms=time.wall_ms(),
                now_ms=time.now_ms(),
            )
        except kept.KeptError as exc:
            files.set_aside(folder / kept.FILE)
            self._note("counts", f"{kept.FILE} is set aside, {exc}; counted from 0 now")
            counts, begins_ms = {}, ()
        for output, each in counts.items():
            await self._inbox.put(partial(Counted, output=output, counts=each))
        if begins_ms:
            await self._inbox.put(partial(ChargeSeen, begins_ms=begins_ms))
        self._recalled = counts

    def _note(self, what: str, text: str) -> None:
        self._rooms.tell((NoteFact(at_ms=self._time.now_ms(), what=what, text=text),))

    async def keep(self) -> None:
        """Save now and then; a full disk loses only what was new."""
        saved, due_ms = None, self._time.now_ms() + LEARNED_EVERY_S * 1_000
        while True:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._called.wait(), LOOK_EVERY_S)
            self._called.clear()
            if self._rooms.outcome is None:
                continue
            pressing = kept.pressing(self._rooms.outcome.state)
            is_due = self._time.now_ms() >= due_ms
            if (is_due or pressing != saved) and await self._save_counts():
                saved = pressing
            if is_due:
                due_ms += LEARNED_EVERY_S * 1_000
                await self._save_learned()

    async def leave(self, *, is_asked_to_stop: bool) -> None:
        """Save for the next run; after a bug, not what it may have stumbled over."""
        await self._save_counts()
        if is_asked_to_stop:
            await self._save_learned()
        else:
            learned.set_aside(self._setup.journal_folder)

    async def _save_counts(self) -> bool:
        """Try to write the counts, unless those of earlier runs are not in them yet."""
        if self._rooms.outcome is None or self._recalled is None:
            return False
        state = self._rooms.outcome.state
        wall_ms = self._time.wall_ms() - self._time.now_ms() + state.now_ms
        for output, now in zip(self._setup.site.outputs, state.outputs, strict=True):
            before = self._recalled.get(output.name)
            if before is not None and now.counts.operations < before.operations:
                return False

        def save() -> None:
            text = kept.written(state, self._setup.site, wall_ms=wall_ms)
            files.save(self._setup.journal_folder / kept.FILE, text)

        await _bounded(save)
        return True

    async def _save_learned(self) -> None:
        if self._rooms.outcome is None:
            return
        state, wall_ms = self._rooms.outcome.state, self._time.wall_ms()

        def save() -> None:
            text = learned.written(state, self._setup.site, wall_ms=wall_ms)
            learned.save(self._setup.journal_folder, text)

        await _bounded(save)


async def _bounded(save: Callable[[], None]) -> None:
    with suppress(OSError, TimeoutError):
        await asyncio.wait_for(asyncio.to_thread(save), SAVING_S)
