"""Register maps: from what people write to what the driver reads by."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tocsin.core.model import Flag
from tocsin.registers import Point, PointRole, RegisterMap, RegisterType
from tocsin_config.document import Document, read
from tocsin_config.fields import whole
from tocsin_config.findings import Findings
from tocsin_config.map_models import RANGE, MapTable, PointTable
from tocsin_config.problems import Key, Problem, suggestion
from tocsin_config.validate import validate

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

MANY = frozenset({PointRole.CELL, PointRole.TEMPERATURE})
LAST_REGISTER = 65_535
BITS_A_REGISTER = 16


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a source must read.

    Attributes:
        cells: So many; None where that is not known.
        roles: Only these instead, of a source beside the packs' own.
    """

    cells: int | None = None
    roles: frozenset[PointRole] = frozenset()


def read_map_file(
    file: Path, wanted: Wanted
) -> tuple[bytes, RegisterMap | None, list[Problem]]:
    """Return the bytes of a map's own file, the map, and what is wrong with it."""
    raw, document, problems = read(file)
    if not raw and problems:
        return raw, None, problems
    made, found = build_map(document.data, document, (), wanted)
    return raw, made, [*problems, *found]


def build_map(
    data: Mapping[str, Any], document: Document, at: Key, wanted: Wanted
) -> tuple[RegisterMap | None, list[Problem]]:
    """Return the map that stands at *at*, and what is wrong with it."""
    valid = validate(MapTable, data, document, at)
    findings = Findings(document=document)
    findings.problems += valid.problems
    if valid.model is None or valid.broken or document.mangled:
        return None, findings.problems
    points: list[Point] = []
    next_cell = 1
    for i, table in enumerate(valid.model.point):
        path = (*at, "point", i)
        point = _point(table, path, findings)
        if point is None:
            continue
        next_cell = _in_order(table, point, next_cell, path, findings)
        if point.type.registers > valid.model.max_registers:
            few = (*at, "max_registers")
            findings.tell(few, "one value takes more", str(point.type.registers))
        points.append(point)
    if not findings.problems:
        mapped = sum(p.count for p in points if p.role is PointRole.CELL)
        roles = {point.role for point in points}
        reads_enough(mapped, roles, wanted, (*at, "point"), findings)
    if findings.problems:
        return None, findings.problems
    made = RegisterMap(
        points=tuple(points),
        max_registers=valid.model.max_registers,
        max_gap=valid.model.max_gap,
    )
    return made, []


def _point(table: PointTable, path: Key, findings: Findings) -> Point | None:
    before = len(findings.problems)
    role, address, count, step = _place(table, path, findings)
    if role is None or address is None:
        return None
    last = address + (count - 1) * step + table.type.registers - 1
    if last > LAST_REGISTER:
        findings.tell(path, f"ends at register {last}", f"{LAST_REGISTER} at most")
    if count > 1 and step < table.type.registers:
        wrong = f"a {table.type} takes {table.type.registers} registers"
        findings.tell((*path, "step"), wrong, f"a step of {table.type.registers}")
    if count > 1 and role not in MANY:
        findings.tell((*path, "count"), f"{role} is one value", "1")
    if table.scale == 0:
        findings.tell((*path, "scale"), "makes every value 0", "a factor, as 0.001")
    if table.low is not None and table.high is not None and table.low >= table.high:
        findings.tell((*path, "low"), "is not below `high`", "low below high")
    _special(table, role, path, findings)
    bits = flag_bits(
        table.bits, table.type.registers * BITS_A_REGISTER - 1, path, findings
    )
    if len(findings.problems) > before:
        return None
    return Point(
        role=role,
        address=address,
        function=table.function,
        type=table.type,
        count=count,
        step=step,
        big_words=table.word_order == "big",
        big_bytes=table.byte_order == "big",
        scale=table.scale,
        offset=table.offset,
        absent=table.absent,
        low=table.low,
        high=table.high,
        bits=bits,
        active_low=table.active_low,
        expect=table.expect,
    )


