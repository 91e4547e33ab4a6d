"""Finds, walks and reads a SunSpec battery: models 1 and 802 to 805. Pure.

Source of the procedure: SunSpec Device Information Model Specification V1.1: the
marker "SunS", then models one behind the other, each with its ID and its length L,
then the end model 0xFFFF, whose L some devices leave out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.ports import DriverError
from tocsin_drivers.modbus.dialogue import Ask, Dialogue, Meaning, Registers, ReplyError
from tocsin_drivers.modbus.sunspec_models import (
    BANK,
    BATTERY,
    COMMON,
    HEADER,
    LAYOUTS,
    Block,
    Place,
)
from tocsin_drivers.modbus.sunspec_sample import to_sample

if TYPE_CHECKING:
    from tocsin.core.model import Sample

MARKER = (0x5375, 0x6E53)
BASES = (40_000, 50_000, 0)
END = 0xFFFF
MOST_MODELS = 512
"""A chain longer than this is taken for garbage."""

LAST_ADDRESS = 0xFFFF
COMMON_READ = 66
"""Header and Mn to SN; the last is the serial number, at 50 to 65."""

SAID = (
    "cells_mv",
    "low_cell_mv",
    "high_cell_mv",
    "temps_dc",
    "current_ma",
    "voltage_mv",
    "soc_permille",
    "charge_limit_ma",
    "discharge_limit_ma",
    "beat",
)
"""What a pack that has once said it must go on saying."""


class MovedError(DriverError):
    """A model is not where it was."""


@dataclass(frozen=True, slots=True)
class Survey:
    """What a walk found.

    Attributes:
        places: Every model of the chain, in its order.
        common: Registers of model 1: maker, model, version, serial number.
    """

    places: tuple[Place, ...]
    common: Registers


class SunSpecReader:
    """Reads one battery; see `tocsin_drivers.modbus.dialogue.Reader`.

    Args:
        cells: Series cells of the pack. A battery of several strings in parallel has
            a multiple of them, in order of string, module and cell.
        base: Where the marker stands; None to look at 40000, 50000 and 0.
        is_charge_positive: Whether the device counts charge current as positive. The
            models leave the sign open ("to/from the battery"), so a person must say.
    """

    def __init__(
        self, *, cells: int, base: int | None = None, is_charge_positive: bool = True
    ) -> None:
        self._cells = cells
        self._bases = BASES if base is None else (base,)
        self._is_charge_positive = is_charge_positive
        self._survey: Survey | None = None
        self._said: dict[str, int] = {}

    def opening(self) -> Dialogue[None]:
        """Walk the chain, or see that it is still the one that was walked.

        Raises:
            DriverError: no SunSpec battery answers.
        """
        if self._survey is not None:
            try:
                common = yield from _common(self._survey.places[0])
            except MovedError:
                common = ()
            if common == self._survey.common:
                return
        yield from self._walk_anew()

    def reading(self) -> Dialogue[Sample]:
        """Read every battery model of the chain, walking it again if it moved.

        Raises:
            DriverError: a value is missing, impossible, or no longer said.
        """
        survey = self._survey or (yield from self._walk_anew())
        try:
            blocks = yield from battery_blocks(survey)
        except MovedError:
            self._survey = None
            survey = yield from self._walk_anew()
            blocks = yield from battery_blocks(survey)
        sample = to_sample(
            blocks, cells=self._cells, is_charge_positive=self._is_charge_positive
        )
        self._hold_to_word(sample)
        return sample

    def _walk_anew(self) -> Dialogue[Survey]:
        survey = yield from surveyed(self._bases)
        _battery_places(survey)
        if survey != self._survey:
            self._said = {}
        self._survey = survey
        return survey

    def _hold_to_word(self, sample: Sample) -> None:
        """Raise if a value that this very device has said before is gone."""
        now = {name: _amount(getattr(sample, name)) for name in SAID}
        for name, before in self._said.items():
            if now[name] < before:
                text = f"{name}: {before} said before, {now[name]} now"
                raise DriverError(f"{text}; not implemented any more")
        self._said = now


def surveyed(bases: tuple[int, ...] = BASES) -> Dialogue[Survey]:
    """Return the chain of models, and who the device says it is.

    Raises:
        DriverError: no marker, or the chain is broken.
    """
    places = yield from walk(bases)
    common = yield from _common(places[0])
    return Survey(places, common)


def walk(bases: tuple[int, ...]) -> Dialogue[tuple[Place, ...]]:
    """Return every model of the chain.

    Raises:
        DriverError: no marker, or the chain is broken.
    """
    base = yield from _marker(bases)
    address = base + HEADER
    places: list[Place] = []
    while True:
        (model,) = yield Ask(address, 1)  # alone: the end model may have no L
        if model == END:
            break
        header = yield Ask(address, HEADER)
        if header[0] != model:
            raise MovedError(f"model {model} at {address} became {header[0]}")
        place = Place(address, model, header[1])
        if not places and model != COMMON:
            raise DriverError(f"the first model is {model}, not 1: no SunSpec map")
        places.append(place)
        address += HEADER + place.length
        if address > LAST_ADDRESS or len(places) > MOST_MODELS:
            raise DriverError(f"the chain of models has no end ({len(places)} models)")
    if not places:
        raise DriverError("the chain of models is empty")
    return tuple(places)


def _marker(bases: tuple[int, ...]) -> Dialogue[int]:
    seen: list[str] = []
    for base in bases:
        try:
            registers = yield Ask(base, HEADER)
        except ReplyError as exc:
            if exc.meaning is not Meaning.CONFIGURATION:
                raise
            seen.append(f"{base}: exception {exc.code:02X}")
            continue
        if registers == MARKER:
            return base
        seen.append(f"{base}: {registers[0]:04X} {registers[1]:04X}")
    raise DriverError(f"no SunS marker ({'; '.join(seen)})")


def _battery_places(survey: Survey) -> tuple[Place, ...]:
    found = tuple(place for place in survey.places if place.model in LAYOUTS)
    models = [place.model for place in found]
    if not found:
        others = ", ".join(str(place.model) for place in survey.places)
        raise DriverError(f"no battery model (802 to 805) among {others}")
    for model in (BATTERY, BANK):
        if models.count(model) > 1:
            raise DriverError(f"{models.count(model)} models {model} in one unit")
    return found


def _common(place: Place) -> Dialogue[Registers]:
    count = min(COMMON_READ, place.length + HEADER)
    registers = yield Ask(place.address, count)
    _same_header(place, registers)
    return registers


def battery_blocks(survey: Survey) -> Dialogue[tuple[Block, ...]]:
    """Return every battery model of the chain, read once.

    Raises:
        MovedError: a model is not where it was.
        DriverError: there is none, or one cannot be read.
    """
    blocks: list[Block] = []
    for place in _battery_places(survey):
        registers: Registers = ()
        for offset, count in place.reads():
            part = yield Ask(place.address + offset, count)
            if not registers:
                _same_header(place, part)
            registers += part
        blocks.append(Block(place, registers))
    return tuple(blocks)


def _same_header(place: Place, registers: Registers) -> None:
    if registers[:HEADER] != (place.model, place.length):
        found = f"{registers[0]} with length {registers[1]}"
        text = f"model {place.model} with length {place.length} at {place.address}"
        raise MovedError(f"{text} is now {found}")


def _amount(value: object) -> int:
    if isinstance(value, tuple):
        return len(value)
    return 0 if value is None else 1
