"""A site file of what was found on lines. Pure.

What no device told is marked, so that a person looks at it before the file is used.
"""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING

from tocsin.ports import CanLine, SerialLine, TcpLine

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from tocsin.sightings import Battery, Found

MARK = "NOT TOLD"
"""Stands beside every value that no device said."""

USUAL_CELLS = (4, 8, 12, 16)
"""Of LFP packs for 12 to 48 V; common practice, no source."""

USUAL_CELL_V = 3.3
"""Of an LFP cell at rest; common practice, no source."""

ANY_AH = 100.0

HEAD = """\
# Made by `tocsin scan` of what answered. Read every line before you use it: what stands
# beside NOT TOLD was said by no device, and belongs to the battery's label and sheet.
# Check it with: tocsin check FILE
#
# A file that loads is not a safe installation. Prove every output at the site, follow
# local codes and the battery maker's sheet; Tocsin is never the protection.

[site]
name = "unnamed"           # NOT TOLD: what people call it

"""

PROTECTION = """
# NOT TOLD: where the battery's own protector cuts off, from the maker's sheet. Until
# you say it, the values of the chemistry's preset stand.
# [protection]
# low_cell_v = 2.80
# high_cell_v = 3.75
# cold_charge_c = 5.0
"""

OUTPUTS = """
# NOT TOLD: what is wired to which pin. Without an output nothing can act.
# [[output]]
# name = "charge"
# role = "charge-permit"
# pin = "GPIO17"
"""

WITHOUT_CELLS = (
    "RV-C tells of no single cell: its flags are heeded, but with it alone no permit",
    "is ever given. `tocsin check` says which rules are idle.",
)


def site_text(found: Sequence[Found]) -> str | None:
    """Return a site file of every battery, or None where none can be a pack."""
    every = [(each.line, battery) for each in found for battery in each.batteries]
    fit = [battery for _, battery in every if not _why_not(battery, None)]
    if not fit:
        return None
    cells = _cells(fit)
    names = _Names()
    tables = [_table(line, battery, cells, names) for line, battery in every]
    tables += [_silent(each.line, a.unit) for each in found for a in each.answers]
    tables += [
        _strange(e.line) for e in found if any(not i.known for i in e.identifiers)
    ]
    return "".join((HEAD, _bank(fit, cells), PROTECTION, OUTPUTS, *tables))


def _why_not(battery: Battery, cells: int | None) -> str:
    if battery.aside or battery.trouble:
        return battery.aside or f"no whole reading: {battery.trouble}"
    if cells is not None and battery.instance is not None:
        return "it tells of no single cell, and may be one of the packs that do"
    if cells is not None and battery.cells not in {None, cells}:
        return f"{battery.cells} cells in series, the bank's other packs have {cells}"
    return ""


def _cells(fit: Iterable[Battery]) -> int | None:
    """Return how many cells in series most packs have; None where nobody says."""
    counted = Counter(battery.cells for battery in fit if battery.cells)
    return counted.most_common(1)[0][0] if counted else None


def _bank(fit: Sequence[Battery], cells: int | None) -> str:
    lines = ["[bank]", _line("chemistry", '"lfp"', f"{MARK}: what the cells are")]
    own = [battery for battery in fit if not _why_not(battery, cells)]
    capacities = sorted({b.capacity_ah for b in own if b.capacity_ah})
    if capacities:
        told = "the smallest that was told" if len(capacities) > 1 else "told"
        lines.append(_line("capacity_ah", f"{capacities[0]:g}", told))
    else:
        why = f"{MARK}: the nameplate of one pack"
        lines.append(_line("capacity_ah", f"{ANY_AH:g}", why))
    if cells is not None:
        lines.append(_line("cells_in_series", str(cells), "counted"))
    else:
        volts = max(b.voltage_v or 0.0 for b in own)
        guess = min(USUAL_CELLS, key=lambda n: _apart(volts, n * USUAL_CELL_V))
        why = f"{MARK}: guessed from {volts:g} V"
        lines.append(_line("cells_in_series", str(guess), why))
    return "\n".join(lines) + "\n"


