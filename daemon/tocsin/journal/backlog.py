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
    """

    def __init__(self, room: int) -> None:
        self._room = room
        self._entries: list[Entry] = []
        self._is_fresh = False
        self._is_closed = False
        self._changed = threading.Condition()

    def put(self, entries: Iterable[Entry]) -> list[Entry]:
        """Add new entries, wake the writer, and return what had to be dropped."""
        with self._changed:
            if self._is_closed:
                return list(entries)
            dropped = [e for entry in entries for e in self._fit(entry)]
            self._is_fresh = True
            self._changed.notify()
            return dropped

    def give_back(self, entries: list[Entry]) -> list[Entry]:
        """Put entries that could not be written back in front; return the dropped."""
        with self._changed:
            newer, self._entries = self._entries, entries
            return [e for entry in newer for e in self._fit(entry)]

    def take(self, timeout_s: float | None) -> tuple[list[Entry], bool]:
        """Return all entries, and whether these are the last.

        Waits until there are new ones, until closed, or for *timeout_s*.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._is_fresh or self._is_closed, timeout_s)
            self._is_fresh = False
            return self._empty(), self._is_closed

    def close(self) -> None:
        """Take nothing more, and wake the writer."""
        with self._changed:
            self._is_closed = True
            self._changed.notify()

    def drain(self) -> list[Entry]:
        """Return what is left, without waiting."""
        with self._changed:
            return self._empty()

    def _empty(self) -> list[Entry]:
        taken, self._entries = self._entries, []
        return taken

    def _fit(self, entry: Entry) -> list[Entry]:
        """Add *entry* if it can be, and return what could not stay."""
        if len(self._entries) < self._room:
            self._entries.append(entry)
            return []
        if entry.is_alarm:
            for index in range(len(self._entries) - 1, -1, -1):
                if not self._entries[index].is_alarm:
                    out = self._entries.pop(index)
                    self._entries.append(entry)
                    return [out]
        return [entry]
