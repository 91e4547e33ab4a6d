"""What the publisher knows from the disk: events to send, and what earlier runs left.

No disk holds anything up: all of it is read and written on other threads.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING, Any

from tocsin.mqtt import memory
from tocsin.mqtt.events import Feed
from tocsin.mqtt.leftovers import Leftovers
from tocsin.mqtt.memory import FILE, Memory

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tocsin.mqtt.around import Surroundings
    from tocsin.mqtt.aside import Aside
    from tocsin.mqtt.events import Row
    from tocsin.mqtt.names import Names

LOADING_S = 1.0
SAVING_S = 0.5
READ_AGAIN_S = 10.0
JOURNAL_LOOK = 500
"""Rows among which the first of this run is looked for."""


class Archive:
    """The journal and the memory of one publisher, which lies in *file*.

    Attributes:
        feed: Events on their way.
        leftovers: What earlier runs left at the broker.
    """

    def __init__(
        self,
        names: Names,
        around: Surroundings,
        aside: Aside,
        sent: Callable[[], None],
        *,
        file: str = FILE,
    ) -> None:
        self._names = names
        self._around = around
        self._file = around.folder / file
        self._aside = aside
        self._send = sent
        self._is_reading = False
        self._recall(Memory())

    def _recall(self, known: Memory) -> None:
        """Go on from what an earlier run knew."""
        self._memory = known
        topic = self._names.topic(self._names.root, "events", "event")
        self.feed = Feed(topic, epoch=self._around.run_id, mark=known.mark)
        self.leftovers = Leftovers(self._names, known)

    async def open(self) -> None:
        """Look what an earlier run knew; better nothing than not to begin."""
        with suppress(TimeoutError):
            loading = asyncio.to_thread(memory.load, self._file)
            self._recall(await asyncio.wait_for(loading, LOADING_S))

    async def close(self) -> None:
        """Save what the next run must know, if the disk answers."""
        if (now := self._remembered()) != self._memory:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._save(now), SAVING_S)

    def save(self) -> None:
        """Save what has changed."""
        if (now := self._remembered()) != self._memory:
            self._aside.spawn(self._save(now))

    def stored(self) -> None:
        """Hear that the journal has grown; find where to begin, connected or not."""
        self.feed.stored()
        if self.feed.mark is None:
            self.read()

    def read(self) -> None:
        """Read the journal on, if there is need."""
        if not self._is_reading and self.feed.wants_rows:
            self._is_reading = True
            self._aside.spawn(self._read())

    async def _read(self) -> None:
        try:
            if self.feed.mark is None:
                newest = await self._rows(most=JOURNAL_LOOK, newest=True)
                if newest is not None:
                    self.feed.begin_at(newest)
                    self.save()
            rows = None
            if self.feed.mark is not None:
                rows = await self._rows(after_id=self.feed.after_id)
            self.feed.read(rows)
            if rows is None:
                self._aside.later("read", READ_AGAIN_S, self._look_again)
        finally:
            self._is_reading = False
        self._send()

    def _look_again(self) -> None:
        self.feed.stored()
        self._send()

    async def _rows(self, **asked: Any) -> Sequence[Row] | None:  # noqa: ANN401
        return await asyncio.to_thread(partial(self._around.rows, **asked))

    def _remembered(self) -> Memory:
        return self.leftovers.remembered(self.feed.mark)

    async def _save(self, now: Memory) -> None:
        with suppress(OSError):
            await asyncio.to_thread(memory.save, self._file, now)
            self._memory = now
