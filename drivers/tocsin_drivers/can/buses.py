"""Buses by python-can's names, and logs as `candump -L` writes them.

The only user of python-can. A log is one more bus here, the interface ``log``, so
that it is played through whatever decodes a live one.
"""

from __future__ import annotations

import asyncio
import errno
import fcntl
import logging
import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias
from weakref import WeakKeyDictionary

import can
from can.io.canutils import CanutilsLogReader, CanutilsLogWriter

from tocsin.ports import LOG, CanLine
from tocsin_drivers.can.frames import EXTENDED, STANDARD

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import TextIO

    from tocsin_drivers.can.frames import Filter, Frame

Bus: TypeAlias = can.BusABC
Message: TypeAlias = can.Message
FAULTS = (can.CanError, OSError)
"""What a bus raises when it fails."""

INTERFACES = ("socketcan", "slcan", "virtual")

MOST_FILTERS = 512
"""``CAN_RAW_FILTER_MAX`` of Linux; with more of them nothing is filtered."""

SETTLE_S = 2.0
"""Serial adapters that reset when opened need so long; python-can's own default."""

ERROR_FLAG = 0x2000_0000
"""Of an identifier in a log: an error frame (Linux, ``include/uapi/linux/can.h``)."""

LIBRARY_ERROR = ERROR_FLAG | 0x80
"""The one identifier that the library's reader takes for an error frame."""

LONGEST_S = 1e11
"""A time in a log is before the year 5138, whatever its epoch."""

STANDARD_DIGITS = 3
"""Identifiers of more digits are extended ones."""

EXAMPLE = "(1436509052.249713) can0 044#2A366C2B"
IDENTIFIER_AT = 2
"""The field of a line in a log, such as `EXAMPLE`."""


def new_bus(where: CanLine, filters: tuple[Filter, ...]) -> Bus:
    """Open the bus; filters are for the kernel, and only it.

    Raises:
        can.CanError, OSError, ValueError, ImportError: it cannot be opened.
    """
    if where.interface not in {*INTERFACES, LOG}:
        known = ", ".join((*INTERFACES, LOG))
        raise ValueError(f"interface {where.interface}; one of {known}")
    logging.getLogger("can").setLevel(logging.CRITICAL)  # each fault is raised too
    match where.interface:
        case "socketcan":
            wanted = [
                {"can_id": f.can_id, "can_mask": f.mask, "extended": f.is_extended}
                for f in filters
            ]
            return can.Bus(
                interface="socketcan",
                channel=where.channel,
                can_filters=wanted if 0 < len(wanted) <= MOST_FILTERS else None,
                ignore_config=True,
            )
        case "slcan":
            return _serial(where)
        case "log":
            return PlayedBus(where.channel, speed=where.speed)
        case _:
            return can.Bus(
                interface="virtual", channel=where.channel, ignore_config=True
            )


def _serial(where: CanLine) -> Bus:
    """Open a serial adapter that no other program has open.

    Two programs would take each other's bytes, and the first to leave would close the
    adapter's channel for both.
    """
    held = _hold(where.channel.partition("@")[0])
    try:
        bus = can.Bus(
            interface="slcan",
            channel=where.channel,
            listen_only=where.is_listen_only,
            sleep_after_open=0,
            timeout=0,
            ignore_config=True,
        )
    except BaseException:
        _let_go(held)
        raise
    if held is not None:
        _HELD[bus] = held
    return bus


def _hold(device: str) -> int | None:
    """Lock a serial device as every serial line here is locked, with ``flock``.

    None where there is none: the library says it best.

    Raises:
        OSError: another program holds it.
    """
    try:
        held = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError:
        return None
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(held)
        raise OSError(errno.EBUSY, "another program has it open", device) from None
    return held


def _let_go(held: int | None) -> None:
    if held is not None:
        os.close(held)


_HELD: WeakKeyDictionary[Bus, int] = WeakKeyDictionary()
"""The lock of each serial adapter that is open."""


async def settle(bus: Bus, where: CanLine) -> None:
    """Wait until a serial adapter has started, without holding up the loop."""
    if where.interface != "slcan":
        return
    if not _is_pty(where.channel.partition("@")[0]):
        await asyncio.sleep(SETTLE_S)
    set_bitrate = getattr(bus, "set_bitrate", None)
    if set_bitrate is not None and where.bitrate is not None:
        set_bitrate(where.bitrate)


def _is_pty(device: str) -> bool:
    return os.path.realpath(device).startswith("/dev/pts/")


def shut(bus: Bus | None) -> None:
    """Close the bus, whatever has happened to it."""
    if bus is None:
        return
    with suppress(*FAULTS):  # it may have failed already
        bus.shutdown()
    # A serial adapter that cannot be told to close would keep its port open.
    port = getattr(bus, "serialPortOrig", None)
    if port is not None:
        with suppress(OSError):
            port.close()
    _let_go(_HELD.pop(bus, None))


def message_of(frame: Frame) -> Message:
    """Return a data frame as the library sends it."""
    return can.Message(
        arbitration_id=frame.can_id,
        is_extended_id=frame.is_extended,
        data=frame.data,
    )


