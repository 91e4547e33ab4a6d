"""CAN signals: from what people write, and a DBC file, to what a pack is heard by."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from tocsin.core.model import Flag
from tocsin.registers import PointRole
from tocsin.signals import MappedSignal, SignalMap
from tocsin_config.fields import whole
from tocsin_config.maps import MANY as MANY_ROLES
from tocsin_config.maps import Wanted, flag_bits, reads_enough
from tocsin_config.problems import suggestion
from tocsin_config.signal_models import MANY, RAW_RANGE, ROLES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tocsin.dbc import Dbc, DbcMessage, DbcSignal
    from tocsin_config.findings import Findings
    from tocsin_config.problems import Key
    from tocsin_config.signal_models import SignalTable

TURNS = frozenset({PointRole.CURRENT, PointRole.FLAGS})
"""Roles that may be inverted."""

LONGEST_SHOWN = 60
MOST_BYTES = 8
"""Of a classic CAN frame: ISO 11898-1."""

SMALL_UNITS = {"mv": "V", "ma": "A"}
_BRACES = re.compile(r"\{(\d+)\}")


def build_signals(
    tables: Sequence[SignalTable],
    dbc: Dbc,
    findings: Findings,
    *,
    path: Key,
    wanted: Wanted,
    id_mask: int | None,
) -> SignalMap:
    """Return the signals that the tables at *path* name; mistakes go to *findings*."""
    before = len(findings.problems)
    made: list[tuple[Key, MappedSignal]] = []
    for i, table in enumerate(tables):
        made += _signals(table, dbc, (*path, i), findings)
    signals = tuple(each for _, each in made)
    signal_map = SignalMap(signals=signals, id_mask=id_mask)
    _apart(signal_map, dbc, path, findings)
    if len(findings.problems) == before:
        _in_order(made, findings)
    if len(findings.problems) == before:
        numbers = [each.role for each in signals]
        mapped = numbers.count(PointRole.CELL)
        reads_enough(mapped, set(numbers), wanted, path, findings)
    return signal_map


def _signals(
    table: SignalTable, dbc: Dbc, path: Key, findings: Findings
) -> Iterator[tuple[Key, MappedSignal]]:
    for key, role, index, message, signal in _names(table, path, findings):
        found = _found(dbc, message, signal, key, findings)
        if found is None:
            return
        before = len(findings.problems)
        _fits(table, role, found, path, findings)
        flag = _flag(table, role, path, findings)
        bits = flag_bits(table.bits, found.bits - 1, path, findings)
        absent = _absent(table, path, findings)
        if len(findings.problems) > before:
            return
        yield (
            key,
            MappedSignal(
                message=message,
                signal=signal,
                role=role,
                index=index,
                scale=table.scale,
                offset=table.offset,
                invert=table.invert,
                absent=absent,
                low=table.low,
                high=table.high,
                max_age_ms=round(table.max_age_s * 1_000),
                flag=flag,
                bits=bits,
            ),
        )


def _names(
    table: SignalTable, path: Key, findings: Findings
) -> list[tuple[Key, PointRole, int, str, str]]:
    """Return (key, role, index, message, signal), from whichever way of writing."""
    ways = [k for k in ("signal", "cells", "temperatures") if getattr(table, k)]
    if len(ways) != 1:
        wrong = f"both {ways[0]} and {ways[1]}" if ways else "names no signal"
        findings.tell(path, wrong, "one of signal, cells, temperatures")
        return []
    way = ways[0]
    key = (*path, way)
    if way != "signal":
        for extra in ("role", "index"):
            if getattr(table, extra) is not None:
                wrong = f"is said by `{way}` already"
                findings.tell((*path, extra), wrong, "one of them")
        return _row(getattr(table, way), way, key, findings)
    if table.role not in ROLES:
        wrong = "is missing" if table.role is None else "is not for a signal"
        findings.tell((*path, "role"), wrong, f"one of {', '.join(ROLES)}")
        return []
    if (table.index is None) is (table.role in MANY_ROLES):
        wrong = "is missing" if table.index is None else f"is not for a {table.role}"
        findings.tell((*path, "index"), wrong, "a number for a cell or temperature")
        return []
    message, _, signal = (table.signal or "").partition(".")
    return [(key, table.role, table.index or 1, message, signal)]


def _row(
    text: str, way: str, key: Key, findings: Findings
) -> list[tuple[Key, PointRole, int, str, str]]:
    """Return the signals of a row: numbers in braces count on from the first's."""
    found = re.match(MANY, text)
    if found is None:  # the model has looked already
        return []
    first, last = int(found[1]), int(found[2])
    if not 1 <= first <= last:
        findings.tell(key, "is no range", 'such as "1..16 at Cells.Cell{1}"')
        return []
    if first < last and not _BRACES.search(found[3] + found[4]):
        wrong = "names one signal for all"
        right = "the first one's number in braces, such as Cells.Cell{1}"
        findings.tell(key, wrong, right)
        return []
    role = PointRole.CELL if way == "cells" else PointRole.TEMPERATURE
    return [
        (key, role, first + i, _counted(found[3], i), _counted(found[4], i))
        for i in range(last - first + 1)
    ]