def _place(
    table: PointTable, path: Key, findings: Findings
) -> tuple[PointRole | None, int | None, int, int]:
    """Return role, address, count and step, from either way of writing them."""
    if table.cells is None:
        for key in ("role", "address"):
            if getattr(table, key) is None:
                right = "a role" if key == "role" else "a register, such as 0x1000"
                findings.tell((*path, key), "is missing", right)
        step = table.step or table.type.registers
        return table.role, table.address, table.count or 1, step
    for key in ("address", "count", "step"):
        if getattr(table, key) is not None:
            findings.tell((*path, key), "is said by `cells` already", "one of them")
    if table.role not in {None, PointRole.CELL}:
        findings.tell((*path, "role"), "`cells` are cells", 'role = "cell"')
    found = re.match(RANGE, table.cells)
    if found is None:  # the model has looked already
        return None, None, 1, 1
    first, last = int(found[1]), int(found[2])
    address, step = whole(found[3]), int(found[4] or table.type.registers)
    if not 1 <= first <= last or step < 1:
        right = 'such as "1..16 at 0x1000 step 1"'
        findings.tell((*path, "cells"), "is no range", right)
        return None, None, 1, 1
    return PointRole.CELL, address, last - first + 1, step


def _in_order(
    table: PointTable, point: Point, next_cell: int, path: Key, findings: Findings
) -> int:
    """Return the number of the next cell; a range must go on where the last ended."""
    if point.role is not PointRole.CELL:
        return next_cell
    first = int(table.cells.split("..")[0]) if table.cells else next_cell
    if first != next_cell:
        wrong = f"begins at cell {first}"
        findings.tell((*path, "cells"), wrong, f"cell {next_cell} comes next")
    return next_cell + point.count


def _special(table: PointTable, role: PointRole, path: Key, findings: Findings) -> None:
    if role is PointRole.FLAGS and not table.bits:
        right = 'a table such as { "low-voltage-trip" = 0 }'
        findings.tell((*path, "bits"), "is missing", right)
    if role is not PointRole.FLAGS and table.bits is not None:
        findings.tell((*path, "bits"), f"is not for a {role}", 'role = "flags"')
    if role is PointRole.CONSTANT and table.expect is None:
        findings.tell((*path, "expect"), "is missing", "the raw value it must have")
    if role is not PointRole.CONSTANT and table.expect is not None:
        findings.tell((*path, "expect"), f"is not for a {role}", 'role = "constant"')
    if role is not PointRole.FLAGS and table.type is RegisterType.BITS:
        findings.tell((*path, "type"), "single bits are flags", 'role = "flags"')
    if role is PointRole.FLAGS and table.type is RegisterType.F32:
        findings.tell((*path, "type"), "a fraction has no flags", 'type = "bits"')


def flag_bits(
    table: Mapping[str, int] | None, most: int, path: Key, findings: Findings
) -> tuple[tuple[int, Flag], ...]:
    """Return (bit, flag) pairs of a `bits` table at *path*; bit *most* is the last."""
    flags = {flag.value: flag for flag in Flag}
    bits: list[tuple[int, Flag]] = []
    for name, bit in (table or {}).items():
        if name not in flags:
            right = suggestion(name, flags)
            findings.tell((*path, "bits", name), "unknown flag", right)
        elif not 0 <= bit <= most:
            findings.tell((*path, "bits", name), f"no bit {bit}", f"0 to {most}")
        else:
            bits.append((bit, flags[name]))
    return tuple(bits)


def reads_enough(
    mapped: int, roles: set[PointRole], wanted: Wanted, path: Key, findings: Findings
) -> None:
    """Tell a source at *path* that does not read what it is there for.

    A pack's reads cells, as many as there are, or their extremes.
    """
    if wanted.roles:
        for role in sorted(wanted.roles - roles):
            findings.tell(path, f"reads no {role}", f'a value of role "{role}"')
        return
    extremes = {PointRole.LOW_CELL, PointRole.HIGH_CELL} <= roles
    if mapped == 0 and not extremes:
        right = 'a value of role "cell", or both "low-cell" and "high-cell"'
        findings.tell(path, "reads no cell", right)
    elif mapped and wanted.cells not in {None, mapped}:
        wrong = f"reads {mapped} cells"
        right = f"{wanted.cells}, as cells_in_series under [bank] says"
        findings.tell(path, wrong, right)
