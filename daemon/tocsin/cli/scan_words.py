"""What was found on lines, for people and for programs. Pure."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from tocsin.ports import CanLine
from tocsin.sightings import rate_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tocsin.sightings import Battery, Found, Identifier

MOST_SHOWN = 40
"""Unknown identifiers for a person; a program gets all of them."""

HEAD = ("id", "rate", "bytes")

SILENT_CAN = (
    "nothing was heard: see to the bit rate, to both 120 ohm terminations, to CAN high "
    "and low, and that the battery is switched on"
)
SILENT_MODBUS = (
    "nobody answered: see to baud and parity, to A and B, to the unit of the battery, "
    "and that no other master asks on the line"
)


def lines_of(found: Found) -> Iterator[str]:
    """Yield what was found on one line of cable, one line of text at a time."""
    yield f"{found.place}: {found.extent}"
    if found.trouble:
        yield f"  {found.trouble}"
    if found.is_empty and not found.trouble:
        is_can = isinstance(found.line, CanLine)
        yield f"  {SILENT_CAN if is_can else SILENT_MODBUS}"
    for battery in found.batteries:
        yield from _battery(battery)
    for answer in found.answers:
        yield f"  unit {answer.unit} answers, but is no battery known here"
        yield f"    {answer.why}"
    yield from _identifiers(found)


def _battery(battery: Battery) -> Iterator[str]:
    is_modbus = battery.instance is None
    yield f"  {f'unit {battery.unit}: ' if is_modbus else ''}{battery.title}"
    width = max((len(label) for label, _ in battery.told), default=0)
    for label, text in battery.told:
        yield f"    {label.ljust(width)}  {text}"
    if battery.trouble:
        yield f"    no whole reading: {battery.trouble}"
    if battery.aside:
        yield f"    left out of the site file: {battery.aside}"


def _identifiers(found: Found) -> Iterator[str]:
    described = [each for each in found.identifiers if each.described]
    if described:
        yield f"  {_many(len(described), 'message')} of the DBC file"
        rows = ((*_head(each), each.described) for each in described)
        yield from _table([(*HEAD, "message"), *rows])
    if found.missing:
        yield f"  of the DBC file, but never heard: {', '.join(found.missing)}"
    others = [each for each in found.identifiers if each.is_unknown]
    if others:
        yield f"  {_many(len(others), 'unknown identifier')}; ** are bytes that change"
        shown = others[:MOST_SHOWN]
        lines = ((*_head(each), each.pattern, each.hint) for each in shown)
        yield from _table([(*HEAD, "payload", ""), *lines])
    if len(others) > MOST_SHOWN:
        yield f"    and {len(others) - MOST_SHOWN} more; --json has all of them"
    if found.dropped:
        yield f"    and {found.dropped} frames of more identifiers than can be kept"


def _head(each: Identifier) -> tuple[str, str, str]:
    lengths = "/".join(map(str, each.lengths))
    return each.written, rate_words(each.rate_hz), lengths


def _table(rows: Sequence[tuple[str, ...]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (word.ljust(width) for word, width in zip(row, widths, strict=True))
        yield f"    {'  '.join(cells)}".rstrip()


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def as_json(every: Sequence[Found], site: str | None) -> dict[str, Any]:
    """Return what was found, and the site file or None."""
    return {"lines": [_line_json(found) for found in every], "site": site}


def _line_json(found: Found) -> dict[str, Any]:
    return {
        "line": found.place,
        "extent": found.extent,
        "trouble": found.trouble,
        "batteries": [_battery_json(each) for each in found.batteries],
        "answers": [asdict(each) for each in found.answers],
        "identifiers": [
            {
                "id": each.written,
                "extended": each.is_extended,
                "frames": each.frames,
                "rate_hz": None if each.rate_hz is None else round(each.rate_hz, 2),
                "lengths": list(each.lengths),
                "pattern": each.pattern,
                "known": each.known,
                "described": each.described,
            }
            for each in found.identifiers
        ],
        "dropped": found.dropped,
        "missing": list(found.missing),
    }


def _battery_json(battery: Battery) -> dict[str, Any]:
    return asdict(battery) | {"told": dict(battery.told)}
