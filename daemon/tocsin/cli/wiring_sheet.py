"""The wiring sheet: every output from pin to load on a page for the cabinet door."""

from __future__ import annotations

from html import escape
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from tocsin.cli import circuit_words as words
from tocsin.core.circuit import Check, Verdict, worst

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from tocsin.core.circuit import Circuit, Finding, Judged


class Column(NamedTuple):
    """A part of the chain: its heading, width, checks, words and drawing."""

    title: str
    width: int
    checks: tuple[Check, ...]
    rows: Callable[[Circuit], list[str]] | None
    symbol: str


COLUMNS = (
    Column("Output", 148, (), None, ""),
    Column("Pin", 92, (Check.BOOT,), words.pin, "pin"),
    Column("Driver", 108, (Check.PIN,), words.driver, "driver"),
    Column("Coil", 104, (Check.FLYBACK,), words.coil, "coil"),
    Column("Contact", 136, (Check.CONTACT,), words.contact, "contact"),
    Column("Fuse, at source", 108, (Check.FUSE, Check.FUSE_BREAKS), words.fuse, "fuse"),
    Column("Cable", 122, (Check.DROP, Check.AMPACITY), words.cable, "cable"),
    Column("Load", 140, (Check.VOLTS, Check.LOAD_FLYBACK), words.load, "load"),
    Column("Without power", 162, (Check.DIRECTION,), None, ""),
)
WIDTH = sum(column.width for column in COLUMNS)
HEAD_H, ROW_H = 24, 61
WIRE_Y = 14
TEXT_Y, LINE_H = 32, 12
TOP_Y = 18
ROOM = 27
"""Characters of a line in the last column."""

TINTS = {
    Verdict.FINE: "none",
    Verdict.UNKNOWN: "#e8f1fa",
    Verdict.DOUBTFUL: "#fff3cf",
    Verdict.UNSAFE: "#fbdcd4",
}
"""Behind a part that is not fine; the word beside its number says the same."""

CONTACT_W = 12
ENDS = '<circle cx="-12" r="2"/><circle cx="12" r="2"/>'
SYMBOLS = {
    "pin": '<circle r="4" fill="#fff"/>',
    "driver": '<path d="M-8-9 9 0-8 9z" fill="#fff"/>',
    "coil": '<path d="M-13-7h26v14h-26z" fill="#fff"/><path d="M-13 7 13-7"/>',
    "normally-open": f'<path d="M-12 0 11-9"/>{ENDS}',
    "normally-closed": f'<path d="M-12 0 13-5M12 0v-7"/>{ENDS}',
    "transistor": '<path d="M-9-8h18v16h-18z" fill="#fff"/><path d="M-5 4 5-4"/>',
    "fuse": '<path d="M-14-5h28v10h-28z" fill="#fff"/><path d="M-14 0h28"/>',
    "cable": '<path d="M-5 6 1-6M1 6 7-6"/>',
    "load": '<circle r="9" fill="#fff"/><path d="M-6-6 6 6M-6 6 6-6"/>',
}

STYLE = """\
@page { size: A4 landscape; margin: 9mm 10mm }
* { box-sizing: border-box }
body { margin: 0 auto; padding: 14px; max-width: 1150px; background: #fff; color: #111;
  font: 11px/1.35 sans-serif; print-color-adjust: exact;
  -webkit-print-color-adjust: exact }
header { display: flex; justify-content: space-between; align-items: flex-end;
  border-bottom: 2px solid #111; padding-bottom: 4px; margin-bottom: 6px }
h1 { font-size: 19px; margin: 0 } h2 { font-size: 12px; margin: 0 0 2px }
svg { width: 100%; height: auto; display: block }
.foot { display: grid; grid-template-columns: 3fr 2fr; gap: 18px; margin-top: 6px }
p { margin: 0 0 2px }
ol, ul { margin: 0; padding-left: 20px } li { margin-bottom: 1px; break-inside: avoid }
.first { font-weight: bold }
.sign { display: flex; gap: 18px; margin-top: 12px }
.sign span { flex: 1; border-top: 1px solid #111; padding-top: 2px }
@media print { body { padding: 0; max-width: none; font-size: 9.5px } }
"""


def sheet(site: str, about: str, every: Sequence[Judged], rail: Finding | None) -> str:
    """Return the page as HTML that stands alone.

    Args:
        site: Its name.
        about: Where the figures are from, in a few words.
        every: The outputs, judged.
        rail: What all pins together draw, judged.
    """
    notes = list(_notes(every, rail))
    return f"""\
<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<title>{escape(site)}: wiring sheet</title>
<style>
{STYLE}</style></head><body>
<header><h1>{escape(site)}: wiring sheet</h1><span>{escape(about)}</span></header>
{_drawing(every, notes)}
<div class="foot"><section><h2>To be cleared</h2>
{_list(every, notes)}{_rail(rail)}</section>
<section><h2>Cautions</h2><ul>{_cautions()}</ul></section></div>
<div class="sign"><span>Wired by, date</span><span>Checked by, date</span>\
<span>Changed since, what and when</span></div>
</body></html>
"""


class Note(NamedTuple):
    """A finding that is not fine, by output."""

    output: str
    finding: Finding


def _notes(every: Sequence[Judged], rail: Finding | None) -> Iterator[Note]:
    for each in every:
        for finding in each.findings:
            if finding.verdict is not Verdict.FINE:
                yield Note(each.output, finding)
    if rail is not None and rail.verdict is not Verdict.FINE:
        yield Note("all outputs", rail)


def _rail(rail: Finding | None) -> str:
    if rail is None or rail.verdict is not Verdict.FINE:
        return ""
    return f"<p>{escape(_sentence(rail.says))}</p>"