class LogWriter:
    """A log that grows by whole lines. It never replaces another file.

    Raises:
        FileExistsError: there is such a file.
        OSError: it cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file = path.open("x", buffering=1, encoding="utf-8")
        self._writer = CanutilsLogWriter(self._file)

    def write(self, message: Message, channel: str) -> None:
        """Add *message*, heard on *channel*.

        The library would write each error frame as the same one, so those lines are
        made here.

        Raises:
            OSError: it cannot be written; what is there stays.
        """
        message.channel = channel
        if message.is_error_frame:
            identifier = ERROR_FLAG | message.arbitration_id
            data = message.data.hex().upper()
            line = f"({message.timestamp:f}) {channel} {identifier:08X}#{data}\n"
            self._file.write(line)
        else:
            self._writer.on_message_received(message)

    def close(self) -> None:
        """Close the file, all of it on the disk; a log of nothing leaves no file."""
        try:
            os.fsync(self._file.fileno())
        finally:
            self._writer.stop()
            if not self._path.stat().st_size:
                self._path.unlink()


class _FrameError(ValueError):
    """What the library's reader takes, though no bus can have said it; says why."""


class _Lines:
    """A log's lines for the library's reader, which knows one error frame only.

    Attributes:
        number: Of the line that was read last.
        error: Identifier, data and channel of that line's error frame; None for any
            other line.
    """

    def __init__(self, file: TextIO) -> None:
        self._file = file
        self.number = 0
        self.error: tuple[int, bytes, str] | None = None

    def __iter__(self) -> Iterator[str]:
        for line in self._file:
            self.number += 1
            yield self._tamed(line)

    def _tamed(self, line: str) -> str:
        self.error = None
        fields = line.split()
        if len(fields) <= IDENTIFIER_AT:
            return line
        digits, _, data = fields[IDENTIFIER_AT].partition("#")
        identifier = int(digits, 16)
        most = STANDARD if len(digits) <= STANDARD_DIGITS else ERROR_FLAG | EXTENDED
        if not 0 <= identifier <= most:
            raise _FrameError(f"identifier {digits[:20]} is too large")
        if not identifier & ERROR_FLAG:
            return line
        self.error = identifier & ~ERROR_FLAG, bytes.fromhex(data), fields[1]
        return f"{fields[0]} {fields[1]} {LIBRARY_ERROR:08X}#"

    def close(self) -> None:
        self._file.close()


def messages(path: Path) -> Iterator[Message]:
    """Yield the frames of a log in their order, error frames with what they say.

    Raises:
        ValueError: a line that is no frame; says which.
        OSError: the file cannot be read.
    """
    # A byte that is no UTF-8 spoils its own line, which then says so.
    with path.open(encoding="utf-8", errors="replace") as file:
        lines: Any = _Lines(file)
        try:
            for message in CanutilsLogReader(lines):
                if lines.error is not None:
                    message.arbitration_id, message.data, message.channel = lines.error
                    message.is_extended_id = False
                if not 0 <= message.timestamp < LONGEST_S:  # also false for NaN
                    raise _FrameError(f"{message.timestamp:g} s is no time")
                yield message
        except (ValueError, IndexError) as exc:
            why = str(exc) if isinstance(exc, _FrameError) else f"not as {EXAMPLE}"
            raise ValueError(f"{path}:{lines.number}: no frame: {why}") from exc


class _Play:
    """A log that is being played: it began once, and does not begin again."""

    def __init__(self, channel: str, speed: float) -> None:
        self.name, self._only = channel, ""
        if not Path(channel).exists():
            self.name, _, self._only = channel.rpartition("@")
        self._messages = messages(Path(self.name))
        self._speed = speed
        self._ahead: Message | None = None
        self._first_stamp: float | None = None
        self._begun_s = asyncio.get_running_loop().time()
        self.over = ""

    def go_on(self) -> None:
        """Let go what came while nobody listened; only its beginning waits."""
        if self._first_stamp is not None:
            while self.due() is not None:
                pass

    def due(self) -> Message | None:
        """Return the next frame if its time has come; at the end say so in *over*."""
        while self._ahead is None and not self.over:
            try:
                message = next(self._messages, None)
            except (ValueError, OSError) as exc:
                self.over = str(exc)
            else:
                if message is None:
                    self.over = f"{self.name} has ended"
                elif not self._only or str(message.channel) == self._only:
                    self._ahead = message
        message = self._ahead
        if message is None:
            return None
        if self._first_stamp is None:
            self._first_stamp = message.timestamp
        passed_s = asyncio.get_running_loop().time() - self._begun_s
        if (message.timestamp - self._first_stamp) / self._speed > passed_s:
            return None
        self._ahead = None
        return message


_PLAYS: WeakKeyDictionary[asyncio.AbstractEventLoop, dict[str, _Play]] = (
    WeakKeyDictionary()
)


class PlayedBus(can.BusABC):
    """A log as a bus: its frames come as they came, by the running loop's time.

    What was heard while nobody listened is gone, as on a real bus; so whoever opens it
    anew hears what comes next. *channel* is the file, and after an ``@`` the one bus to
    hear of several in it.

    Raises:
        can.CanInitializationError: it has ended, or cannot be read.
    """

    def __init__(self, channel: str, *, speed: float = 1.0) -> None:
        plays = _PLAYS.setdefault(asyncio.get_running_loop(), {})
        self.channel_info = channel
        self._play = plays.setdefault(channel, _Play(channel, speed))
        self._play.go_on()
        if self._play.over:
            raise can.CanInitializationError(self._play.over)
        super().__init__(channel)

    def _recv_internal(self, timeout: float | None) -> tuple[Message | None, bool]:
        """Return the next frame that is due; never waits for one."""
        del timeout
        message = self._play.due()
        if self._play.over and message is None:
            raise can.CanOperationError(self._play.over)
        return message, True

    def send(self, msg: Message, timeout: float | None = None) -> None:
        """Refuse: nobody hears a recording's answer."""
        del msg, timeout
        raise can.CanOperationError("a recording cannot be sent to")
