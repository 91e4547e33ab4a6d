"""Entry point: a look at a Modbus line. It asks by reads of registers alone."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.ports import CanLine, DriverError, SourceSpec
from tocsin.sightings import Answer, Battery, Found
from tocsin_drivers.modbus.dialogue import Ask, Meaning, ReplyError
from tocsin_drivers.modbus.link import Line, LostError, Unit
from tocsin_drivers.modbus.sources import hold
from tocsin_drivers.modbus.sunspec import BASES, MARKER, battery_blocks, surveyed
from tocsin_drivers.modbus.sunspec_facts import described

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.sightings import ScanSpec

KNOCK = Ask(BASES[0], len(MARKER))
"""What every unit is asked first: who is there refuses it or answers."""


def build(spec: ScanSpec) -> ModbusScanner:
    """Return a look at the Modbus line of *spec*; see `tocsin.sightings.BuildScanner`.

    Raises:
        ValueError: it has no Modbus line.
    """
    return ModbusScanner(spec)


class ModbusScanner:
    """Asks one unit after the other; see `tocsin.sightings.Scanner`."""

    def __init__(self, spec: ScanSpec) -> None:
        if isinstance(spec.line, CanLine):
            raise ValueError(f"{spec.line} is no Modbus line")  # noqa: TRY004 a wrong argument
        self._where = spec.line
        self._units = spec.units
        self._timeout_ms = spec.timeout_ms
        self._line = Line(spec.line)
        self._asked = 0
        self._trouble = ""
        self._batteries: list[Battery] = []
        self._answers: list[Answer] = []

    async def run(self) -> None:
        """Ask every unit once."""
        first = SourceSpec(
            name="scan",
            driver="scan",
            cells=1,
            line=self._where,
            unit=self._units[0],
            timeout_ms=self._timeout_ms,
        )
        self._line.admit(first)
        try:
            async with self._line.join(first):
                for unit in self._units:
                    await self._ask(unit)
                    self._asked += 1
        except LostError as exc:
            self._trouble = str(exc)

    async def _ask(self, number: int) -> None:
        """Ask one unit who it is.

        Raises:
            LostError: the line itself cannot be opened any more.
        """
        try:
            await self._line.take(number, KNOCK)
        except ReplyError as exc:
            if exc.meaning is Meaning.LOST and exc.code in GATEWAY:
                return  # a gateway says that nobody is there
        except LostError:
            await self._line.take(number, None)  # or is there no line?
            return
        unit = Unit(self._line, number, retries=1)
        try:
            survey = await hold(surveyed(), unit)
            blocks = await hold(battery_blocks(survey), unit)
        except DriverError as exc:
            self._answers.append(Answer(unit=number, why=str(exc)))
            return
        battery = described(survey, blocks, number)
        self._batteries.append(_set_aside(battery, self._batteries))

    def found(self) -> Found:
        """Return who answered; see `tocsin.sightings.Scanner.found`."""
        total, asked = len(self._units), self._asked
        first, last = self._units[0], self._units[-1]
        extent = f"asked units {first} to {last}"
        if asked < total:
            extent = f"asked {asked} of {total} units"
            extent += f", up to {self._units[asked - 1]}" if asked else ""
        return Found(
            place=str(self._line),
            line=self._where,
            extent=extent,
            trouble=self._trouble,
            batteries=tuple(self._batteries),
            answers=tuple(self._answers),
        )


GATEWAY = frozenset({0x0A, 0x0B})
"""Exceptions of a gateway that reaches nobody: Modbus Application Protocol V1.1b3,
section 7."""


def _set_aside(battery: Battery, before: Sequence[Battery]) -> Battery:
    """Return *battery*, set aside if it is one of *before* under another unit."""
    for other in before:
        is_same = battery.name == other.name or battery.told == other.told
        if battery.title == other.title and is_same:
            aside = f"unit {other.unit} once more, by all that it says of itself"
            return replace(battery, aside=aside)
    return battery
