"""The wire: lines that packs share, one request at a time. The only user of pymodbus.

Why this is more than a call of the library (all of it measured with 3.16.1):

- RTU has no transaction id and the library does not compare function, address or
  count. A reply later than its timeout is handed out as the answer to the next
  request, and every later one is one behind. So: no library retries, no request is
  cut off, every fault is followed by silence of one worst-case response time, then by
  a fresh connection, and the count is always compared.
- The library's first connect is not retried, its later reconnects wait up to minutes,
  and a serial port is never given up. So: no reconnecting there; whoever asks next
  makes a new client.
- One silent unit would hold the line through all its retries. So: turns are taken in
  order of asking, and a silent unit of a shared line rests for longer each time.
"""

from __future__ import annotations

import asyncio
import logging
import os
import termios
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias
from weakref import WeakValueDictionary

from pymodbus import FramerType, ModbusException
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from tocsin.ports import DriverError, SerialLine, SourceSpec, TcpLine
from tocsin_drivers.modbus.dialogue import HOLDING, Ask, Meaning, Registers, ReplyError
from tocsin_drivers.modbus.pace import Where, gap_s

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from pymodbus.pdu import ModbusPDU

Client: TypeAlias = AsyncModbusTcpClient | AsyncModbusSerialClient

LEAVING_S = 0.5
"""Added to the timeout, this is how long a cancelled source may take to end."""

LONGEST_REST = 8
"""A silent unit rests for at most this many times what asking it costs the line, so
it takes at most one ninth of the line's time."""


class LostError(DriverError):
    """No answer, or one that cannot be the answer to what was asked."""


@dataclass(slots=True)
class _Rest:
    """How long a silent unit is left alone."""

    costs: int = 0
    until_s: float = 0.0


@dataclass(slots=True)
class _Turn:
    """One use of the line: a request, or without *ask* only a connection.

    Whoever waits for the *answer* may be cancelled, and the answer with it; the task
    that uses the line is not.
    """

    unit: int
    ask: Ask | None
    answer: asyncio.Future[Registers]
    is_sent: bool = False


