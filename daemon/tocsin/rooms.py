"""Whoever is told what the daemon did: the journal first, and from there the others."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin import notify
from tocsin.show import show_json

if TYPE_CHECKING:
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
        self._unwritten -= {id(fact) for fact in facts}
        if self.publisher is None:
            return
        if durable:
            self.publisher.stored()
        else:
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
            self.publisher.show(self.outcome, snapshot)

    def snapshot(self) -> Mapping[str, Any] | None:
        """Return what is seen and demanded now, or None before the first step."""
        if self.outcome is None:
            return None
        return show_json(self.outcome, self._setup.site, wall_ms=self._clock.wall_ms())
