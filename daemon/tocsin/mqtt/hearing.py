"""What was heard on the connection's thread, until the event loop takes it."""

from __future__ import annotations

import threading
from collections import deque
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tocsin.mqtt.commands import Heard

COMMANDS = 64
"""Commands that wait for the event loop; more are dropped."""

LEFT = 5_000
"""Likewise of topics that the broker keeps."""


class Hearing:
    """A box with room for so much; filled on one thread, emptied on another."""

    def __init__(self) -> None:
        self._heard: deque[Heard] = deque()
        self._dropped = 0
        self._is_told = False
        self._lock = threading.Lock()

    def put(self, heard: Heard, *, room: int) -> bool:
        """Put *heard* in if fewer than *room* wait.

        Return True if somebody must be told to take it.
        """
        with self._lock:
            if len(self._heard) >= room:
                self._dropped += 1
                return False
            self._heard.append(heard)
            is_first, self._is_told = not self._is_told, True
        return is_first

    def taken(self) -> tuple[tuple[Heard, ...], int]:
        """Return what was heard, in order, and how many had no room."""
        with self._lock:
            heard, self._heard = self._heard, deque()
            dropped, self._dropped = self._dropped, 0
            self._is_told = False
        return tuple(heard), dropped
