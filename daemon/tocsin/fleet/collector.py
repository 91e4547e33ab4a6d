"""From the broker to the database: acknowledged only once it is stored.

The broker holds what is not acknowledged, for a week after we left, and sends no more
than so much ahead. So a database that is down stops the flow by itself, and nothing of
it is lost; whatever comes twice is stored once, by (site, epoch, seq).
"""

from __future__ import annotations

import asyncio
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.fleet.ports import Batch, StoreError
from tocsin.fleet.told import (
    FILTERS,
    Aside,
    BadMessageError,
    Event,
    State,
    Summary,
    read,
)
from tocsin.mqtt.listener import Listener

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tocsin.fleet.ports import Stores, Written
    from tocsin.fleet.told import Told
    from tocsin.mqtt.commands import Heard
    from tocsin.ports import BrokerSpec

MOST = 1_000
"""Messages in one transaction."""

FEW, GATHER_S = 16, 0.1
"""Fewer messages than this wait a moment for others: a transaction costs more than a
row. Brokers that send no more than twenty ahead are not held up."""

MOST_PASSING = 50_000
"""Summaries and states that wait while the database is away; the oldest go."""

FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 30.0
CLOSING_S = 5.0
CONNECT_S = 30.0
LEAVING_QUIET_S = 3.0
"""Whoever leaves a group for good waits until nothing has come for so long."""


@dataclass(slots=True)
class Counts:
    """What was done since the start.

    Attributes:
        events: Stored.
        again: Events that were stored already.
        summaries, states: Stored.
        asides: Messages that nobody could read.
        dropped: Summaries and states for which there was no room.
        batches: Transactions.
    """

    events: int = 0
    again: int = 0
    summaries: int = 0
    states: int = 0
    asides: int = 0
    dropped: int = 0
    batches: int = 0

    def add(self, batch: Batch, written: Written) -> None:
        """Count what was stored."""
        self.events += written.events
        self.again += len(batch.events) - written.events
        self.summaries += len(batch.summaries)
        self.states += len(batch.states)
        self.asides += len(batch.asides) + written.asides
        self.batches += 1

    def words(self) -> str:
        """Return the counts for a person."""
        return (
            f"{self.events} events, {self.again} of them again, {self.summaries} "
            f"summaries, {self.states} states in {self.batches} transactions; "
            f"{self.asides} set aside, {self.dropped} dropped"
        )


