"""The history's writing half: a room with one thread that nobody waits for."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

from tocsin.core.alarm import AlarmState
from tocsin.core.events import AlarmFact
from tocsin.core.rules import Priority
from tocsin.history.kinds import HistoryError, Tier
from tocsin.history.sampling import Heard, limits_json, values
from tocsin.history.store import DamagedError, Store
from tocsin.history.thin import Taken, raw_blocks

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path
    from types import TracebackType

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact
    from tocsin.core.site import Site
    from tocsin.history.thin import Block
    from tocsin.ports import HistorySpec

ROOM = 20_000
"""Samples that wait while nothing can be written, then the oldest go: an hour of five
packs, some twenty megabytes."""

TENDING_MS = 600_000
"""How often buckets are worked out and old blocks dropped."""

URGENT_MS = 10_000
"""While something is badly wrong samples are written so often: the next to fail may be
our own supply."""

URGENT_FOR_MS = 1_800_000

CLOSE_S = 1.0
"""How long closing waits for the last batch."""


class History:
    """Keeps samples in the history of *folder*; a room, and a context manager.

    ``stepped`` and ``tell`` are called in the thread of the event loop that entered it,
    take some microseconds, and never wait.

    Args:
        folder: Made if it does not exist.
        site: Whose packs and limits are kept.
        sha256: Of the site file.
        spec: How much is kept.
        wall_ms: The time of day; asked from two threads.
        on_trouble: Gets the reason when samples cannot be written, and "" when they
            can be again; in the loop's thread.
        room: For tests.
    """

    def __init__(
        self,
        folder: Path,
        *,
        site: Site,
        sha256: str,
        spec: HistorySpec,
        wall_ms: Callable[[], int],
        on_trouble: Callable[[str], None],
        room: int = ROOM,
    ) -> None:
        self._site = site
        self._wall_ms = wall_ms
        self._on_trouble = on_trouble
        self._heard_ms: dict[int, int] = {}
        self._desk = _Desk(deque(maxlen=room))
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ended = asyncio.Event()
        self._writer = _Writer(
            Keeper(Store(folder, spec), site, wall_ms),
            self._desk,
            batch_ms=spec.batch_ms,
            limits=(sha256, limits_json(site, sha256=sha256)),
            post=self._post,
            say=self._say,
            ended=self._ended.set,
        )

    def stepped(self, outcome: Outcome) -> None:
        """Take the samples that are new."""
        for i, pack in enumerate(outcome.state.packs):
            if pack.sample is None or self._heard_ms.get(i) == pack.heard_ms:
                continue
            self._heard_ms[i] = pack.heard_ms
            told = () if pack.tracker is None else pack.tracker.forecasts
            name = self._site.bank.packs[i].name
            at_ms = self._wall_ms() - (outcome.state.now_ms - pack.heard_ms)
            self._desk.put(Heard(at_ms, name, pack.sample, told))

    def tell(self, facts: Sequence[Fact]) -> None:
        """Write more often for a while if something is badly wrong."""
        for fact in facts:
            if (
                isinstance(fact, AlarmFact)
                and fact.priority is Priority.HIGH
                and fact.was == AlarmState.NORMAL
            ):
                self._desk.hurry(self._wall_ms())

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
        self._desk.close()
        try:
            with suppress(TimeoutError):
                async with asyncio.timeout(CLOSE_S):
                    await self._ended.wait()
        finally:
            if self._ended.is_set():
                self._writer.join()
            self._loop = None

    def _post(self, call: Callable[..., None], *args: object) -> None:
        loop = self._loop
        if loop is not None:
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(call, *args)

    def _say(self, reason: str) -> None:
        if self._loop is not None:
            self._on_trouble(reason)


@dataclass(slots=True)
class _Desk:
    """What waits to be written, between the loop and the writer."""

    heard: deque[Heard]
    urgent_until_ms: int = 0
    is_hurried: bool = False
    is_closed: bool = False
    changed: threading.Condition = field(default_factory=threading.Condition)

    def put(self, one: Heard) -> None:
        """Add a sample; a full desk drops its oldest."""
        self.heard.append(one)

    def hurry(self, now_ms: int) -> None:
        """Write at once, and often for a while."""
        with self.changed:
            self.is_hurried |= now_ms >= self.urgent_until_ms
            self.urgent_until_ms = now_ms + URGENT_FOR_MS
            self.changed.notify_all()

    def close(self) -> None:
        """Have the rest written, and no more."""
        with self.changed:
            self.is_closed = True
            self.changed.notify_all()

    def wait(self, timeout_s: float) -> None:
        """Wait for the next batch, until something goes wrong, or for the end."""
        with self.changed:
            self.changed.wait_for(lambda: self.is_closed or self.is_hurried, timeout_s)
            self.is_hurried = False

    def take(self) -> list[Heard]:
        """Return all that waits; the loop may go on adding."""
        return [self.heard.popleft() for _ in range(len(self.heard))]

    def give_back(self, taken: Sequence[Heard]) -> None:
        """Put back what could not be written, as far as there is room."""
        room = (self.heard.maxlen or 0) - len(self.heard)
        self.heard.extendleft(reversed(taken[max(0, len(taken) - room) :]))


class Keeper:
    """Makes blocks of samples and looks after the file; in one thread at a time."""

    def __init__(self, store: Store, site: Site, wall_ms: Callable[[], int]) -> None:
        self.store = store
        self._site = site
        self._wall_ms = wall_ms
        self._tended_ms = 0

    def now_ms(self) -> int:
        """Return the time of day."""
        return self._wall_ms()

    def keep(self, heard: Sequence[Heard]) -> None:
        """Store *heard* in one transaction.

        Raises:
            HistoryError, sqlite3.Error, OSError: none of them is stored.
        """
        if heard:
            self.store.append(self._blocks(heard))

    def tend(self) -> None:
        """Now and then, work out the buckets that are due and drop what is old.

        Raises:
            HistoryError, sqlite3.Error, OSError: it is tried again next time.
        """
        now_ms = self._wall_ms()
        if abs(now_ms - self._tended_ms) >= TENDING_MS:
            self.store.thin(now_ms)
            self.store.drop(now_ms)
            self._tended_ms = now_ms

    def _blocks(self, heard: Sequence[Heard]) -> list[Block]:
        by_pack: dict[str, list[Taken]] = {}
        for one in heard:
            taken = Taken(one.at_ms, values(one, self._site))
            by_pack.setdefault(one.pack, []).append(taken)
        return [
            block
            for pack, taken in by_pack.items()
            for block in raw_blocks(pack, taken, Tier.MINUTE)
        ]


class _Writer(threading.Thread):
    """The one thread that writes; daemonic, so that a hung disk stops no exit."""

    def __init__(
        self,
        keeper: Keeper,
        desk: _Desk,
        *,
        batch_ms: int,
        limits: tuple[str, Mapping[str, Any]],
        post: Callable[..., None],
        say: Callable[[str], None],
        ended: Callable[[], None],
    ) -> None:
        super().__init__(name="history", daemon=True)
        self._keeper = keeper
        self._desk = desk
        self._batch_ms = batch_ms
        self._limits: tuple[str, Mapping[str, Any]] | None = limits
        self._post = post
        self._say = say
        self._ended = ended
        self._trouble = ""

    def run(self) -> None:
        """Write a batch now and then until the desk is closed, and then the rest."""
        try:
            while True:
                is_last = self._desk.is_closed
                self._write()
                if is_last:
                    return
                is_urgent = self._keeper.now_ms() < self._desk.urgent_until_ms
                pause_ms = URGENT_MS if is_urgent else self._batch_ms
                self._desk.wait(min(pause_ms, self._batch_ms) / 1000)
        finally:
            self._keeper.store.close()
            self._post(self._ended)

    def _write(self) -> None:
        taken = self._desk.take()
        try:
            try:
                self._keep(taken)
            except DamagedError:
                self._keeper.store.set_aside()
                self._keep(taken)
            taken = []
            self._keeper.tend()
        except (HistoryError, sqlite3.Error, OSError) as exc:
            self._desk.give_back(taken)
            self._report(f"{self._keeper.store.path}: {exc}")
        except Exception as exc:  # noqa: BLE001 one odd sample must not end it all
            reason = f"{len(taken)} samples cannot be kept: {type(exc).__name__}: {exc}"
            self._report(f"{self._keeper.store.path}: {reason}")
        else:
            self._report("")

    def _keep(self, taken: Sequence[Heard]) -> None:
        if self._limits is not None:
            sha256, detail = self._limits
            self._keeper.store.note_limits(self._keeper.now_ms(), sha256, detail)
            self._limits = None
        self._keeper.keep(taken)

    def _report(self, reason: str) -> None:
        if reason != self._trouble:
            self._trouble = reason
            self._post(self._say, reason)
