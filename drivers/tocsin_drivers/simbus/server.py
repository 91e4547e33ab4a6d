"""Simulated packs on a real wire: Modbus TCP on loopback, or RTU on a pty."""

from __future__ import annotations

import asyncio
import os
import tty
from enum import Enum, auto
from random import Random
from typing import TYPE_CHECKING, Self

from tocsin_drivers.simbus import frames
from tocsin_drivers.simbus.image import PLAIN_CELLS, PLAIN_VALUES, SUNSPEC_BASE

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from types import TracebackType

HOST = "127.0.0.1"
_CHUNK = 4_096
_SHORT_BYTES = 3
_SILENCE_S = 0.1
_SUNSPEC_CELL_1 = SUNSPEC_BASE + 2 + 68 + 64 + 60 + 64 + 44
_SUNSPEC_LOW_CELLS = tuple(
    SUNSPEC_BASE + 2 + offset
    for offset in (
        68 + 40,  # 802 CellVMin
        68 + 64 + 37,  # 803 StrCellVMin
        68 + 64 + 60 + 17,  # 804 CellVMin
        68 + 64 + 60 + 53,  # 804 ModCellVMin
        68 + 64 + 60 + 64 + 13,  # 805 CellVMin
    )
)
ZEROED = frozenset(
    {PLAIN_CELLS, PLAIN_VALUES + 7, _SUNSPEC_CELL_1, *_SUNSPEC_LOW_CELLS}
)
"""Registers of cell 1 and of the lowest cell, in either image."""


class Fault(Enum):
    """What can be wrong with a pack's wire or electronics."""

    NONE = auto()
    DEAD = auto()  # no answer at all
    FROZEN = auto()  # answers, but repeats the registers it had
    GARBAGE = auto()  # answers with registers that mean nothing
    SLOW = auto()  # answers late, see `Device.delay_s`
    CUT = auto()  # the connection closes instead of an answer; a serial line is silent
    ZERO_CELL = auto()  # cell 1 reads 0 V
    SHORT_REPLY = auto()  # one answer is cut short, then all is well


class Device:
    """One unit on a bus: where its registers come from, and what is wrong with it.

    Attributes:
        fault: Set by `break_down`, cleared by `repair`.
        delay_s: How late a slow unit answers.
    """

    def __init__(
        self, registers: Callable[[], Mapping[int, int]], *, seed: int = 1
    ) -> None:
        self._registers = registers
        self._rng = Random(seed)  # noqa: S311 - noise on a wire, nothing secret
        self._kept: Mapping[int, int] = {}
        self.fault = Fault.NONE
        self.delay_s = 0.0

    def break_down(self, fault: Fault, *, delay_s: float = 5.0) -> None:
        """Let *fault* last until `repair`; *delay_s* counts for SLOW only."""
        self._kept = self._registers() if fault is Fault.FROZEN else {}
        self.delay_s = delay_s if fault is Fault.SLOW else 0.0
        self.fault = fault

    def repair(self) -> None:
        """End whatever was wrong."""
        self.break_down(Fault.NONE)

    def answer(self, request: frames.Request) -> bytes:
        """Return function and data of the answer, faults of its values included."""
        if request.function not in frames.READS:
            return frames.refusal(request, frames.ILLEGAL_FUNCTION)
        span = request.span
        if span is None or not 1 <= span[1] <= frames.MOST_REGISTERS:
            return frames.refusal(request, frames.ILLEGAL_VALUE)
        image = self._kept if self.fault is Fault.FROZEN else self._registers()
        wanted = range(span[0], span[0] + span[1])
        if any(address not in image for address in wanted):
            return frames.refusal(request, frames.ILLEGAL_ADDRESS)
        values = [self._spoiled(address, image[address]) for address in wanted]
        return frames.registers_answer(request, values)

    def _spoiled(self, address: int, value: int) -> int:
        if self.fault is Fault.GARBAGE:
            return self._rng.randrange(0x10000)
        return 0 if self.fault is Fault.ZERO_CELL and address in ZEROED else value

    def shorten(self, frame: bytes) -> bytes:
        """Return *frame*, cut short once if that is the fault."""
        if self.fault is not Fault.SHORT_REPLY:
            return frame
        self.repair()
        return frame[:-_SHORT_BYTES]


