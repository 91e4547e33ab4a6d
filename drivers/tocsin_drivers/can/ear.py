"""The newest frame of each identity, wherever frames come from. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin_drivers.can.frames import Frame, Heard, Wants

if TYPE_CHECKING:
    from collections.abc import Hashable

MOST_KEPT = 1_024
"""So many identities are kept for one pack, the longest unheard dropped first."""

NEVER_S = float("-inf")
"""When a value came that is never fresh again."""


class Ear:
    """The newest frames that somebody wants of a bus, by what they stand for."""

    def __init__(self, wants: Wants) -> None:
        self._identity = wants.identity
        self.filters = wants.filters
        self.heard: dict[Hashable, Heard] = {}

    def take(self, frame: Frame, now_s: float) -> None:
        """Keep *frame* if it is wanted."""
        identity = self._identity(frame)
        if identity is None:
            return
        heard = self.heard
        if identity in heard:
            del heard[identity]  # the newest stands last
        elif len(heard) >= MOST_KEPT:
            del heard[next(iter(heard))]
        heard[identity] = Heard(frame, now_s)

    def forget(self) -> None:
        """Mark every value as never fresh again, but as once heard."""
        for identity, came in self.heard.items():
            self.heard[identity] = came._replace(at_s=NEVER_S)
