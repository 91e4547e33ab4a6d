"""Entry points: the sources of every pack that is read over Modbus."""

from __future__ import annotations

from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from tocsin.ports import DriverError
from tocsin.registers import RegisterMap
from tocsin_drivers.modbus.link import Line, Unit, line_of
from tocsin_drivers.modbus.registers_codec import MapReader
from tocsin_drivers.modbus.sunspec import SunSpecReader

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Mapping, Sequence
    from contextlib import AbstractAsyncContextManager
    from typing import TypeVar

    from tocsin.core.model import Sample
    from tocsin.ports import Source, Sources, SourceSpec
    from tocsin_drivers.modbus.dialogue import Dialogue, Reader

    T = TypeVar("T")

SIGNS = {"charge-positive": True, "discharge-positive": False}


def build_map(specs: Sequence[SourceSpec]) -> Sources:
    """Return packs read by a declared register map, ``options["map"]``.

    Raises:
        ValueError: a pack without a map or line; the site file should have said so.
    """
    return ModbusSources(specs, {spec.name: _map_reader(spec) for spec in specs})


def build_sunspec(specs: Sequence[SourceSpec]) -> Sources:
    """Return SunSpec batteries; options ``base`` (None: look) and ``current_sign``.

    Raises:
        ValueError: an unknown sign or no line; the site file should have said so.
    """
    return ModbusSources(specs, {spec.name: _sunspec_reader(spec) for spec in specs})


class ModbusSources:
    """Packs by name, each with its line and its reader."""

    def __init__(
        self, specs: Sequence[SourceSpec], readers: Mapping[str, Reader]
    ) -> None:
        self._packs: dict[str, tuple[SourceSpec, Line, Reader]] = {
            spec.name: (spec, line_of(spec), readers[spec.name]) for spec in specs
        }

    def open(self, name: str) -> AbstractAsyncContextManager[Source]:
        """Return a connection to pack *name*; see `tocsin.ports.Sources.open`."""
        return self._open(name)

    @asynccontextmanager
    async def _open(self, name: str) -> AsyncIterator[Source]:
        spec, line, reader = self._packs[name]
        async with line.join(spec) as unit:
            await hold(reader.opening(), unit)
            yield ModbusSource(unit, reader)


class ModbusSource:
    """One pack, connected."""

    def __init__(self, unit: Unit, reader: Reader) -> None:
        self._unit = unit
        self._reader = reader

    async def read(self) -> Sample:
        """Return the next whole sample; see `tocsin.ports.Source.read`."""
        return await hold(self._reader.reading(), self._unit)


async def hold(dialogue: Dialogue[T], unit: Unit) -> T:
    """Lead *dialogue* with *unit* to its end and return what it was for."""
    try:
        ask = next(dialogue)
        while True:
            try:
                registers = await unit.read(ask)
            except DriverError as exc:
                ask = dialogue.throw(exc)
            else:
                ask = dialogue.send(registers)
    except StopIteration as end:
        made: T = end.value
        return made
    finally:
        dialogue.close()


def _map_reader(spec: SourceSpec) -> Reader:
    register_map = spec.options.get("map")
    if not isinstance(register_map, RegisterMap):
        raise ValueError(f"pack {spec.name} has no register map")  # noqa: TRY004 a site's mistake, not a type's
    return MapReader(register_map, cells=spec.cells)


def _sunspec_reader(spec: SourceSpec) -> Reader:
    sign = spec.options.get("current_sign", "charge-positive")
    if sign not in SIGNS:
        raise ValueError(f"pack {spec.name} has no such current sign: {sign}")
    return SunSpecReader(
        cells=spec.cells,
        base=spec.options.get("base"),
        is_charge_positive=SIGNS[sign],
    )
