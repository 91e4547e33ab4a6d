"""Who is told what the core decided, in which order."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any

from tocsin import __version__, notify
from tocsin.core.events import NoteFact
from tocsin.show import show_json

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Mapping, Sequence

    from tocsin.clock import Clock
    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact
    from tocsin.journal import Journal
    from tocsin.mqtt import Publisher
    from tocsin.ports import Heeds
    from tocsin.shell import Room
    from tocsin_config import Setup

SNAPSHOT_MS = 1_000
"""Snapshots are published at most this often, and after every change."""


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
        self.publishers: list[Publisher] = []

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
        self._unwritten -= {id(fact) for fact in facts}
        for publisher in self.publishers:
            if durable:
                publisher.stored()
            else:
                publisher.tell(facts)
        if self.publishers and self._is_changed and not self._unwritten:
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
        for publisher in self.publishers:
            publisher.alive()
        if self.publishers:
            is_due = now_ms - self._shown_ms >= SNAPSHOT_MS
            if (is_due or self._is_changed) and not self._unwritten:
                self._show()

    def _show(self) -> None:
        snapshot = self.snapshot()
        if self.outcome is not None and snapshot:
            self._is_changed = False
            self._shown_ms = self.outcome.state.now_ms
            for publisher in self.publishers:
                publisher.show(self.outcome, snapshot)

    def note(self, what: str, text: str) -> None:
        """Tell a note of now."""
        self.tell((NoteFact(at_ms=self._clock.now_ms(), what=what, text=text),))

    async def health(
        self,
        _asked: Mapping[str, Any],
        _reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
    ) -> None:
        """Answer how the daemon itself is, in one line."""
        now_ms, outcome = self._clock.now_ms(), self.outcome
        said = {
            "ok": True,
            "pid": os.getpid(),
            "version": __version__,
            "sha256": self._setup.sha256,
            "step_ms": None if outcome is None else now_ms - outcome.state.now_ms,
            "watchdog_ms": round(self._watchdog_ms * 2),
        }
        writer.write(json.dumps(said).encode() + b"\n")
        await writer.drain()

    def snapshot(self) -> Mapping[str, Any] | None:
        """Return what is seen and demanded now, or None before the first step."""
        if self.outcome is None:
            return None
        return show_json(self.outcome, self._setup.site, wall_ms=self._clock.wall_ms())