class Line:
    """One TCP endpoint or serial port, whoever uses it.

    Packs on one line share the longest of their timeouts, which also stands for the
    worst-case response time.
    """

    def __init__(self, where: Where) -> None:
        self.where = where
        self._is_serial = isinstance(where, SerialLine) or where.framing == "rtu"
        self._timeout_s = 0.0
        self._units: set[int] = set()
        self._rests: dict[int, _Rest] = {}
        self._members = 0
        self._turns: set[asyncio.Task[None]] = set()
        self._order = asyncio.Lock()
        self._client: Client | None = None
        self._not_before_s = 0.0
        self._name = f"modbus:{self}"
        self._gap_s = gap_s(where)

    def admit(self, spec: SourceSpec) -> None:
        """Take *spec* into account; before anybody joins."""
        self._timeout_s = max(self._timeout_s, spec.timeout_ms / 1000)
        self._units.add(spec.unit)
        self._rests.pop(spec.unit, None)

    @asynccontextmanager
    async def join(self, spec: SourceSpec) -> AsyncIterator[Unit]:
        """Connect, unless others have, and hand out the unit of *spec*.

        Raises:
            DriverError: nobody answers, or the unit rests after silence.
        """
        if not self._members and not self._turns:
            self._order = asyncio.Lock()  # a lock belongs to one event loop
        self._members += 1
        try:
            self.refuse_resting(spec.unit)
            await self.take(spec.unit, None)
            yield Unit(self, spec.unit, spec.retries)
        finally:
            await self._leave()

    async def _leave(self) -> None:
        """Let a request in flight end, then close behind the last to go."""
        self._members -= 1
        try:
            if not self._members and self._turns:
                await asyncio.wait(self._turns, timeout=self._timeout_s + LEAVING_S)
        finally:
            if not self._members:
                self._drop()

    async def take(self, unit: int, ask: Ask | None) -> Registers:
        """Wait for a turn and use it; without *ask* only see to a connection.

        A cancelled caller is let go at once. What it asked is taken back if it has
        not been sent, and otherwise runs to its end in a task of its own.

        Raises:
            DriverError: no connection, no answer, or not the answer.
        """
        turn = _Turn(unit, ask, asyncio.get_running_loop().create_future())
        task = asyncio.create_task(self._serve(turn), name=self._name)
        self._turns.add(task)
        task.add_done_callback(self._turns.discard)
        try:
            return await turn.answer
        except asyncio.CancelledError:
            if not turn.is_sent:
                task.cancel()
            raise

    async def _serve(self, turn: _Turn) -> None:
        """Use the line and pass on what came of it, unless the caller is gone."""
        answer = turn.answer
        try:
            registers = await self._use(turn)
        except asyncio.CancelledError:
            answer.cancel()
            raise
        except Exception as exc:  # noqa: BLE001 the caller's, whatever it is
            if not answer.done():
                answer.set_exception(exc)
        else:
            if not answer.done():
                answer.set_result(registers)

    async def _use(self, turn: _Turn) -> Registers:
        async with self._order:  # first come, first served
            if (pause_s := self._not_before_s - _now_s()) > 0:
                await asyncio.sleep(pause_s)
            client = await self._connected()
            if turn.ask is None:
                return ()
            turn.is_sent = True
            return await self._exchange(client, turn.unit, turn.ask)

    async def _exchange(self, client: Client, unit: int, ask: Ask) -> Registers:
        try:
            registers = _registers(await _request(client, unit, ask), ask)
        except ReplyError as exc:
            if exc.meaning is not Meaning.CONFIGURATION:
                self._hush()
            raise
        except (ModbusException, OSError, LostError) as exc:
            self._fault()
            raise LostError(f"unit {unit} at {self}: {self._reason(exc)}") from exc
        except asyncio.CancelledError:  # the whole loop is being shut down
            self._fault()
            raise
        finally:
            next_s = _now_s() + self._gap_s
            self._not_before_s = max(self._not_before_s, next_s)
        return registers

    def _reason(self, exc: Exception) -> str:
        if isinstance(exc, LostError):
            return str(exc)
        if isinstance(exc, ModbusException) and "No response" in exc.string:
            return f"no answer within {self._timeout_s:g} s"
        return str(exc)

    async def _connected(self) -> Client:
        if self._client is not None and not self._client.connected:
            self._drop()
        if self._client is None:
            client = _new_client(self.where, self._timeout_s)
            try:
                is_there = await client.connect()
            except (ModbusException, OSError, ValueError, termios.error) as exc:
                client.close()
                raise LostError(f"{self} cannot be opened: {exc}") from exc
            except asyncio.CancelledError:
                client.close()
                raise
            if not is_there:
                client.close()
                raise LostError(f"{self} cannot be opened")
            self._client = client
        return self._client

    def _fault(self) -> None:
        self._drop()
        self._hush()

    def _hush(self) -> None:
        """Keep silent for as long as a late answer may take."""
        if self._is_serial:
            self._not_before_s = _now_s() + max(self._timeout_s, self._gap_s)

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    def note(self, unit: int, *, is_silent: bool) -> None:
        """Count a read that had no answer, or forget them at the first that had."""
        if not is_silent:
            self._rests.pop(unit, None)
            return
        rest = self._rests.setdefault(unit, _Rest())
        rest.costs = min(2 * rest.costs or 1, LONGEST_REST)
        if len(self._units) > 1:
            cost_s = 2 * self._timeout_s if self._is_serial else self._timeout_s
            rest.until_s = _now_s() + rest.costs * cost_s

    def is_silent(self, unit: int) -> bool:
        """Return whether the unit's last answer did not come."""
        return unit in self._rests

    def refuse_resting(self, unit: int) -> None:
        """Raise while a silent unit of a shared line is left alone.

        Raises:
            DriverError: says for how long.
        """
        rest = self._rests.get(unit)
        if rest is not None and (left_s := rest.until_s - _now_s()) > 0:
            text = f"unit {unit} at {self} was silent, asked again in {left_s:.1f} s"
            raise LostError(text)

    def __str__(self) -> str:
        match self.where:
            case TcpLine(host=host, port=port):
                return f"{host}:{port}"
            case SerialLine(device=device):
                return device


