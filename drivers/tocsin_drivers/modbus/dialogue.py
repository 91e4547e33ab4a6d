"""What a reader asks of a device and what it may hear. Pure.

A dialogue is a generator: it yields one `Ask` at a time, is sent the registers, or has
the failure thrown in, and returns what it was for.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Protocol, TypeAlias, TypeVar

from tocsin.ports import DriverError

if TYPE_CHECKING:
    from tocsin.core.model import Sample

HOLDING = 3
INPUT = 4

MOST_REGISTERS = 125
"""Of one read: Modbus Application Protocol V1.1b3, sections 6.3 and 6.4."""

T = TypeVar("T")

Registers: TypeAlias = tuple[int, ...]
"""Unsigned 16-bit values in the order of their addresses."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One read: *count* registers from *address*, zero-based as on the wire."""

    address: int
    count: int
    function: int = HOLDING

    @property
    def end(self) -> int:
        """Return the first address behind the last register."""
        return self.address + self.count

    def __str__(self) -> str:
        last = self.end - 1
        return f"registers 0x{self.address:04X} to 0x{last:04X}"


Dialogue: TypeAlias = Generator[Ask, Registers, T]


class Meaning(Enum):
    """What follows from an exception reply."""

    CONFIGURATION = "we ask for what the device does not have"
    BUSY = "later"
    LOST = "as good as no answer"


# Modbus Application Protocol V1.1b3, section 7, which has no code 07; its name is
# from memory.
_EXCEPTIONS = {
    0x01: ("illegal function", Meaning.CONFIGURATION),
    0x02: ("illegal data address", Meaning.CONFIGURATION),
    0x03: ("illegal data value", Meaning.CONFIGURATION),
    0x04: ("server device failure", Meaning.LOST),
    0x05: ("acknowledge, still working on it", Meaning.BUSY),
    0x06: ("server device busy", Meaning.BUSY),
    0x07: ("negative acknowledge", Meaning.LOST),
    0x08: ("memory parity error", Meaning.LOST),
    0x0A: ("gateway path unavailable", Meaning.LOST),
    0x0B: ("gateway target device failed to respond", Meaning.LOST),
}


class ReplyError(DriverError):
    """The device answered with an exception reply."""

    def __init__(self, code: int, ask: Ask) -> None:
        words, self.meaning = _EXCEPTIONS.get(code, ("unknown code", Meaning.LOST))
        self.code = code
        text = f"{ask}: exception {code:02X}, {words}"
        if self.meaning is Meaning.CONFIGURATION:
            text += "; the settings do not fit this device"
        super().__init__(text)


class Reader(Protocol):
    """One pack's side of the talk; lives as long as the daemon."""

    def opening(self) -> Dialogue[None]:
        """Find out whether the right device answers.

        Raises:
            DriverError: it does not, with the reason.
        """
        ...

    def reading(self) -> Dialogue[Sample]:
        """Read one whole sample.

        Raises:
            DriverError: a value is missing or cannot be true; the text names it.
        """
        ...
