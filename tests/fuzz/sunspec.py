"""SunSpec: devices of random registers, walked, read and described."""

from __future__ import annotations

import re
from contextlib import contextmanager
from random import Random
from typing import TYPE_CHECKING

from tests.fuzz.campaign import Target, WrongError
from tests.fuzz.modbus import (
    EDGES,
    UNIT,
    WORDS,
    by_registers,
    bytes_of,
    registers_of,
)
from tests.fuzz.physical import judged

from modbus_device import battery, common, extremes, image, lead, module
from tocsin.ports import DriverError
from tocsin_drivers.modbus.sunspec import SunSpecReader, battery_blocks, surveyed
from tocsin_drivers.modbus.sunspec_facts import described

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.fuzz.campaign import Look

CELLS = 4
BASE = 40_000
NO_CELLS, SECOND, NEGATIVE = 1, 2, 4
"""Bits of the first byte: a source beside the packs; a device that changed since."""


def sunspec_corpus() -> list[bytes]:
    """Return devices of every model that is read, behind a byte of how to read them."""
    cells = tuple(range(3_300, 3_300 + CELLS))
    devices = [
        [common(), battery(), module(cells)],
        [common(), battery(), module(cells[:2]), module(cells[2:], place=2)],
        [common(), *(module(cells, string=n) for n in (1, 2)), battery(State=1)],
        *([common(), battery(), *extremes(number)] for number in (804, 803)),
        [common(), *extremes(802)],
    ]
    flat = [bytes_of(tuple(image(models).values())) for models in devices]
    made = [bytes((SECOND * (i % 2),)) + each for i, each in enumerate(flat)]
    return [*made, bytes((NO_CELLS | NEGATIVE,)) + flat[0]]


@contextmanager
def opened_sunspec() -> Iterator[Look]:
    """Walk and read the device, twice if asked to; then describe it as a scan does."""

    def look(data: bytes) -> str:
        how = data[0] if data else 0
        whole = registers_of(data[1:])
        registers = {BASE + i: word for i, word in enumerate(whole)}
        reader = SunSpecReader(
            cells=None if how & NO_CELLS else CELLS,
            is_charge_positive=not how & NEGATIVE,
        )
        try:
            _described(registers)
            lead(reader.opening(), registers)
            sample = lead(reader.reading(), registers)
            judged(sample, CELLS)
            if how & SECOND:
                _later(registers, how, len(whole))
                lead(reader.opening(), registers)
                judged(lead(reader.reading(), registers), CELLS)
        except DriverError as exc:
            return str(exc)
        return ""

    yield look


def _described(registers: dict[int, int]) -> None:
    try:
        survey = lead(surveyed(), registers)
        blocks = lead(battery_blocks(survey), registers)
    except DriverError:
        return
    found = described(survey, blocks, UNIT)
    told = f"{found.title}{found.name}{found.told}"
    if not told.isprintable():
        raise WrongError(f"not to be printed: {told!r}")


def _later(registers: dict[int, int], how: int, size: int) -> None:
    """Change a few registers, as of a device that was changed meanwhile."""
    chance = Random(how * WORDS + size)
    for _ in range(1 + how % 3):
        at = BASE + chance.randrange(size)
        registers[at] = chance.choice(EDGES)


TARGETS = (
    Target(
        name="sunspec",
        what="a device of random registers: the chain of models, a reading, a scan",
        corpus=sunspec_corpus,
        mutated=by_registers,
        opened=opened_sunspec,
        says=re.compile(r"(?s).*(\d|cell|model|chain|marker).*"),
    ),
)