class _Bus:
    """What both kinds of line share: units, and tasks that end with the bus."""

    def __init__(self, units: Mapping[int, Device]) -> None:
        self.units = dict(units)
        self._tasks: set[asyncio.Task[None]] = set()

    async def _reply_to(
        self,
        request: frames.Request,
        framed: Callable[[frames.Request, bytes], bytes],
    ) -> bytes | None:
        """Return the bytes for the wire; empty for silence, None to hang up."""
        device = self.units.get(request.unit)
        if device is None or device.fault is Fault.DEAD:
            return b""
        if device.fault is Fault.CUT:
            return None
        if device.delay_s:
            await asyncio.sleep(device.delay_s)
        return device.shorten(framed(request, device.answer(request)))

    async def _end_tasks(self) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._tasks.clear()


class TcpBus(_Bus):
    """Units behind one Modbus TCP port on loopback, for ``async with``.

    Attributes:
        port: Free when 0 was asked for; fixed from the first listening on.
    """

    def __init__(self, units: Mapping[int, Device], port: int = 0) -> None:
        super().__init__(units)
        self.port = port
        self._server: asyncio.Server | None = None

    async def __aenter__(self) -> Self:
        await self.plug_in()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.unplug()

    async def plug_in(self) -> None:
        """Listen, on the same port as before if there was one."""
        if self._server is None:
            self._server = await asyncio.start_server(self._serve, HOST, self.port)
            self.port = self._server.sockets[0].getsockname()[1]

    async def unplug(self) -> None:
        """Close every connection and refuse new ones."""
        if self._server is not None:
            self._server.close()
            await self._end_tasks()
            await self._server.wait_closed()
            self._server = None

    async def _serve(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        task = asyncio.current_task()
        if task is not None:
            self._tasks.add(task)
        try:
            await self._talk(reader, writer)
        except (ConnectionError, ValueError, asyncio.CancelledError):
            pass  # gone, or not Modbus, or unplugged: hang up
        finally:
            if task is not None:
                self._tasks.discard(task)
            writer.close()

    async def _talk(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        buffer = bytearray()
        while chunk := await reader.read(_CHUNK):
            buffer += chunk
            while (request := frames.take_tcp(buffer)) is not None:
                reply = await self._reply_to(request, frames.tcp_frame)
                if reply is None:
                    return
                writer.write(reply)
                await writer.drain()


class RtuBus(_Bus):
    """Units on one serial line, a pty, for ``async with``.

    Attributes:
        device: Path that a client opens as its serial port.
    """

    def __init__(self, units: Mapping[int, Device]) -> None:
        super().__init__(units)
        self.device = ""
        self._ours = self._theirs = -1
        self._buffer = bytearray()
        self._heard_s = 0.0
        self._requests: asyncio.Queue[frames.Request] = asyncio.Queue()

    async def __aenter__(self) -> Self:
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.device = os.ttyname(self._theirs)
        loop = asyncio.get_running_loop()
        loop.add_reader(self._ours, self._take)
        self._tasks.add(loop.create_task(self._serve()))
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        asyncio.get_running_loop().remove_reader(self._ours)
        await self._end_tasks()
        os.close(self._ours)
        os.close(self._theirs)

    def _take(self) -> None:
        now_s = asyncio.get_running_loop().time()
        if now_s - self._heard_s > _SILENCE_S:
            self._buffer.clear()  # silence ends a serial frame, whole or not
        self._heard_s = now_s
        self._buffer += os.read(self._ours, _CHUNK)
        while (request := frames.take_rtu(self._buffer)) is not None:
            self._requests.put_nowait(request)

    async def _serve(self) -> None:
        while True:
            request = await self._requests.get()
            reply = await self._reply_to(request, frames.rtu_frame)
            if reply:
                os.write(self._ours, reply)
