"""A declared register map and the answers to it, to one sample. Pure."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING

from tocsin.ports import DriverError
from tocsin.registers import Point, PointRole, RegisterType
from tocsin_drivers.modbus.dialogue import Ask, Dialogue, ReplyError
from tocsin_drivers.modbus.plan import plan, spans
from tocsin_drivers.quantities import rounded
from tocsin_drivers.roles import FIELDS, MANY, OF_ROLE, sample_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from tocsin.core.model import Flag, Sample
    from tocsin.registers import RegisterMap


@dataclass(frozen=True, slots=True)
class Place:
    """Where one value stands.

    Attributes:
        name: Such as "cell 7 at 0x1006".
        registers: (function, address) of each, the most significant first.
        scale, offset: The point's, as written in the site file.
    """

    point: Point
    name: str
    registers: tuple[tuple[int, int], ...]
    scale: Decimal
    offset: Decimal


@dataclass(frozen=True, slots=True)
class Layout:
    """A register map, laid out value by value."""

    places: tuple[Place, ...]
    origin: tuple[tuple[str, str], ...]

    @classmethod
    def of(cls, register_map: RegisterMap) -> Layout:
        """Lay it out; done once, it serves every reading."""
        return cls(tuple(_places(register_map)), _origin(register_map))


class MapReader:
    """Reads a pack by its register map; see `tocsin_drivers.modbus.dialogue.Reader`."""

    def __init__(self, register_map: RegisterMap, *, cells: int) -> None:
        self._map = register_map
        self._cells = cells
        self._layout = Layout.of(register_map)

    def opening(self) -> Dialogue[None]:
        """Read the first block, to see that somebody answers.

        Raises:
            DriverError: nobody does, or the map cannot be read.
        """
        yield from self._ask(self._asks[:1])

    def reading(self) -> Dialogue[Sample]:
        """Read every block of the map.

        Raises:
            DriverError: names the point that is missing, refused or impossible.
        """
        values = yield from self._ask(self._asks)
        return decode(self._layout, values, cells=self._cells)

    @cached_property
    def _asks(self) -> tuple[Ask, ...]:
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
        asked = {(ask.function, at) for at in range(ask.address, ask.end)}
        names = [
            place.name
            for place in self._layout.places
            if asked.issuperset(place.registers)
        ]
        return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"


def decode(
    layout: Layout, values: Mapping[tuple[int, int], int], *, cells: int
) -> Sample:
    """Return the sample that *values* make.

    Args:
        layout: What was read.
        values: Raw registers by (function, address).
        cells: How many series cells the sample must have, if it has any.

    Raises:
        DriverError: a point is missing, is not what it must be, or is out of range.
    """
    found: dict[PointRole, list[int]] = {}
    flags: set[Flag] = set()
    for place in layout.places:
        point, bits = place.point, _bits(place, values)
        if point.role is PointRole.CONSTANT:
            _prove(point, bits, place.name)
        elif point.role is PointRole.FLAGS:
            flags.update(_flags(point, bits))
        else:
            found.setdefault(point.role, []).append(_value(place, bits))
    return sample_of(found, flags, origin=layout.origin, cells=cells)


def _places(register_map: RegisterMap) -> Iterator[Place]:
    numbers = dict.fromkeys(MANY, 0)
    for point in register_map.points:
        scale, offset = Decimal(str(point.scale)), Decimal(str(point.offset))
        for i in range(point.count):
            address = point.address + i * point.step
            name = str(point.role)
            if point.role in numbers:
                numbers[point.role] += 1
                name += f" {numbers[point.role]}"
            whole = [(point.function, address + n) for n in range(point.type.registers)]
            registers = tuple(whole if point.big_words else reversed(whole))
            yield Place(point, f"{name} at 0x{address:04X}", registers, scale, offset)


def _origin(register_map: RegisterMap) -> tuple[tuple[str, str], ...]:
    return tuple(
        (
            FIELDS[point.role],
            f"{point.type} x {point.count} at 0x{point.address:04X}",
        )
        for point in register_map.points
        if point.role in FIELDS
    )


def _bits(place: Place, values: Mapping[tuple[int, int], int]) -> int:
    """Return the value's bits as an unsigned integer."""
    bits = 0
    for at in place.registers:
        register = values.get(at)
        if register is None:
            raise DriverError(f"{place.name}: not in the answer")
        if not place.point.big_bytes:
            register = (register & 0xFF) << 8 | register >> 8
        bits = bits << 16 | register
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


def _value(place: Place, bits: int) -> int:
    """Return the point's value as the core's integer.

    ``absent`` may be written signed or as the bits stand on the wire; a float that is
    no number is absent always.
    """
    point, raw = place.point, _raw(place.point, bits)
    if not math.isfinite(raw) or bits in point.absent or raw in point.absent:
        raise DriverError(f"{place.name}: not implemented ({_shown(point, bits)})")
    value = Decimal(raw) * place.scale + place.offset
    if point.low is not None or point.high is not None:
        _believe(point, value, f"{place.name}: {value:.6g} (raw {_shown(point, bits)})")
    quantity = OF_ROLE[point.role]
    return quantity.checked(rounded(value, quantity.places), place.name)


def _shown(point: Point, bits: int) -> str:
    return f"0x{bits:0{4 * point.type.registers}X}"


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
