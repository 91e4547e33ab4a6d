"""Modbus: registers by a map, frames off the wire, the SunSpec chain."""

from __future__ import annotations

import asyncio
import logging
import re
import struct
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from pymodbus import ModbusException
from pymodbus.exceptions import ModbusIOException
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
)
from tests.fuzz import mutate
from tests.fuzz.campaign import Target, WrongError
from tests.fuzz.physical import judged

from modbus_device import lead
from tocsin.core.model import Flag
from tocsin.ports import DriverError, TcpLine
from tocsin.registers import Point, PointRole, RegisterMap, RegisterType
from tocsin_drivers.modbus.dialogue import Ask
from tocsin_drivers.modbus.link import Line
from tocsin_drivers.modbus.registers_codec import MapReader

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from random import Random

    from pymodbus.framer import FramerBase
    from tests.fuzz.campaign import Look


CELLS = 16
WORDS = 65_536


def registers_of(data: bytes) -> tuple[int, ...]:
    """Return *data* as registers, most significant byte first."""
    return tuple(word for (word,) in struct.iter_unpack(">H", data[: len(data) & ~1]))


def bytes_of(registers: Sequence[int]) -> bytes:
    """Return *registers* as they go over the wire."""
    return b"".join(struct.pack(">H", word & 0xFFFF) for word in registers)


EDGES = (0, 1, 0x7FFF, 0x8000, 0x8001, 0xFFFE, 0xFFFF, 0x7F80, 0xFF80, 0x7FC0)


