"""What a SunSpec battery says of itself, for a person who looks at a line. Pure."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING

from tocsin.ports import DriverError
from tocsin.sightings import Battery
from tocsin_drivers.modbus import sunspec_models as m
from tocsin_drivers.modbus.sunspec_sample import to_sample
from tocsin_drivers.quantities import Quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.model import Sample
    from tocsin_drivers.modbus.dialogue import Registers
    from tocsin_drivers.modbus.sunspec import Survey
    from tocsin_drivers.modbus.sunspec_models import Block

# Strings of model 1, offset and registers: SunSpec Alliance, ``model_1.json``.
MAKER, MODEL, VERSION, SERIAL = (2, 16), (18, 16), (42, 8), (50, 16)

NAMEPLATE = Quantity("Ah", 1, 0, 1_000_000)
RATED_AH = m.Point("AHRtg", 2, m.Kind.UINT16, 52)
"""Of model 802."""

NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9_-]+")
LONGEST_NAME = 64


def text_of(registers: Registers, place: tuple[int, int]) -> str:
    """Return a string of model 1; empty where the device has none.

    Bytes that cannot be printed become blanks: they come from the wire.
    """
    start, count = place
    raw = b"".join(r.to_bytes(2) for r in registers[start : start + count])
    text = raw.partition(b"\0")[0].decode("ascii", "replace")
    return "".join(c if c.isascii() and c.isprintable() else " " for c in text).strip()


def described(survey: Survey, blocks: Sequence[Block], unit: int) -> Battery:
    """Return what is known of a battery; its trouble says why it cannot be read."""
    cells, trouble = _cells_in_series(blocks)
    sample: Sample | None = None
    try:
        sample = to_sample(blocks, cells=cells or 1, is_charge_positive=True)
    except DriverError as exc:
        trouble = trouble or str(exc)
    serial = text_of(survey.common, SERIAL)
    volts = None if sample is None else sample.voltage_mv
    return Battery(
        driver="sunspec",
        name=_name(serial) or f"unit-{unit}",
        title=_title(survey, serial),
        told=(*_models(survey, blocks, cells), *_values(sample)),
        unit=unit,
        cells=cells,
        capacity_ah=_capacity_ah(blocks),
        voltage_v=None if volts is None else volts / 1000,
        trouble=trouble,
    )


def _name(serial: str) -> str:
    """Return a pack's name after its serial number; none for a mere filler."""
    name = NOT_IN_NAMES.sub("-", serial).strip("-")[:LONGEST_NAME]
    return name if len(set(name)) > 1 else ""


def _title(survey: Survey, serial: str) -> str:
    words = [text_of(survey.common, place) for place in (MAKER, MODEL)]
    title = " ".join(word for word in words if word) or "a SunSpec device without name"
    version = text_of(survey.common, VERSION)
    title += f", version {version}" if version else ""
    return title + (f", serial number {serial}" if serial else "")


def _cells_in_series(blocks: Sequence[Block]) -> tuple[int | None, str]:
    """Return the cells of one string, None where nobody counts them; what is odd."""
    strings = Counter[int | None]()
    for block in blocks:
        if block.place.model == m.MODULE:
            strings[block.raw(m.M_STRING)] += block.groups
    sizes = sorted(set(strings.values()))
    if len(sizes) > 1:
        return None, f"strings of {' and '.join(map(str, sizes))} cells"
    return (sizes[0] or None, "") if sizes else (None, "")


def _strings(blocks: Sequence[Block]) -> int | None:
    """Return how many strings it has, after the first model that knows."""
    models = Counter(block.place.model for block in blocks)
    if models[m.STRING]:
        return models[m.STRING]
    banks = [block.groups for block in blocks if block.place.model == m.BANK]
    return banks[0] if banks else None


def _models(
    survey: Survey, blocks: Sequence[Block], cells: int | None
) -> tuple[tuple[str, str], ...]:
    models = ", ".join(str(place.model) for place in survey.places)
    strings = _strings(blocks)
    modules = sum(block.place.model == m.MODULE for block in blocks)
    counts = [] if strings is None else [_many(strings, "string")]
    counts += [_many(modules, "module with single cells")] if modules else []
    counts.append(f"{cells} cells in series" if cells else "cells are not counted")
    capacity_ah = _capacity_ah(blocks)
    counts += [] if capacity_ah is None else [f"{capacity_ah:g} Ah"]
    base = survey.places[0].address - m.HEADER
    return (
        ("models", f"{models}, from register {base} on"),
        ("has", ", ".join(counts)),
    )


def _many(count: int, what: str) -> str:
    head, _, tail = what.partition(" ")
    return f"{count} {head}{'' if count == 1 else 's'}{' ' + tail if tail else ''}"


def _capacity_ah(blocks: Sequence[Block]) -> float | None:
    for block in blocks:
        if block.place.model == m.BATTERY:
            try:
                tenths = block.value(RATED_AH, NAMEPLATE)
            except DriverError:
                return None
            return tenths / 10 if tenths else None
    return None


def _values(sample: Sample | None) -> tuple[tuple[str, str], ...]:
    if sample is None:
        return ()
    said = []
    if sample.voltage_mv is not None:
        said.append(f"{sample.voltage_mv / 1000:.2f} V")
    if sample.current_ma is not None:
        said.append(f"{sample.current_ma / 1000:+.1f} A")
    if sample.soc_permille is not None:
        said.append(f"{sample.soc_permille / 10:.0f} % charged")
    lows = (sample.low_cell_mv, *sample.cells_mv)
    highs = (sample.high_cell_mv, *sample.cells_mv)
    low = min((mv for mv in lows if mv is not None), default=None)
    high = max((mv for mv in highs if mv is not None), default=None)
    if low is not None and high is not None:
        said.append(f"cells {low / 1000:.3f} to {high / 1000:.3f} V")
    if sample.temps_dc:
        low_c, high_c = min(sample.temps_dc) / 10, max(sample.temps_dc) / 10
        said.append(f"{low_c:.1f} to {high_c:.1f} degC")
    flags = ", ".join(sorted(flag.value for flag in sample.flags)) or "none"
    return (("now", ", ".join(said)), ("flags", flags))
