"""The trace format, read and written: CSV, one row a pack and time.

Header ``t_s,pack,current_a,soc_pct,cell_v_1..cell_v_N,temp_c_1..temp_c_M``. Current is
positive while charging. An empty field was not read. Times never go back.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.core.model import Sample

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

FIXED = ("t_s", "pack", "current_a", "soc_pct")
CELL = re.compile(r"cell_v_([1-9]\d*)")
LONGEST_SHOWN = 60
TEMP = re.compile(r"temp_c_([1-9]\d*)")


class TraceError(ValueError):
    """A trace that cannot be read; says where and why."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row: a whole sample, or why there is none."""

    at_ms: int
    pack: str
    sample: Sample | None
    missing: str = ""


@dataclass(frozen=True, slots=True)
class _Columns:
    """Positions of the values in a row; cells and temperatures in their order."""

    width: int
    cells: range
    temps: range


def read_trace(path: Path) -> Iterator[Row]:
    """Yield the rows of *path* in order.

    Raises:
        TraceError: no such file, a wrong header, a row of another width, a field that
            is no number, or a time before the last one; with file and line.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            yield from parse_trace(file, str(path))
    except UnicodeDecodeError as exc:
        raise TraceError(f"{path}:{_line_of_no_text(path)}: is not UTF-8") from exc
    except OSError as exc:
        raise TraceError(f"{path}: {exc}") from exc


def _line_of_no_text(path: Path) -> int:
    """Return the first line of *path* that is not UTF-8; the decoder knows none."""
    with path.open("rb") as file:
        for number, line in enumerate(file, start=1):
            try:
                line.decode()
            except UnicodeDecodeError:
                return number
    return 1


def parse_trace(lines: Iterable[str], name: str) -> Iterator[Row]:
    """Yield the rows of *lines*; *name* stands in errors.

    Raises:
        TraceError: as `read_trace`.
    """
    rows = csv.reader(lines)
    try:
        yield from _rows(rows, name)
    except csv.Error as exc:
        raise TraceError(f"{name}:{rows.line_num}: {exc}") from exc


def _rows(rows: Iterator[list[str]], name: str) -> Iterator[Row]:
    first = next(rows, None)
    if first is None:
        raise TraceError(f"{name}:1: the trace is empty")
    columns = _columns(first, name)
    sensors: dict[str, set[int]] = {}
    last_ms: int | None = None
    for number, fields in enumerate(rows, start=2):
        if not fields:
            continue
        try:
            row = _row(fields, columns, sensors)
        except ValueError as exc:
            raise TraceError(f"{name}:{number}: {exc}") from exc
        if last_ms is not None and row.at_ms < last_ms:
            back = f"t_s {fields[0][:LONGEST_SHOWN]} is before the row above"
            raise TraceError(f"{name}:{number}: {back}; times must not go back")
        last_ms = row.at_ms
        yield row


def header(cells: int, temps: int) -> str:
    """Return the first line of a trace, for so many cells and temperatures."""
    names = [
        *FIXED,
        *(f"cell_v_{i + 1}" for i in range(cells)),
        *(f"temp_c_{i + 1}" for i in range(temps)),
    ]
    return ",".join(names)


def written(at_ms: int, pack: str, sample: Sample, cells: int, temps: int) -> str:
    """Return the line of *sample* under ``header(cells, temps)``.

    Reading it gives the same sample, apart from what a trace has no column for.

    Raises:
        ValueError: the sample has more cells or temperatures than the header.
    """
    cells_v = [f"{mv / 1000:.3f}" for mv in sample.cells_mv]
    temps_c = [f"{dc / 10:.1f}" for dc in sample.temps_dc]
    if len(cells_v) > cells or len(temps_c) > temps:
        have = f"{len(cells_v)} cells and {len(temps_c)} temperatures"
        raise ValueError(f"{have} under a header of {cells} and {temps}")
    amps, soc = sample.current_ma, sample.soc_permille
    fields = [
        f"{at_ms / 1000:.3f}",
        pack,
        "" if amps is None else f"{amps / 1000:.3f}",
        "" if soc is None else f"{soc / 10:.1f}",
        *cells_v,
        *[""] * (cells - len(cells_v)),
        *temps_c,
        *[""] * (temps - len(temps_c)),
    ]
    return ",".join(fields)


def _columns(fields: list[str], name: str) -> _Columns:
    names = [field.strip() for field in fields]
    cells = sum(1 for field in names if CELL.fullmatch(field))
    temps = sum(1 for field in names if TEMP.fullmatch(field))
    wanted = header(cells, temps).split(",")
    if names != wanted:
        place = next(
            (i for i, (a, b) in enumerate(zip(names, wanted, strict=False)) if a != b),
            min(len(names), len(wanted)),
        )
        has = _shown(names[place]) if place < len(names) else "nothing"
        expected = wanted[place] if place < len(wanted) else "nothing more"
        raise TraceError(
            f"{name}:1: column {place + 1} is {has}, expected {expected}; a header is "
            "t_s,pack,current_a,soc_pct,cell_v_1..cell_v_N,temp_c_1..temp_c_M"
        )
    first = len(FIXED)
    return _Columns(
        len(names),
        range(first, first + cells),
        range(first + cells, first + cells + temps),
    )


def _row(fields: list[str], columns: _Columns, sensors: dict[str, set[int]]) -> Row:
    if len(fields) != columns.width:
        raise ValueError(f"{len(fields)} fields, expected {columns.width}")
    at_ms = round(_number(fields[0], "t_s") * 1000)
    pack = fields[1]
    missing = _missing(fields, columns, sensors.setdefault(pack, set()))
    if missing:
        return Row(at_ms, pack, None, missing)
    current_a, soc_pct = fields[2], fields[3]
    sample = Sample(
        cells_mv=tuple(
            [round(_number(fields[i], "cell") * 1000) for i in columns.cells]
        ),
        temps_dc=tuple(
            [round(_number(fields[i], "temp") * 10) for i in columns.temps if fields[i]]
        ),
        current_ma=round(_number(current_a, "current_a") * 1000) if current_a else None,
        soc_permille=round(_number(soc_pct, "soc_pct") * 10) if soc_pct else None,
    )
    return Row(at_ms, pack, sample)


def _missing(fields: list[str], columns: _Columns, sensors: set[int]) -> str:
    """Return what a row did not read: a cell, or a sensor that spoke before."""
    for i in columns.cells:
        if not fields[i]:
            if not any(fields[2:]):
                return "nothing was read"
            return f"cell {i - columns.cells.start + 1} was not read"
    for i in columns.temps:
        if fields[i]:
            sensors.add(i)
        elif i in sensors:
            return f"temperature {i - columns.temps.start + 1} was not read"
    return ""


def _number(field: str, what: str) -> float:
    try:
        value = float(field)
    except ValueError:
        raise ValueError(f"{what} {_shown(field)} is not a number") from None
    if not -1e12 < value < 1e12:  # noqa: PLR2004 also false for NaN
        raise ValueError(f"{what} {_shown(field)} is not a number")
    return value


def _shown(field: str) -> str:
    """Return a field for a message, not all of it where it is long."""
    return (
        repr(field) if len(field) <= LONGEST_SHOWN else f"{field[:LONGEST_SHOWN]!r}..."
    )