class Unit:
    """One device on a line."""

    def __init__(self, line: Line, unit: int, retries: int) -> None:
        self._line = line
        self._unit = unit
        self._retries = retries

    async def read(self, ask: Ask) -> Registers:
        """Return exactly the registers that were asked for.

        A retry waits for a new turn, so others are served in between. What the device
        refuses is not tried again, nor is a unit that was silent before.

        Raises:
            ReplyError: the device answered with an exception.
            DriverError: it did not answer, or not what was asked.
        """
        self._line.refuse_resting(self._unit)
        retries = 0 if self._line.is_silent(self._unit) else self._retries
        try:
            registers = await self._try(ask, retries)
        except ReplyError as exc:
            self._line.note(self._unit, is_silent=exc.meaning is Meaning.LOST)
            raise
        except LostError:
            self._line.note(self._unit, is_silent=True)
            raise
        self._line.note(self._unit, is_silent=False)
        return registers

    async def _try(self, ask: Ask, retries: int) -> Registers:
        for _ in range(retries):
            try:
                return await self._line.take(self._unit, ask)
            except ReplyError as exc:
                if exc.meaning is Meaning.CONFIGURATION:
                    raise
            except LostError:
                pass
        return await self._line.take(self._unit, ask)


_LINES: WeakValueDictionary[object, Line] = WeakValueDictionary()


def line_of(spec: SourceSpec) -> Line:
    """Return the line of *spec*, the same for every pack of every driver on it.

    A port exists once in the machine, so its line exists once in the process; it goes
    with the last sources that hold it.

    Raises:
        ValueError: no line, or two packs want one line with different settings.
    """
    match spec.line:
        case TcpLine(host=host, port=port):
            place: object = (host.lower(), port)
        case SerialLine(device=device):
            place = os.path.realpath(device)
        case _:
            raise ValueError(f"pack {spec.name} has no line")
    line = _LINES.get(place)
    if line is None:
        line = _LINES[place] = Line(spec.line)
    elif line.where != spec.line:
        raise ValueError(f"pack {spec.name} wants {line} with other settings")
    line.admit(spec)
    return line


def _new_client(where: Where, timeout_s: float) -> Client:
    """Return a client that neither retries nor reconnects by itself."""
    logger = logging.getLogger("pymodbus")
    if logger.level == logging.NOTSET:
        # It logs every timeout as an error; we raise each fault with its own words.
        logger.setLevel(logging.CRITICAL)
    alone: dict[str, Any] = {
        "retries": 0,
        "timeout": timeout_s,
        "reconnect_delay": 0,
        "reconnect_delay_max": 5,
    }
    match where:
        case TcpLine(host=host, port=port, framing=framing):
            framer = FramerType.RTU if framing == "rtu" else FramerType.SOCKET
            return AsyncModbusTcpClient(host, port=port, framer=framer, **alone)
        case SerialLine():
            # A pseudo-terminal sends no parity bits, and refuses to be told to.
            is_pty = os.path.realpath(where.device).startswith("/dev/pts/")
            return AsyncModbusSerialClient(
                where.device,
                baudrate=where.baud,
                parity="N" if is_pty else where.parity,
                stopbits=where.stop_bits,
                **alone,
            )


async def _request(client: Client, unit: int, ask: Ask) -> ModbusPDU:
    if ask.function == HOLDING:
        return await client.read_holding_registers(
            ask.address, count=ask.count, device_id=unit
        )
    return await client.read_input_registers(
        ask.address, count=ask.count, device_id=unit
    )


def _registers(reply: ModbusPDU, ask: Ask) -> Registers:
    """Return the registers of a reply that can be the answer to *ask*."""
    if reply.function_code & 0x7F != ask.function:
        text = f"answer to function {reply.function_code}, asked was {ask.function}"
        raise LostError(text)
    if reply.isError():
        raise ReplyError(reply.exception_code, ask)
    if len(reply.registers) != ask.count:
        text = f"{len(reply.registers)} registers came, {ask.count} were asked for"
        raise LostError(text)
    return tuple(reply.registers)


def _now_s() -> float:
    return asyncio.get_running_loop().time()
