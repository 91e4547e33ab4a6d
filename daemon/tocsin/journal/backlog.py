"""What waits to be written: bounded, and shared by the event loop and the writer."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.journal.rows import Entry


class Backlog:
    """At most *room* entries, oldest first.

    With no room left the oldest are kept and the newest dropped, because the first
    rows of a bad hour tell how it began. But alarms win: an alarm that finds no room
    takes the place of the newest entry that is none.

    Attributes:
        lost: How many entries were dropped, or abandoned unwritten.
        is_closed: Nothing more is taken.
    """

    def __init__(self, room: int) -> None:
        self.lost = 0
        self.is_closed = False
        self._room = room
        self._entries: list[Entry] = []
        self._plain = 0  # entries that are no alarms
        self._in_hand = 0
        self._changed = threading.Condition()

    def put(self, entries: Iterable[Entry]) -> list[Entry]:
        """Add new entries, wake the writer, and return what had to be dropped."""
        with self._changed:
            if self.is_closed:
                dropped = list(entries)
                self.lost += len(dropped)
            else:
                dropped = self._fit_all(entries)
            self._changed.notify_all()
            return dropped

    def take(self, limit: int, timeout_s: float) -> list[Entry]:
        """Return the oldest entries, for the writer to store or to give back.

        Waits until there are some, until closed, or for *timeout_s*.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._entries or self.is_closed, timeout_s)
            taken, self._entries = self._entries[:limit], self._entries[limit:]
            self._in_hand = len(taken)
            self._plain -= sum(not entry.is_alarm for entry in taken)
            return taken

    def give_back(self, entries: Iterable[Entry]) -> list[Entry]:
        """Put entries that could not be written back in front; return the dropped."""
        with self._changed:
            newer, self._entries = self._entries, []
            self._plain = self._in_hand = 0
            return self._fit_all([*entries, *newer])

    def done(self) -> None:
        """Hear that what was taken last needs nothing more."""
        with self._changed:
            self._in_hand = 0

    def pause(self, timeout_s: float) -> None:
        """Wait until closed, or for *timeout_s*; new entries wake nobody."""
        with self._changed:
            self._changed.wait_for(lambda: self.is_closed, timeout_s)

    def close(self) -> None:
        """Take nothing more, and wake the writer."""
        with self._changed:
            self.is_closed = True
            self._changed.notify_all()

    def lose(self, count: int) -> None:
        """Count entries that were taken and can never be written."""
        with self._changed:
            self.lost += count

    def abandon(self) -> int:
        """Count what was not written as lost, and return how much that is."""
        with self._changed:
            left = len(self._entries) + self._in_hand
            self._entries = []
            self._plain = self._in_hand = 0
            self.lost += left
            return left

    def __len__(self) -> int:
        return len(self._entries)

    def _fit_all(self, entries: Iterable[Entry]) -> list[Entry]:
        dropped = [out for entry in entries for out in self._fit(entry)]
        self.lost += len(dropped)
        return dropped

    def _fit(self, entry: Entry) -> list[Entry]:
        """Add *entry* if it can be, and return what could not stay."""
        if len(self._entries) < self._room:
            self._add(entry)
            return []
        if not entry.is_alarm or not self._plain:
            return [entry]
        newest_plain = next(
            index
            for index in range(len(self._entries) - 1, -1, -1)
            if not self._entries[index].is_alarm
        )
        out = self._entries.pop(newest_plain)
        self._plain -= 1
        self._add(entry)
        return [out]

    def _add(self, entry: Entry) -> None:
        self._entries.append(entry)
        self._plain += not entry.is_alarm