def _list(every: Sequence[Judged], notes: Sequence[Note]) -> str:
    silent = [escape(each.output) for each in every if each.circuit is None]
    unsaid = f"<p>No circuit stated: {', '.join(silent)}.</p>" if silent else ""
    if not notes:
        paper = "Nothing on paper. Every output still has to be proved."
        return unsaid or f"<p>{paper}</p>"
    rows = (
        f"<li><b>{escape(note.output)}</b>, {escape(note.finding.wrong)}. "
        f"{escape(_sentence(note.finding.change))}</li>"
        for note in notes
    )
    return f"<ol>{''.join(rows)}</ol>{unsaid}"


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _cautions() -> str:
    first, *others = (escape(text) for text in words.CAUTIONS)
    return f'<li class="first">{first}</li>' + "".join(
        f"<li>{text}</li>" for text in others
    )


def _drawing(every: Sequence[Judged], notes: Sequence[Note]) -> str:
    height = HEAD_H + ROW_H * len(every) + 1
    opening = (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {WIDTH} '
        f'{height}" font-family="sans-serif" font-size="11" fill="#111">'
    )
    body = [opening, f'<rect width="{WIDTH}" height="{HEAD_H}" fill="#ececec"/>']
    for x, column in _places():
        body.append(_text(x + 6, 16, column.title, bold=True))
    for i, each in enumerate(every):
        body += _row(each, HEAD_H + ROW_H * i, notes)
    body.append("</svg>")
    return "\n".join(body)


def _places() -> Iterator[tuple[int, Column]]:
    x = 0
    for column in COLUMNS:
        yield x, column
        x += column.width


def _row(each: Judged, y: int, notes: Sequence[Note]) -> Iterator[str]:
    places = list(_places())
    circuit = each.circuit
    for x, column in places:
        yield from _cell(each, x, y, column, notes)
    if circuit is not None:
        yield from _wires(circuit, y, places)
    yield from _first(each, y)
    x, _ = places[-1]
    for k, line in enumerate(_wrapped(words.safe_state(each))):
        yield _text(x + 6, y + TEXT_Y - 6 + LINE_H * k, line)
    yield f'<path d="M0 {y + ROW_H}H{WIDTH}" stroke="#888"/>'


def _first(each: Judged, y: int) -> Iterator[str]:
    yield _text(6, y + TOP_Y, each.output, bold=True)
    role = str(each.role or "")
    said = words.tally(each.findings) if each.circuit else "no circuit stated"
    lines = [] if role == each.output else [role]
    for k, line in enumerate([*lines, *said.split(", ")][:3], 1):
        yield _text(6, y + TOP_Y + LINE_H * k, line)


def _cell(
    each: Judged, x: int, y: int, column: Column, notes: Sequence[Note]
) -> Iterator[str]:
    found = tuple(f for f in each.findings if f.check in column.checks)
    tint = TINTS[worst(found)] if found else "none"
    if tint != "none":
        yield (
            f'<rect x="{x + 1}" y="{y + 1}" width="{column.width - 2}" '
            f'height="{ROW_H - 2}" fill="{tint}"/>'
        )
    numbers = [
        str(n)
        for n, note in enumerate(notes, 1)
        if note.output == each.output and note.finding in found
    ]
    if numbers:
        mark = f"{worst(found)} {','.join(numbers)}"
        right = x + column.width - 5
        yield _text(right, y + 11, mark, size=9, anchor="end", bold=True)
    if each.circuit is not None and column.rows is not None:
        for k, line in enumerate(column.rows(each.circuit)):
            yield _text(x + 6, y + TEXT_Y + LINE_H * k, line)


def _wires(
    circuit: Circuit, y: int, places: Sequence[tuple[int, Column]]
) -> Iterator[str]:
    """Draw the chain; what a coil does to its contact is no wire, so it is dashed."""
    parts = [(x + 26, column.symbol) for x, column in places if column.symbol]
    level = y + WIRE_Y
    yield '<g fill="none" stroke="#111" stroke-width="1.4">'
    for (here, one), (there, other) in pairwise(parts):
        is_moved = (one, other) == ("coil", "contact") and circuit.has_relay
        dashes = ' stroke-dasharray="4 4"' if is_moved else ""
        start = here + CONTACT_W * (one == "contact")
        end = there - CONTACT_W * (other == "contact")
        yield f'<path d="M{start} {level}H{end}"{dashes}/>'
    for x, symbol in parts:
        name = symbol
        if symbol == "coil" and not circuit.has_relay:
            continue
        if symbol in {"fuse", "cable"} and circuit.load == "signal":
            continue
        if symbol == "contact":
            name = str(circuit.contact_form or "normally-open")
            name = name if circuit.has_relay else "transistor"
        drawn = SYMBOLS.get(name, SYMBOLS["normally-open"])
        yield f'<g transform="translate({x},{level})">{drawn}</g>'
    yield "</g>"


def _wrapped(text: str) -> Iterator[str]:
    line = ""
    for word in text.split():
        if line and len(line) + 1 + len(word) > ROOM:
            yield line
            line = word
        else:
            line = f"{line} {word}".strip()
    yield line


def _text(
    x: float,
    y: float,
    text: str,
    *,
    bold: bool = False,
    size: float = 0,
    anchor: str = "",
) -> str:
    more = ' font-weight="bold"' if bold else ""
    more += f' font-size="{size:g}"' if size else ""
    more += f' text-anchor="{anchor}"' if anchor else ""
    return f'<text x="{x:g}" y="{y:g}"{more}>{escape(text)}</text>'