class Collector:
    """One member of a group that stores what sites tell.

    Args:
        spec: The fleet's broker.
        store: The database.
        name: Its own in the group: a broker keeps a queue for each.
        group: Members of one group divide the work.
        say: Gets what a person should know, one line each.
    """

    def __init__(
        self,
        spec: BrokerSpec,
        store: Stores,
        *,
        name: str,
        group: str,
        say: Callable[[str], None],
    ) -> None:
        self._spec = spec
        self._store = store
        self._name = name
        self._filters = {f"$share/{group}/{f}": qos for f, qos in FILTERS.items()}
        self._say = say
        self._held: deque[Heard] = deque()  # to be acknowledged
        self._passing: deque[Heard] = deque()
        self._is_there = asyncio.Event()
        self._is_connected = asyncio.Event()
        self._is_leaving = False
        self._link: Listener | None = None
        self._trouble = self._said = ""
        self.counts = Counts()

    async def run(self) -> None:
        """Store what comes, until cancelled; then store what is here, if it can be."""
        self._begin()
        try:
            while True:
                await self._work()
        finally:
            await self._end()

    async def leave(self) -> bool:
        """Store what the broker still holds for us, and leave the group for good.

        Return False if there was no broker.

        Raises:
            StoreError: it cannot be stored; the broker goes on holding it.
        """
        self._begin(is_leaving=True)
        try:
            async with asyncio.timeout(CONNECT_S):
                await self._is_connected.wait()
        except TimeoutError:
            await self._end()
            return False
        try:
            while True:
                async with asyncio.timeout(LEAVING_QUIET_S):
                    await self._is_there.wait()
                await self._store_once()
        except TimeoutError:
            return True
        finally:
            await self._end()

    def _begin(self, *, is_leaving: bool = False) -> None:
        self._is_leaving = is_leaving
        self._link = Listener(
            self._spec, client_id=self._name, peer=self, filters=self._filters
        )
        self._link.begin()

    async def _end(self) -> None:
        link, self._link = self._link, None
        if link is None:
            return
        with suppress(StoreError, TimeoutError):
            async with asyncio.timeout(CLOSING_S):
                while self._held or self._passing:
                    await self._store_once(link)
        await link.end(CLOSING_S)
        await asyncio.to_thread(self._store.close)

    async def _work(self) -> None:
        wait_s = FIRST_WAIT_S
        await self._is_there.wait()
        if len(self._held) + len(self._passing) < FEW:
            await asyncio.sleep(GATHER_S)
        while True:
            try:
                await self._store_once()
            except StoreError as exc:
                self._hear_trouble(f"the database stores nothing: {exc}")
                await asyncio.sleep(wait_s)
                wait_s = min(2 * wait_s, LONGEST_WAIT_S)
            else:
                self._hear_trouble("")
                return

    async def _store_once(self, link: Listener | None = None) -> None:
        """Store one batch and acknowledge it.

        Raises:
            StoreError: nothing was stored; it is tried again with what came since.
        """
        link = link or self._link
        taken, passing = self._taken()
        if batch := self._batch((*taken, *passing)):
            try:
                written = await asyncio.to_thread(self._store.write, batch)
            except StoreError:
                self._held.extendleft(reversed(taken))
                self._passing.extendleft(reversed(passing))
                self._is_there.set()
                raise
            self.counts.add(batch, written)
        if link is not None:
            link.acknowledge(taken)

    def _taken(self) -> tuple[list[Heard], list[Heard]]:
        """Take the oldest of what is here; what would come again anyway is left out."""
        link = self._link
        held = [self._held.popleft() for _ in range(min(MOST, len(self._held)))]
        if link is not None:
            held = [each for each in held if link.is_of_now(each)]
        count = min(MOST, len(self._passing))
        passing = [self._passing.popleft() for _ in range(count)]
        if not (self._held or self._passing):
            self._is_there.clear()
        return held, passing

    def _batch(self, heard: Sequence[Heard]) -> Batch:
        batch = Batch()
        for each in heard:
            told: Told
            try:
                told = read(each)
            except BadMessageError as exc:
                batch.asides.append(Aside(heard=each, reason=str(exc)))
                continue
            match told:
                case Event():
                    batch.events.append(told)
                case Summary():
                    batch.summaries.append(told)
                case State():
                    batch.states.append(told)
        return batch

    def _hear_trouble(self, why: str) -> None:
        if why == self._trouble:
            return
        if why:
            self._say(f"{why}; nothing is acknowledged until it does")
        else:
            self._say("the database stores again")
        self._trouble = why

    # --- told by the link ------------------------------------------------------------

    def connected(self) -> None:
        """Ask for what there is to hear; what was not acknowledged comes again."""
        if self._link is None:
            return
        self._is_connected.set()
        self.failed(f"connected to {self._spec.host}:{self._spec.port}")
        if self._is_leaving:
            self._link.listen_no_more()
        else:
            self._link.listen_on()

    def failed(self, reason: str) -> None:
        """Say once that there is no connection; it is tried again."""
        if reason != self._said:
            self._said = reason
            self._say(reason)

    def rebuilt(self) -> None:
        """Note nothing: a new client has a new connection."""

    def acknowledged(self, number: int, refusal: str) -> None:
        """Note nothing: nothing is published."""

    def deaf(self, reason: str) -> None:
        """Say that the broker lets us hear nothing."""
        self._say(f"the broker refuses the subscription: {reason}")

    def heard(self, messages: Sequence[Heard], dropped: int) -> None:
        """Take what came."""
        self.counts.dropped += dropped
        for each in messages:
            (self._held if each.number else self._passing).append(each)
        while len(self._passing) > MOST_PASSING:
            self._passing.popleft()
            self.counts.dropped += 1
        if self._held or self._passing:
            self._is_there.set()
