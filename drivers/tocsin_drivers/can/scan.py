"""Entry point: a look at a CAN bus that only listens."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from tocsin.ports import LOG, CanLine, DriverError
from tocsin.sightings import Found
from tocsin_drivers.can.frames import Frame
from tocsin_drivers.can.link import Link
from tocsin_drivers.can.tally import Tally

if TYPE_CHECKING:
    from tocsin.sightings import ScanSpec
    from tocsin_drivers.can.buses import Message

GLANCE_S = 0.1
"""The bus is looked after so often."""


def build(spec: ScanSpec) -> CanScanner:
    """Return a look at the CAN bus of *spec*; see `tocsin.sightings.BuildScanner`.

    Raises:
        ValueError: it has no CAN bus.
    """
    if not isinstance(spec.line, CanLine):
        raise ValueError(f"{spec.line} is no CAN bus")  # noqa: TRY004 a wrong argument
    return CanScanner(spec.line)


class CanScanner:
    """Hears everything on one bus and sends nothing; see `tocsin.sightings.Scanner`."""

    def __init__(self, line: CanLine) -> None:
        self._line = line
        self._tally = Tally()
        self._link = Link(line)
        self._link.tap(self._take)
        self._link.report_to(self._note)
        self._begun_s: float | None = None
        self._passed_s = 0.0
        self._trouble = ""
        self._has_opened = False

    def _take(self, message: Message) -> None:
        if message.is_error_frame:
            return
        frame = Frame(
            message.arbitration_id,
            bytes(message.data),
            message.is_extended_id,
            is_remote=message.is_remote_frame,
            is_fd=message.is_fd,
        )
        # A recording is played fast; its frames say when they came.
        is_played = self._line.interface == LOG
        self._tally.take(frame, message.timestamp if is_played else _now_s())

    def _note(self, part: str, where: str, reason: str) -> None:
        del part, where
        self._trouble = reason

    async def run(self) -> None:
        """Listen until cancelled, or to the end of a recording."""
        self._begun_s = _now_s()
        while True:
            try:
                async with self._link.join():
                    self._has_opened = True
                    while True:
                        self._passed_s = _now_s() - self._begun_s
                        self._link.check()
                        await asyncio.sleep(GLANCE_S)
            except DriverError as exc:
                self._trouble = str(exc)
                if self._line.interface == LOG and self._has_opened:
                    self._trouble = ""  # its end
                    return
                if not self._has_opened:
                    return
                await asyncio.sleep(GLANCE_S)

    def found(self) -> Found:
        """Return who was heard; see `tocsin.sightings.Scanner.found`."""
        tally = self._tally
        return Found(
            place=str(self._link),
            line=self._line,
            extent=self._extent(),
            trouble=self._trouble,
            batteries=tally.batteries(),
            identifiers=tally.identifiers(),
            dropped=tally.dropped,
        )

    def _extent(self) -> str:
        tally = self._tally
        if self._line.interface == LOG:
            return f"{tally.frames} frames, of {tally.span_s:.0f} s"
        return f"listened for {self._passed_s:.0f} s, {tally.frames} frames"


def _now_s() -> float:
    return asyncio.get_running_loop().time()