def _counted(pattern: str, i: int) -> str:
    """Return *pattern* with *i* added to what its braces hold, as wide as that."""

    def number(found: re.Match[str]) -> str:
        return str(int(found[1]) + i).zfill(len(found[1]))

    return _BRACES.sub(number, pattern)


def _found(
    dbc: Dbc, message: str, signal: str, key: Key, findings: Findings
) -> DbcSignal | None:
    of = dbc.messages.get(message)
    if of is None:
        right = suggestion(message, dbc.messages)
        findings.tell(key, f"the DBC file has no message {message!r}", right)
        return None
    if of.is_fd or of.length > MOST_BYTES:
        wrong = f"{message} has {of.length} bytes or is CAN FD"
        findings.tell(key, wrong, f"a message of classic CAN, {MOST_BYTES} at most")
        return None
    found = of.signals.get(signal)
    if found is None:
        wrong = f"the message {message} has no signal {signal!r}"
        findings.tell(key, wrong, suggestion(signal, of.signals))
    return found


def _fits(
    table: SignalTable,
    role: PointRole,
    signal: DbcSignal,
    path: Key,
    findings: Findings,
) -> None:
    if table.scale == 0:
        findings.tell((*path, "scale"), "makes every value 0", "a factor, as 0.001")
    if signal.step == 0 and role is not PointRole.FLAGS:
        wrong = f"the factor of {signal.name} is 0, so its value never changes"
        findings.tell(path, wrong, "a DBC file with the right factor")
    if table.low is not None and table.high is not None and table.low >= table.high:
        findings.tell((*path, "low"), "is not below `high`", "low below high")
    if table.invert and role not in TURNS:
        wrong = f"a {role} has no other direction"
        findings.tell((*path, "invert"), wrong, "false, or left out")
    if role is PointRole.FLAGS and signal.is_float:
        findings.tell((*path, "role"), "a fraction has no flags", "another role")
    unit = SMALL_UNITS.get(signal.unit.strip().lower())
    if unit is not None and "scale" not in table.model_fields_set:
        wrong = f"{signal.name} is in {signal.unit}"
        findings.tell((*path, "scale"), wrong, f"0.001 makes it {unit}; 1 leaves it")


def _flag(
    table: SignalTable, role: PointRole, path: Key, findings: Findings
) -> Flag | None:
    flags = {flag.value: flag for flag in Flag}
    if role is not PointRole.FLAGS:
        for key in ("flag", "bits"):
            if getattr(table, key) is not None:
                wrong = f"is not for a {role}"
                findings.tell((*path, key), wrong, 'role = "flags"')
        return None
    if (table.flag is None) is (table.bits is None):
        wrong = "is missing" if table.flag is None else "both flag and bits"
        right = 'flag = "charge-refused", or bits = { "low-voltage-trip" = 0 }'
        findings.tell((*path, "flag"), wrong, right)
        return None
    if table.flag is None:
        return None
    if table.flag not in flags:
        right = suggestion(table.flag, flags)
        findings.tell((*path, "flag"), f"unknown flag {table.flag!r}", right)
    return flags.get(table.flag)


def _absent(
    table: SignalTable, path: Key, findings: Findings
) -> tuple[tuple[int, int], ...]:
    ranges: list[tuple[int, int]] = []
    for i, value in enumerate(table.absent):
        if isinstance(value, int):
            ranges.append((value, value))
            continue
        found = re.match(RAW_RANGE, value)
        low, high = (whole(found[1]), whole(found[2])) if found else (1, 0)
        if low > high:
            right = 'a raw value, or a range such as "0xFFFB..0xFFFF"'
            findings.tell(
                (*path, "absent", i), f"{value[:LONGEST_SHOWN]!r} is no range", right
            )
        ranges.append((low, high))
    return tuple(ranges)


def _apart(signal_map: SignalMap, dbc: Dbc, path: Key, findings: Findings) -> None:
    """Tell two messages that the mask makes one."""
    names: dict[tuple[bool, int], DbcMessage] = {}
    used = dict.fromkeys(each.message for each in signal_map.signals)
    for message in (dbc.messages[name] for name in used):
        key = signal_map.key(message.can_id, is_extended=message.is_extended)
        other = names.setdefault(key, message)
        if other is not message:
            wrong = f"{other.name} and {message.name} are one under the mask"
            findings.tell(
                (*path[:-1], "id_mask"), wrong, "a mask that tells them apart"
            )


def _in_order(made: Sequence[tuple[Key, MappedSignal]], findings: Findings) -> None:
    """Tell what is there twice, and cells and temperatures that leave one out."""
    seen: set[tuple[PointRole, int]] = set()
    indices: dict[PointRole, list[tuple[int, Key]]] = {}
    for key, each in made:
        if each.role is PointRole.FLAGS:
            continue
        if (each.role, each.index) in seen:
            what = f"{each.role} {each.index}" if each.role in MANY_ROLES else each.role
            findings.tell(key, f"{what} is there already", "each value once")
        seen.add((each.role, each.index))
        if each.role in MANY_ROLES:
            indices.setdefault(each.role, []).append((each.index, key))
    for role, some in indices.items():
        index, key = max(some)
        if gap := sorted(set(range(1, index)) - {i for i, _ in some}):
            findings.tell(key, f"{role} {gap[0]} is missing", "numbers without holes")
