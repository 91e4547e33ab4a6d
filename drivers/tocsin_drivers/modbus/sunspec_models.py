"""The points that are read of the SunSpec models 802 to 805. Pure data and types.

Offsets count from the model's ID register. Source: the SunSpec Alliance's model
definitions ``model_802.json`` to ``model_805.json`` (Apache-2.0).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from tocsin.ports import DriverError
from tocsin_drivers.modbus.dialogue import MOST_REGISTERS, Registers
from tocsin_drivers.quantities import Quantity, scaled

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

HEADER = 2
"""Registers ID and L, which L itself does not count."""

LARGEST_SCALE = 10
"""Scale factors run from -10 to 10; from memory."""

COMMON, BATTERY, BANK, STRING, MODULE = 1, 802, 803, 804, 805


class Kind(Enum):
    """A point's type: bits, signed, and the raw value of "not implemented".

    Source: the type table of the SunSpec Device Information Model Specification.
    """

    UINT16 = (16, False, 0xFFFF)  # and enum16
    INT16 = (16, True, 0x8000)  # and sunssf
    BITFIELD32 = (32, False, None)  # absent by its top bit, whatever the others are

    def __init__(self, bits: int, is_signed: bool, absent: int | None) -> None:  # noqa: FBT001 a row of the table
        self.bits = bits
        self.is_signed = is_signed
        self.absent = absent


@dataclass(frozen=True, slots=True)
class Point:
    """One point: its name, place, type, and where its scale factor stands."""

    name: str
    at: int
    kind: Kind = Kind.UINT16
    scale_at: int | None = None


@dataclass(frozen=True, slots=True)
class Layout:
    """How long a model is without, and with, its repeating group.

    Attributes:
        fixed: Registers of the fixed part, with ID and L.
        group: Registers of one repeat; 0 none, or none that we read.
        count_at: Where the model says how many repeats there are.
    """

    fixed: int
    group: int = 0
    count_at: int = 0


LAYOUTS = {
    BATTERY: Layout(64),
    BANK: Layout(28, 32, 2),
    STRING: Layout(48),
    MODULE: Layout(44, 4, 4),
}


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """A model in the chain: where, which, and how long behind its header."""

    address: int
    model: int
    length: int

    @property
    def groups(self) -> int:
        """Return how many repeats fit in the length.

        Raises:
            DriverError: the length does not fit this model.
        """
        layout = LAYOUTS[self.model]
        spare = self.length + HEADER - layout.fixed
        if spare < 0 or (layout.group and spare % layout.group):
            raise DriverError(f"model {self.model}: a length of {self.length} fits not")
        return spare // layout.group if layout.group else 0

    def reads(self) -> tuple[tuple[int, int], ...]:
        """Return (offset, count) of each read; no value is split between two.

        The first begins at the ID register, so that the reply proves itself.
        """
        layout = LAYOUTS[self.model]
        end = layout.fixed + self.groups * layout.group
        if end <= MOST_REGISTERS:
            return ((0, end),)
        first = layout.fixed + (MOST_REGISTERS - layout.fixed) // layout.group * (
            layout.group
        )
        later = MOST_REGISTERS // layout.group * layout.group
        starts = (0, *range(first, end, later))
        return tuple(
            (start, stop - start)
            for start, stop in zip(starts, (*starts[1:], end), strict=True)
        )


@dataclass(frozen=True, slots=True)
class Block:
    """A model that was read: its place and its registers from ID on."""

    place: Place
    registers: Registers

    def raw(self, point: Point, base: int = 0) -> int | None:
        """Return the number as sent, None where it is not implemented."""
        return self._sent(base + point.at, point.kind)

    def _sent(self, at: int, kind: Kind) -> int | None:
        value = self.registers[at]
        if kind is Kind.BITFIELD32:
            value = value << 16 | self.registers[at + 1]
            return None if value >> 31 else value
        if value == kind.absent:
            return None
        bits = kind.bits
        return value - (1 << bits) if kind.is_signed and value >> (bits - 1) else value

    def value(self, point: Point, quantity: Quantity, base: int = 0) -> int | None:
        """Return the scaled value; None without value, or without its scale factor.

        Raises:
            DriverError: no battery can show this.
        """
        (value,) = self.values(point, quantity, (base,))
        return value

    def values(
        self,
        point: Point,
        quantity: Quantity,
        bases: Iterable[int],
        name: Callable[[int], str] | None = None,
    ) -> list[int | None]:
        """Return the scaled value of each repeat that begins at one of *bases*.

        *name* says what the value of a position in *bases* is called.

        Raises:
            DriverError: no battery can show this; the text names it.
        """
        scale: int | None = 0
        if point.scale_at is not None:
            scale = self._sent(point.scale_at, Kind.INT16)
        if scale is None or abs(scale) > LARGEST_SCALE:
            return [None for _ in bases]
        raws = [self._sent(base + point.at, point.kind) for base in bases]
        exponent = scale + quantity.places
        factor, low, high = 10 ** max(0, exponent), quantity.low, quantity.high
        found: list[int | None] = []
        for raw in raws:
            if raw is None:
                found.append(None)
                continue
            value = raw * factor if exponent >= 0 else scaled(raw, exponent)
            if not low <= value <= high:
                own = f"{self.place.model}.{point.name}"
                quantity.checked(value, own if name is None else name(len(found)))
            found.append(value)
        return found

    @property
    def groups(self) -> int:
        """Return how many repeats can be believed: the fewer of said and fitting."""
        said, fit = self.said, self.place.groups
        return fit if said is None else min(said, fit)

    @property
    def said(self) -> int | None:
        """Return how many repeats the model says it has."""
        return self._sent(LAYOUTS[self.place.model].count_at, Kind.UINT16)

    @property
    def bases(self) -> list[int]:
        """Return the offset of each repeat that can be believed."""
        layout = LAYOUTS[self.place.model]
        return [layout.fixed + i * layout.group for i in range(self.groups)]

    @property
    def doubt(self) -> str:
        """Return what is wrong with the number of repeats, in brackets, or nothing."""
        if self.said is None or self.said == self.place.groups:
            return ""
        return f" ({self.said} said, {self.place.groups} fit: {self.groups} taken)"


S, V, B = Kind.INT16, Kind.UINT16, Kind.BITFIELD32

B_SOC = Point("SoC", 11, V, 56)
B_HB = Point("Hb", 18)
B_STATE = Point("State", 22)
B_EVT = Point("Evt1", 26, B)
B_V = Point("V", 34, V, 59)
B_CELL_MAX = Point("CellVMax", 37, V, 60)
B_CELL_MIN = Point("CellVMin", 40, V, 60)
B_A = Point("A", 44, S, 61)
B_CHARGE_MAX = Point("AChaMax", 45, V, 62)
B_DISCHARGE_MAX = Point("ADisChaMax", 46, V, 62)

K_TMP_MAX = Point("ModTmpMax", 4, S, 23)
K_TMP_MIN = Point("ModTmpMin", 7, S, 23)
K_STR_A = Point("StrA", 6, S, 24)
K_STR_CELL_MAX = Point("StrCellVMax", 7, V, 22)
K_STR_CELL_MIN = Point("StrCellVMin", 9, V, 22)
K_STR_EVT = Point("StrEvt1", 20, B)

S_A = Point("A", 13, S, 41)
S_V = Point("V", 14, V, 42)
S_CELL_MAX = Point("CellVMax", 15, V, 43)
S_CELL_MIN = Point("CellVMin", 17, V, 43)
S_TMP_MAX = Point("ModTmpMax", 20, S, 44)
S_TMP_MIN = Point("ModTmpMin", 22, S, 44)
S_EVT = Point("Evt1", 28, B)

M_STRING = Point("StrIdx", 2)
M_MODULE = Point("ModIdx", 3)
M_TMP_MAX = Point("CellTmpMax", 16, S, 43)
M_TMP_MIN = Point("CellTmpMin", 18, S, 43)
M_CELL_V = Point("CellV", 0, V, 42)
M_CELL_TMP = Point("CellTmp", 1, S, 43)
