"""A declared register map and the answers to it, to one sample. Pure."""

from __future__ import annotations

import math
import struct
from decimal import Decimal
from typing import TYPE_CHECKING

from tocsin.ports import DriverError
from tocsin.registers import Point, PointRole, RegisterType
from tocsin_drivers.modbus.dialogue import Ask, Dialogue, Registers, ReplyError
from tocsin_drivers.modbus.plan import plan, spans
from tocsin_drivers.quantities import rounded
from tocsin_drivers.roles import FIELDS, MANY, OF_ROLE, sample_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from tocsin.core.model import Flag, Sample
    from tocsin.registers import RegisterMap


class MapReader:
    """Reads a pack by its register map; see `tocsin_drivers.modbus.dialogue.Reader`."""

    def __init__(self, register_map: RegisterMap, *, cells: int) -> None:
        self._map = register_map
        self._cells = cells

    def opening(self) -> Dialogue[None]:
        """Read the first block, to see that somebody answers.

        Raises:
            DriverError: nobody does, or the map cannot be read.
        """
        yield from self._ask(self._plan()[:1])

    def reading(self) -> Dialogue[Sample]:
        """Read every block of the map.

        Raises:
            DriverError: names the point that is missing, refused or impossible.
        """
        values = yield from self._ask(self._plan())
        return decode(self._map, values, cells=self._cells)

    def _plan(self) -> tuple[Ask, ...]:
        most = self._map.max_registers
        return plan(spans(self._map), most=most, max_gap=self._map.max_gap)

    def _ask(self, asks: tuple[Ask, ...]) -> Dialogue[dict[tuple[int, int], int]]:
        values: dict[tuple[int, int], int] = {}
        for ask in asks:
            try:
                registers = yield ask
            except ReplyError as exc:
                raise DriverError(f"{self._inside(ask)}: {exc}") from exc
            for i, register in enumerate(registers):
                values[ask.function, ask.address + i] = register
        return values

    def _inside(self, ask: Ask) -> str:
        """Return the names of the first and last point that *ask* reads."""
        names = [
            name
            for point, address, name in _values(self._map)
            if point.function == ask.function and ask.address <= address < ask.end
        ]
        return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"


def decode(
    register_map: RegisterMap, values: Mapping[tuple[int, int], int], *, cells: int
) -> Sample:
    """Return the sample that *values* make.

    Args:
        register_map: What was read.
        values: Raw registers by (function, address).
        cells: How many series cells the sample must have, if it has any.

    Raises:
        DriverError: a point is missing, is not what it must be, or is out of range.
    """
    found: dict[PointRole, list[int]] = {}
    flags: set[Flag] = set()
    for point, address, name in _values(register_map):
        bits = _bits(point, address, values, name)
        if point.role is PointRole.CONSTANT:
            _prove(point, bits, name)
        elif point.role is PointRole.FLAGS:
            flags.update(_flags(point, bits))
        else:
            value = _value(point, bits, name)
            found.setdefault(point.role, []).append(value)
    return sample_of(found, flags, origin=_origin(register_map), cells=cells)


def _values(register_map: RegisterMap) -> Iterator[tuple[Point, int, str]]:
    """Yield every value's point, address and name, such as "cell 7 at 0x1006"."""
    numbers = dict.fromkeys(MANY, 0)
    for point in register_map.points:
        for i in range(point.count):
            address = point.address + i * point.step
            name = str(point.role)
            if point.role in numbers:
                numbers[point.role] += 1
                name += f" {numbers[point.role]}"
            yield point, address, f"{name} at 0x{address:04X}"


def _origin(register_map: RegisterMap) -> tuple[tuple[str, str], ...]:
    return tuple(
        (
            FIELDS[point.role],
            f"{point.type} x {point.count} at 0x{point.address:04X}",
        )
        for point in register_map.points
        if point.role in FIELDS
    )


def _bits(
    point: Point, address: int, values: Mapping[tuple[int, int], int], name: str
) -> int:
    """Return the value's bits as an unsigned integer."""
    try:
        registers: Registers = tuple(
            values[point.function, address + i] for i in range(point.type.registers)
        )
    except KeyError:
        raise DriverError(f"{name}: not in the answer") from None
    if not point.big_words:
        registers = registers[::-1]
    bits = 0
    for register in registers:
        swapped = (register & 0xFF) << 8 | register >> 8
        bits = bits << 16 | (register if point.big_bytes else swapped)
    return bits


def _raw(point: Point, bits: int) -> int | float:
    """Return *bits* as the number that the point's type makes of them."""
    size = 16 * point.type.registers
    match point.type:
        case RegisterType.F32:
            return float(struct.unpack(">f", bits.to_bytes(4, "big"))[0])
        case RegisterType.S16 | RegisterType.S32:
            return bits - (1 << size) if bits >> (size - 1) else bits
        case RegisterType.U16 | RegisterType.U32 | RegisterType.BITS:
            return bits


def _value(point: Point, bits: int, name: str) -> int:
    """Return the point's value as the core's integer.

    ``absent`` may be written signed or as the bits stand on the wire; a float that is
    no number is absent always.
    """
    raw = _raw(point, bits)
    shown = f"0x{bits:0{4 * point.type.registers}X}"
    if not math.isfinite(raw) or bits in point.absent or raw in point.absent:
        raise DriverError(f"{name}: not implemented ({shown})")
    value = Decimal(raw) * Decimal(str(point.scale)) + Decimal(str(point.offset))
    _believe(point, value, f"{name}: {value:.6g} (raw {shown})")
    quantity = OF_ROLE[point.role]
    return quantity.checked(rounded(value, quantity.places), name)


def _believe(point: Point, value: Decimal, what: str) -> None:
    """Raise if *value* is beyond the point's own bounds; the bounds are believed."""
    if point.low is not None and value < Decimal(str(point.low)):
        raise DriverError(f"{what} is below {point.low:g}")
    if point.high is not None and value > Decimal(str(point.high)):
        raise DriverError(f"{what} is above {point.high:g}")


def _prove(point: Point, bits: int, name: str) -> None:
    raw = _raw(point, bits)
    if point.expect not in {raw, bits}:
        text = f"{name} is {raw:g}, expected {point.expect}: this answer is not ours"
        raise DriverError(text)


def _flags(point: Point, bits: int) -> set[Flag]:
    set_value = 0 if point.active_low else 1
    return {flag for bit, flag in point.bits if (bits >> bit) & 1 == set_value}
