"""The simulated bus on python-can's interfaces without hardware. Its only user here.

``virtual``: every bus object of one process that has the same channel hears what is
sent. ``socketcan`` on a vcan device of Linux: every program on the machine does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import can

from tocsin_drivers.simbus.can_faults import Noise
from tocsin_drivers.simbus.can_frame import CanFrame

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from types import TracebackType

INTERFACE = "virtual"
MOST_HEARD = 1_000
"""Frames taken at a time from others on the bus."""


class VirtualLine:
    """Simulated devices on a virtual channel, for ``async with``."""

    def __init__(
        self,
        channel: str,
        answers: Callable[[CanFrame], list[CanFrame]],
        *,
        interface: str = INTERFACE,
    ) -> None:
        self.channel = channel
        self._interface = interface
        self._answers = answers
        self._bus: can.BusABC | None = None

    async def __aenter__(self) -> Self:
        self._bus = can.Bus(
            interface=self._interface, channel=self.channel, rx_queue_size=MOST_HEARD
        )
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bus is not None:
            self._bus.shutdown()
            self._bus = None

    def send(self, said: Iterable[CanFrame | Noise]) -> None:
        """Answer what others have sent, then pass on what is on the bus.

        A bus has no line noise. A listener whose queue is full loses the frame, and
        so does everybody while the link is down.
        """
        if self._bus is None:
            return
        for each in [*self._asked(self._bus), *said]:
            if not isinstance(each, Noise):
                try:
                    self._bus.send(_message(each), timeout=0)
                except can.CanOperationError:
                    continue

    def _asked(self, bus: can.BusABC) -> list[CanFrame]:
        answers: list[CanFrame] = []
        for _ in range(MOST_HEARD):
            try:
                message = bus.recv(0)
            except can.CanOperationError:  # the link is down; it may come back
                break
            if message is None:
                break
            answers += self._answers(_frame(message))
        return answers


def _message(frame: CanFrame) -> can.Message:
    return can.Message(
        arbitration_id=frame.identifier,
        data=None if frame.is_remote else frame.data,
        dlc=len(frame.data),
        is_extended_id=frame.is_extended,
        is_remote_frame=frame.is_remote,
        is_error_frame=frame.is_error,
    )


def _frame(message: can.Message) -> CanFrame:
    return CanFrame(
        identifier=message.arbitration_id,
        data=bytes(message.dlc) if message.is_remote_frame else bytes(message.data),
        is_extended=message.is_extended_id,
        is_remote=message.is_remote_frame,
        is_error=message.is_error_frame,
    )
