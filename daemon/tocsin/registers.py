"""The words of a declarative Modbus register map. Pure data, no decisions."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tocsin.core.model import Flag


class RegisterType(StrEnum):
    """How the bits of a value are read."""

    U16 = "u16"
    S16 = "s16"
    U32 = "u32"
    S32 = "s32"
    F32 = "f32"
    BITS = "bits"  # one register of single bits

    @property
    def registers(self) -> int:
        """Return how many 16-bit registers one value takes."""
        return 1 if self in {self.U16, self.S16, self.BITS} else 2


class PointRole(StrEnum):
    """What a value is. Units after scaling: V, degC, A, %, none."""

    CELL = "cell"
    LOW_CELL = "low-cell"
    HIGH_CELL = "high-cell"
    TEMPERATURE = "temperature"
    CURRENT = "current"  # positive while charging, after scaling
    VOLTAGE = "voltage"
    SOC = "soc"
    CHARGE_LIMIT = "charge-limit"
    DISCHARGE_LIMIT = "discharge-limit"
    BEAT = "beat"
    FLAGS = "flags"
    CONSTANT = "constant"  # must equal `expect`: proves that an answer is ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One value, or a range of alike values such as cells 1 to 16.

    Attributes:
        function: 3 holding registers, 4 input registers.
        address: Of the first value, zero-based as on the wire.
        count: How many alike values.
        step: Registers from the start of one to the start of the next.
        big_words: Most significant register first.
        big_bytes: Most significant byte first inside a register.
        scale: Value in the role's unit = raw * scale + offset.
        absent: Raw values that mean "not implemented".
        low: Smallest believable value in the role's unit; None no bound.
        high: Largest believable value.
        bits: For flags, which bit sets which flag.
        active_low: A cleared bit sets the flag.
        expect: For constants, the raw value.
    """

    role: PointRole
    address: int
    function: int = 3
    type: RegisterType = RegisterType.U16
    count: int = 1
    step: int = 1
    big_words: bool = True
    big_bytes: bool = True
    scale: float = 1.0
    offset: float = 0.0
    absent: tuple[int, ...] = ()
    low: float | None = None
    high: float | None = None
    bits: tuple[tuple[int, Flag], ...] = ()
    active_low: bool = False
    expect: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterMap:
    """A device's map.

    Attributes:
        points: What to read.
        max_registers: Most registers in one request (125 by the protocol).
        max_gap: Unwanted registers worth reading to save a request; 0 none.
    """

    points: tuple[Point, ...]
    max_registers: int = 125
    max_gap: int = 8