def _apart(volts: float, usual: float) -> float:
    return max(volts, usual) / max(min(volts, usual), 0.001)


def _line(key: str, value: str, why: str) -> str:
    return f"{f'{key} = {value}':<26} # {why}"


class _Names:
    """Gives every pack a name of its own."""

    def __init__(self) -> None:
        self._taken: set[str] = set()

    def of(self, wanted: str) -> str:
        name, number = wanted, 1
        while name in self._taken:
            number += 1
            name = f"{wanted[:60]}-{number}"
        self._taken.add(name)
        return name


def _table(
    line: TcpLine | SerialLine | CanLine,
    battery: Battery,
    cells: int | None,
    names: _Names,
) -> str:
    why_not = _why_not(battery, cells)
    said = [_comment(battery.title)]
    if why_not:
        said.append(_comment(f"left out: {why_not}"))
    elif battery.driver == "rv-c":
        said += map(_comment, WITHOUT_CELLS)
    keys = [
        "[[pack]]",
        f"name = {_quoted(names.of(battery.name))}",
        f"driver = {_quoted(battery.driver)}",
        *_keys(line),
    ]
    if not isinstance(line, CanLine):
        keys.append(f"unit = {battery.unit}")
    if battery.instance is not None:
        keys.append(f"instance = {battery.instance}")
    if battery.battery is not None:
        keys.append(f"battery = {battery.battery}")
    keys.append(_sign(battery.driver))
    return _joined([*said, *(f"# {key}" if why_not else key for key in keys)])


def _sign(driver: str) -> str:
    """Return the key that a person must verify: no model says the sign for sure."""
    sign = "discharge-positive" if driver == "rv-c" else "charge-positive"
    why = f"{MARK}: see whether charging shows as charging"
    return f'current_sign = "{sign}"  # {why}'


def _silent(line: TcpLine | SerialLine | CanLine, unit: int) -> str:
    """Return what a unit with an unknown map needs, for a person to complete."""
    return _joined(
        [
            f"# Unit {unit} answers, but not as a SunSpec battery. With a register map",
            '# of its own (map = "map.toml") it can be a pack:',
            *(f"# {key}" for key in ("[[pack]]", 'driver = "modbus-map"')),
            *(f"# {key}" for key in (*_keys(line), f"unit = {unit}")),
        ]
    )


def _strange(line: TcpLine | SerialLine | CanLine) -> str:
    """Return what a bus with more than RV-C needs, for a person to complete."""
    keys = ("[[pack]]", 'driver = "dbc"', *_keys(line), 'file = "bank.dbc"')
    return _joined(
        [
            "# More than RV-C was heard on this bus. With a DBC file that describes it",
            "# a pack can be heard cell by cell; its signals stand in [[pack.signal]]:",
            *(f"# {key}" for key in keys),
        ]
    )


def _keys(line: TcpLine | SerialLine | CanLine) -> Iterator[str]:
    match line:
        case TcpLine():
            yield f"host = {_quoted(line.host)}"
            yield f"port = {line.port}"
            if line.framing != "tcp":
                yield f"framing = {_quoted(line.framing)}"
        case SerialLine():
            yield f"serial = {_quoted(line.device)}"
            yield f"baud = {line.baud}"
            yield f"parity = {_quoted(line.parity)}"
            yield f"stop_bits = {line.stop_bits}"
        case CanLine():
            yield f"interface = {_quoted(line.interface)}"
            yield f"channel = {_quoted(line.channel)}"
            if line.bitrate is not None:
                yield f"bitrate = {line.bitrate}"


def _joined(lines: Sequence[str]) -> str:
    return "\n" + "\n".join(lines) + "\n"


def _comment(text: str) -> str:
    """Return one comment line, whatever a device has put in *text*."""
    return "# " + " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _quoted(text: str) -> str:
    """Return a TOML basic string, which reads like one of JSON."""
    return json.dumps(text)
