"""A serial CAN adapter on a pty, as its ASCII protocol has it.

Lines end with CR. The adapter acknowledges a command with CR and refuses one with BEL;
frames are sent only while the channel is open. The letters are those of Linux' slcan
line discipline and of python-can's slcan interface; the bits of the status answer are
from memory.
"""

from __future__ import annotations

import asyncio
import os
import re
import tty
from typing import TYPE_CHECKING, Self

from tocsin_drivers.simbus.can_faults import (
    CONTROLLER_PASSIVE,
    CONTROLLER_WARNING,
    ERROR_BUS_OFF,
    ERROR_CONTROLLER,
    Noise,
)
from tocsin_drivers.simbus.can_frame import CanFrame

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from types import TracebackType

OK = b"\r"
REFUSED = b"\a"
_TELLS = {b"": OK, b"V": b"V0100\r", b"N": b"N0000\r"}
STATUS_WARNING = 0x04
STATUS_OVERRUN = 0x08
STATUS_PASSIVE = 0x20
STATUS_BUS = 0x80
LONGEST_LINE = 64
MOST_WAITING = 65_536
"""Bytes kept for a reader that is slow; then whole frames are lost."""
_CHUNK = 4_096
_FRAME = re.compile(
    rb"(?:([tr])([0-7][0-9A-Fa-f]{2})|([TR])([01][0-9A-Fa-f]{7}))([0-8])([0-9A-Fa-f]*)"
)


def frame_line(frame: CanFrame) -> bytes:
    """Return *frame* as the adapter writes it, ending in CR."""
    letter = "r" if frame.is_remote else "t"
    head = f"{letter}{frame.identifier:03X}"
    if frame.is_extended:
        head = f"{letter.upper()}{frame.identifier:08X}"
    data = "" if frame.is_remote else frame.data.hex().upper()
    return f"{head}{len(frame.data)}{data}\r".encode()


def parse_line(line: bytes) -> CanFrame | None:
    """Return the frame that *line*, without its CR, asks to be sent; None if none."""
    match = _FRAME.fullmatch(line)
    if match is None:
        return None
    letter, length = match[1] or match[3], int(match[5])
    is_remote = letter in b"rR"
    if len(match[6]) != (0 if is_remote else 2 * length):
        return None
    return CanFrame(
        identifier=int(match[2] or match[4], 16),
        data=bytes(length) if is_remote else bytes.fromhex(match[6].decode()),
        is_extended=match[3] is not None,
        is_remote=is_remote,
    )


class SlcanPty:
    """The adapter, for ``async with``.

    Attributes:
        device: Path that a client opens as its serial port.
        is_open: The channel is open.
        lost: Frames that a slow reader never got.
    """

    def __init__(self, answers: Callable[[CanFrame], list[CanFrame]]) -> None:
        """Make it; *answers* says what the bus says to a frame that a client sends."""
        self._answers = answers
        self.device = ""
        self.is_open = False
        self.lost = 0
        self._is_listening = False
        self._status = 0
        self._ours = self._theirs = -1
        self._said = bytearray()
        self._waiting = bytearray()

    async def __aenter__(self) -> Self:
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.device = os.ttyname(self._theirs)
        asyncio.get_running_loop().add_reader(self._ours, self._take)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()

    def unplug(self) -> None:
        """Pull the adapter out; whoever had it open is hung up on."""
        if self._ours < 0:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._ours)
        loop.remove_writer(self._ours)
        os.close(self._ours)
        os.close(self._theirs)
        self._ours = self._theirs = -1

    def send(self, said: Iterable[CanFrame | Noise]) -> None:
        """Pass on what is on the bus. An error frame only marks the status answer."""
        for each in said:
            if isinstance(each, Noise):
                self._write(each.data)
            elif each.is_error:
                self._status |= _status(each)
            elif self.is_open:
                self._write(frame_line(each))

    def _write(self, data: bytes) -> None:
        if self._ours < 0:
            return
        if len(self._waiting) + len(data) > MOST_WAITING:
            self.lost += 1
            self._status |= STATUS_OVERRUN
            return
        if not self._waiting:
            asyncio.get_running_loop().add_writer(self._ours, self._flush)
        self._waiting += data

    def _flush(self) -> None:
        """Write what the line takes; it may be half a line."""
        try:
            written = os.write(self._ours, self._waiting[:_CHUNK])
        except BlockingIOError:
            return
        del self._waiting[:written]
        if not self._waiting:
            asyncio.get_running_loop().remove_writer(self._ours)

    def _take(self) -> None:
        self._said += os.read(self._ours, _CHUNK)
        while OK in self._said:
            line, _, rest = bytes(self._said).partition(OK)
            self._said = bytearray(rest)
            self._write(self._obey(line))
        del self._said[:-LONGEST_LINE]

    def _obey(self, line: bytes) -> bytes:
        """Do what *line* says and return the answer."""
        letter = line[:1]
        if letter in _TELLS:
            return _TELLS[letter]
        if letter in b"OL" and not self.is_open:
            self.is_open, self._is_listening = True, letter == b"L"
        elif letter == b"C":
            self.is_open = False
        elif letter in b"tTrR":
            return self._transmit(line)
        elif letter == b"F" and self.is_open:
            status, self._status = self._status, 0
            return f"F{status:02X}\r".encode()
        elif letter not in b"Ss" or self.is_open:
            return REFUSED
        return OK

    def _transmit(self, line: bytes) -> bytes:
        frame = parse_line(line)
        if frame is None or not self.is_open or self._is_listening:
            return REFUSED
        self.send(self._answers(frame))
        return (b"Z" if frame.is_extended else b"z") + OK


def _status(frame: CanFrame) -> int:
    if frame.identifier & ERROR_BUS_OFF:
        return STATUS_BUS
    if not frame.identifier & ERROR_CONTROLLER:
        return 0
    detail = frame.data[1]
    warned = STATUS_WARNING if detail & CONTROLLER_WARNING else 0
    return warned | (STATUS_PASSIVE if detail & CONTROLLER_PASSIVE else 0)
