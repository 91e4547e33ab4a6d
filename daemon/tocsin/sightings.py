"""A look at a line: what is asked of drivers for it, and what it finds.

Nothing here is believed by the daemon: a person reads it and makes a site file of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.ports import CanLine, SerialLine, TcpLine


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """Something that a ``[[pack]]`` table can stand for.

    Attributes:
        driver: Name of the source that reads it.
        name: What a pack of it may be called; safe in a site file.
        title: What it calls itself, in one line.
        told: What else is known of it, a label and a text each.
        unit: Modbus unit identifier.
        instance: RV-C DC instance; None where there is none.
        battery: RV-C battery instance in it; None for the whole DC source.
        cells: Series cells, counted; None where nobody says.
        capacity_ah: Nameplate; None where nobody says.
        voltage_v: Now; None where it was not read.
        trouble: Why no whole reading could be made of it; empty if one was.
        aside: Why it should not be a pack of the bank; mostly empty.
    """

    driver: str
    name: str
    title: str
    told: tuple[tuple[str, str], ...] = ()
    unit: int = 1
    instance: int | None = None
    battery: int | None = None
    cells: int | None = None
    capacity_ah: float | None = None
    voltage_v: float | None = None
    trouble: str = ""
    aside: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A Modbus unit that answers, and is no battery that is known."""

    unit: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Identifier:
    """One identifier that was heard on a CAN bus.

    Attributes:
        frames: How many came.
        rate_hz: Frames a second; None for less than two.
        lengths: Every payload length that came, in bytes.
        pattern: Bytes of the longest payload in hex, ``**`` where they changed.
        known: What message it is known to be; empty for unknown.
        hint: What an unknown identifier may be; mostly empty.
        described: What a DBC file says of it; empty without one.
    """

    can_id: int
    is_extended: bool
    frames: int
    rate_hz: float | None
    lengths: tuple[int, ...]
    pattern: str
    known: str = ""
    hint: str = ""
    described: str = ""

    @property
    def is_unknown(self) -> bool:
        """Return whether nobody says what it is."""
        return not (self.known or self.described)

    @property
    def written(self) -> str:
        """Return the identifier as people write it, 3 or 8 digits."""
        return f"{self.can_id:08X}" if self.is_extended else f"{self.can_id:03X}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What was found on one line.

    Attributes:
        place: The line in one word, such as ``socketcan:can0``.
        extent: How far the look has come.
        trouble: What is wrong with the line; mostly empty.
        dropped: Frames of identifiers that came when no more were kept.
        missing: Messages of a DBC file that never came.
    """

    place: str
    line: TcpLine | SerialLine | CanLine
    extent: str
    trouble: str = ""
    batteries: tuple[Battery, ...] = ()
    answers: tuple[Answer, ...] = ()
    identifiers: tuple[Identifier, ...] = ()
    dropped: int = 0
    missing: tuple[str, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Return whether nothing at all answered or was heard."""
        return not (self.batteries or self.answers or self.identifiers)


def rate_words(rate_hz: float | None) -> str:
    """Return a rate for people: so often a second, or every so many seconds."""
    if rate_hz is None:
        return "once"
    return f"{rate_hz:.1f}/s" if rate_hz >= 1 else f"every {1 / rate_hz:.1f} s"


LAST_UNIT = 247
"""Of the units on a serial line: Modbus over Serial Line V1.02, section 2.2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanSpec:
    """A line to look at.

    Attributes:
        units: Modbus units to ask, in this order.
        timeout_ms: How long one of them may take.
    """

    line: TcpLine | SerialLine | CanLine
    units: Sequence[int] = range(1, LAST_UNIT + 1)
    timeout_ms: int = 500


class Scanner(Protocol):
    """A look at one line. It never writes, but for the requests of Modbus reads."""

    def found(self) -> Found:
        """Return what was found up to now; at any time, also after the end."""
        ...

    async def run(self) -> None:
        """Look until all is seen, or until cancelled; a bad line is in `found`."""
        ...


class BuildScanner(Protocol):
    """What an entry point of the group ``tocsin.scanners`` names."""

    def __call__(self, spec: ScanSpec) -> Scanner:
        """Return a look at the line, not yet begun."""
        ...
