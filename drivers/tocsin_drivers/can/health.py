"""What a bus's error frames say of it. Pure.

Classes and bits: Linux, ``include/uapi/linux/can/error.h``.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

QUIET_S = 10.0
"""A condition that error frames told of is over when none has for so long; common
practice, no source."""


class Ill(StrEnum):
    """What can be wrong with a bus, worst first."""

    BUS_OFF = "bus-off"
    NO_ACK = "no acknowledge: no other node listens"
    PASSIVE = "error-passive: many frames are faulty"
    WARNING = "error warning: frames are faulty"
    OVERFLOW = "frames were lost in the controller"
    RESTARTED = "the controller was restarted after bus-off"
    UNSENT = "frames could not be sent"
    MALFORMED = "malformed frames"


_CONTROLLER, _NO_ACK, _BUS_OFF, _RESTARTED = 0x04, 0x20, 0x40, 0x100
_OVERFLOWS, _WARNINGS, _PASSIVES, _ACTIVE = 0x03, 0x0C, 0x30, 0x40
_CONTROLLER_BYTE = 1


class Health:
    """Counts what went wrong, and knows what is wrong now.

    Bus-off lasts until the controller says that it was restarted or a frame comes;
    everything else until nothing has told of it for `QUIET_S`.
    """

    def __init__(self) -> None:
        self._counts: dict[Ill, int] = {}
        self._seen_s: dict[Ill, float] = {}
        self._is_off = False
        self.errors = 0

    @property
    def counts(self) -> Mapping[Ill, int]:
        """Return how often each has been told since the start."""
        return self._counts

    def note(self, ill: Ill, now_s: float) -> None:
        """Count *ill*."""
        self._counts[ill] = self._counts.get(ill, 0) + 1
        self._seen_s[ill] = now_s
        self._is_off |= ill is Ill.BUS_OFF

    def error_frame(self, can_id: int, data: bytes, now_s: float) -> None:
        """Count what an error frame tells; one may tell several things."""
        self.errors += 1
        if can_id & _BUS_OFF:
            self.note(Ill.BUS_OFF, now_s)
        if can_id & _RESTARTED:
            self._recovered()
            self.note(Ill.RESTARTED, now_s)
        if can_id & _NO_ACK:
            self.note(Ill.NO_ACK, now_s)
        if can_id & _CONTROLLER and len(data) > _CONTROLLER_BYTE:
            self._controller(data[_CONTROLLER_BYTE], now_s)

    def _controller(self, bits: int, now_s: float) -> None:
        if bits & _ACTIVE:
            self._recovered()
        if bits & _OVERFLOWS:
            self.note(Ill.OVERFLOW, now_s)
        if bits & _PASSIVES:
            self.note(Ill.PASSIVE, now_s)
        elif bits & _WARNINGS:
            self.note(Ill.WARNING, now_s)

    def _recovered(self) -> None:
        self._is_off = False
        for ill in (Ill.BUS_OFF, Ill.PASSIVE, Ill.WARNING):
            self._seen_s.pop(ill, None)

    def data_frame(self) -> None:
        """Note that a frame came: the controller cannot be off the bus."""
        if self._is_off:
            self._is_off = False
            self._seen_s.pop(Ill.BUS_OFF, None)

    def reason(self, now_s: float) -> str:
        """Return what is wrong now, with counts, or an empty string."""
        for ill, seen_s in list(self._seen_s.items()):
            if now_s - seen_s > QUIET_S and not (self._is_off and ill is Ill.BUS_OFF):
                del self._seen_s[ill]
        return ", ".join(
            f"{ill} ({self._times(ill)})" for ill in Ill if ill in self._seen_s
        )

    def _times(self, ill: Ill) -> str:
        count = self._counts[ill]
        return "once" if count == 1 else f"{count} times"