def by_registers(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil whole registers, or mere bytes."""
    if chance.random() < 0.4:
        return mutate.by_bytes(chance, data, others)
    made = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 4, 16))):
        at = 2 * chance.randrange(len(made) // 2 + 1)
        word = chance.choice((chance.choice(EDGES), chance.randrange(WORDS)))
        made[at : at + 2] = struct.pack(">H", word)
    return bytes(made)


# --- registers by a map -------------------------------------------------------------

MAPS = (
    RegisterMap(
        points=(
            Point(role=PointRole.CONSTANT, address=0, expect=0x5052),
            Point(role=PointRole.CELL, address=1, count=CELLS, scale=0.001),
            Point(
                role=PointRole.CURRENT,
                address=17,
                type=RegisterType.S16,
                scale=0.1,
                absent=(-32_768,),
            ),
            Point(role=PointRole.SOC, address=18, absent=(0xFFFF,), low=0, high=100),
            Point(
                role=PointRole.TEMPERATURE,
                address=19,
                count=2,
                type=RegisterType.S16,
                scale=0.1,
            ),
            Point(
                role=PointRole.FLAGS,
                address=21,
                type=RegisterType.BITS,
                bits=((0, Flag.COLD_TRIP), (15, Flag.CHARGE_REFUSED)),
            ),
            Point(role=PointRole.BEAT, address=22),
            Point(role=PointRole.CHARGE_LIMIT, address=23, scale=0.1),
        )
    ),
    RegisterMap(
        points=(
            Point(
                role=PointRole.CELL,
                address=1,
                count=CELLS,
                step=2,
                type=RegisterType.F32,
                big_words=False,
                function=4,
            ),
            Point(role=PointRole.CURRENT, address=33, type=RegisterType.F32),
            Point(
                role=PointRole.VOLTAGE,
                address=35,
                type=RegisterType.U32,
                big_bytes=False,
                scale=1e-3,
            ),
            Point(
                role=PointRole.TEMPERATURE,
                address=37,
                type=RegisterType.S32,
                scale=0.01,
                offset=-273.15,
            ),
            Point(
                role=PointRole.FLAGS,
                address=39,
                bits=((3, Flag.LOW_VOLTAGE_TRIP),),
                active_low=True,
            ),
        ),
        max_registers=20,
    ),
    RegisterMap(
        points=(
            Point(role=PointRole.LOW_CELL, address=1, scale=0.001, absent=(0,)),
            Point(role=PointRole.HIGH_CELL, address=2, scale=0.001, absent=(0,)),
            Point(role=PointRole.CURRENT, address=3, type=RegisterType.S32, scale=-1e9),
            Point(role=PointRole.DISCHARGE_LIMIT, address=5, type=RegisterType.F32),
        )
    ),
)


def map_corpus() -> list[bytes]:
    """Return sound registers behind the number of their map."""
    first = [
        *(0x5052, *range(3_300, 3_300 + CELLS), -125, 64, 52, 67, 0, 7, 1_200),
    ]
    floats = [0, *(w for i in range(CELLS) for w in little(3.3 + i / 1000))]
    second: list[int] = [*floats, *big(-12.5), 0x0000, 0xA0CE, 0, 29_800, 0xFFFF]
    third = [0, 3_200, 3_400, 0, 0, *big(150.0)]
    return [
        bytes((i,)) + bytes_of(each) for i, each in enumerate((first, second, third))
    ]


def big(value: float) -> tuple[int, ...]:
    """Return a float's registers, most significant first."""
    return registers_of(struct.pack(">f", value))


def little(value: float) -> tuple[int, ...]:
    """Return a float's registers, least significant first."""
    return big(value)[::-1]


@contextmanager
def opened_map() -> Iterator[Look]:
    """Read the map that the first byte names from the registers behind it."""
    readers = [MapReader(each, cells=CELLS) for each in MAPS]

    def look(data: bytes) -> str:
        reader = readers[data[0] % len(readers) if data else 0]
        registers = dict(enumerate(registers_of(data[1:])))
        try:
            lead(reader.opening(), registers)
            sample = lead(reader.reading(), registers)
        except DriverError as exc:
            return str(exc)
        judged(sample, CELLS)
        return ""

    yield look


# --- frames off the wire ------------------------------------------------------------

ASK = Ask(0x1000, 4)
UNIT, NUMBER = 1, 1


class Wire:
    """A client whose line says *data*: the library's own framing and decoding.

    What the library raises while it takes bytes in reaches nobody: the request ends by
    its timeout. Its checks of unit and transaction are as in its `execute`.
    """

    connected = True

    def __init__(self, framer: FramerBase) -> None:
        self._framer = framer
        self.data = b""

    async def read_holding_registers(self, *_: int, **__: int) -> Any:
        """Return what the bytes are taken for."""
        try:
            pdu = self._framer.handleFrame(self.data, UNIT, NUMBER)[1]
        except (ModbusException, struct.error, IndexError, ValueError, KeyError):
            pdu = None
        if pdu is None:
            raise ModbusIOException("No response received")
        if pdu.dev_id != UNIT or pdu.transaction_id not in {0, NUMBER}:
            raise ModbusIOException("of another unit, or another request")
        return pdu

    read_input_registers = read_holding_registers

    def close(self) -> None:
        """Do nothing."""


def frames(framer: FramerBase) -> list[bytes]:
    """Return an answer and a refusal, as the library frames them."""
    made = []
    for pdu in (
        ReadHoldingRegistersResponse(registers=[3_301, 3_302, 0, 0xFFFF]),
        ReadHoldingRegistersResponse(registers=[1, 2, 3, 4]),
        ReadInputRegistersResponse(registers=[1, 2, 3, 4]),
        ReadHoldingRegistersResponse(registers=[1, 2, 3]),
        *(ExceptionResponse(3, code) for code in (1, 2, 4, 5, 6, 11, 99)),
    ):
        pdu.dev_id, pdu.transaction_id = UNIT, NUMBER
        made.append(framer.buildFrame(pdu))
    return made


def tcp_corpus() -> list[bytes]:
    """Return one sound answer; the rest are for `by_frame`."""
    return frames(FramerSocket(DecodePDU(is_server=False)))[:2]


def rtu_corpus() -> list[bytes]:
    """Return one sound answer; the rest are for `by_frame`."""
    return frames(FramerRTU(DecodePDU(is_server=False)))[:2]


OTHERS = {
    "tcp": frames(FramerSocket(DecodePDU(is_server=False))),
    "rtu": frames(FramerRTU(DecodePDU(is_server=False))),
}


def by_tcp(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil a frame; in half of the cases with a length that is right again."""
    del others
    made = bytearray(_framed(chance, data, OTHERS["tcp"]))
    if chance.random() < 0.5 and len(made) > 7:
        made[4:6] = (len(made) - 6).to_bytes(2, "big")
    return bytes(made)


def by_rtu(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil a frame; in most cases with a checksum that is right again."""
    del others
    made = _framed(chance, data, OTHERS["rtu"])
    if chance.random() < 0.75:
        body = made[:-2]
        return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")
    return made


def _framed(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    if chance.random() < 0.1:
        return chance.choice(others)
    return mutate.by_bytes(chance, data, others)


@contextmanager
def opened_wire(framer: type[FramerBase]) -> Iterator[Look]:
    """Take the bytes for the answer to one request of four registers."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # as `link` does
    wire = Wire(framer(DecodePDU(is_server=False)))
    with asyncio.Runner() as runner:
        line = Line(TcpLine(host="hut", port=1502))

        def look(data: bytes) -> str:
            wire.data = data
            client: Any = wire
            try:
                got = runner.run(line._exchange(client, UNIT, ASK))
            except DriverError as exc:
                return str(exc)
            if len(got) != ASK.count or not all(0 <= r < WORDS for r in got):
                raise WrongError(f"{got} for {ASK}")
            return ""

        yield look


TARGETS = (
    Target(
        name="modbus-registers",
        what="registers, of any type and byte order, read by a register map",
        corpus=map_corpus,
        mutated=by_registers,
        opened=opened_map,
        says=re.compile(r".*(0x[0-9A-F]{4}|cell|[a-z-]+ is ).*: .+"),
    ),
    Target(
        name="modbus-tcp",
        what="bytes on a TCP connection, taken for the answer to a read",
        corpus=tcp_corpus,
        mutated=by_tcp,
        opened=lambda: opened_wire(FramerSocket),
        says=re.compile(r"(unit 1 at hut:1502|registers 0x1000 to 0x1003): .+"),
    ),
    Target(
        name="modbus-rtu",
        what="bytes in RTU framing, taken for the answer to a read",
        corpus=rtu_corpus,
        mutated=by_rtu,
        opened=lambda: opened_wire(FramerRTU),
        says=re.compile(r"(unit 1 at hut:1502|registers 0x1000 to 0x1003): .+"),
    ),
)
