"""The report of one incident: one HTML file that needs nothing else."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from tocsin import __version__
from tocsin.incident import panels, words
from tocsin.wire import fact_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.incident.evidence import Case
    from tocsin.incident.story import Told
    from tocsin.incident.words import Times

STYLE = """\
:root { color-scheme: light; }
body { font: 15px/1.45 system-ui, sans-serif; color: #1a1a1a; background: #fff;
  max-width: 62rem; margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 1.5rem; line-height: 1.25; margin: .2rem 0 .6rem; }
h2 { font-size: 1.1rem; margin: 1.8rem 0 .5rem; border-bottom: 1px solid #bbb; }
.place { color: #555; margin: 0; }
.said { font-size: 1.05rem; }
.said p { margin: .35rem 0; }
.warning { border-left: .35rem solid #b00020; padding-left: .8rem; }
svg { width: 100%; height: auto; display: block; margin: .6rem 0;
  font: 11.5px system-ui, sans-serif; }
table { border-collapse: collapse; width: 100%; font-size: .85rem; }
th { text-align: left; border-bottom: 1px solid #888; }
th, td { padding: .18rem .6rem .18rem 0; vertical-align: top; }
th.number { white-space: normal; }
td { border-bottom: 1px solid #e4e4e4; }
.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
.time { font-variant-numeric: tabular-nums; white-space: nowrap; }
tr.main td { background: #fdeceb; font-weight: 600; }
tr.reading td { color: #555; }
td:last-child { overflow-wrap: anywhere; }
footer { margin-top: 2rem; font-size: .8rem; color: #555; border-top: 1px solid #bbb; }
@media print {
  body { margin: 0; max-width: none; font-size: 11px; }
  h2 { break-after: avoid; } svg, tr { break-inside: avoid; }
  @page { margin: 14mm; }
}
"""

CAUTION = """\
Tocsin stands above the battery's own protection and never replaces it. Before anyone
changes a limit or a wire because of this page, the cell maker's sheet, local codes and
a licensed person come first. A cell that was below or above its limits may be harmed
though it works: have it looked at before it is charged again.
"""

KINDS = {
    "alarm": "alarm",
    "output": "output",
    "source": "source",
    "command": "person",
    "note": "note",
}

READINGS = 12
"""So many rows of plain readings are set between the events."""


def page(case: Case, times: Times, *, origin: str) -> str:
    """Return the HTML document; *origin* says which journal or trace it is made of."""
    site = case.rules.document["site"]
    title = f"{site}: {case.incident.name}, {times.full(case.incident.main.at_ms)}"
    body = [
        _place(case, times),
        f"<h1>{escape(words.headline(case, times))}</h1>",
        '<div class="said">',
        f"<p>{escape(words.why(case))}</p>",
        f'<p class="warning">{escape(words.warned(case, times))}</p>',
        f"<p>{escape(words.followed(case, times))}</p>",
        f"<p>{escape(words.reacted(case, times))}</p>",
        "</div>",
        *panels.measured(case, times),
        *panels.foretold(case, times),
        "<h2>What would have given more time</h2>",
        "<ul>",
        *(f"<li>{escape(one)}</li>" for one in words.more_time(case)),
        "</ul>",
        *_timeline(case, times),
        *_limits(case),
        f"<footer><p>{escape(' '.join(CAUTION.split()))}</p>",
        _origin(case, origin),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body>\n"
        + "\n".join(body)
        + "\n</body></html>\n"
    )


def _place(case: Case, times: Times) -> str:
    at = times.full(case.incident.main.at_ms)
    said = map(escape, (case.rules.document["site"], "incident report", at))
    return f'<p class="place">{" &middot; ".join(said)}</p>'


def _origin(case: Case, origin: str) -> str:
    sha256 = escape(case.rules.document["sha256"])
    return (
        f"<p>Made by tocsin {escape(__version__)} from {escape(origin)}. Limits of the "
        f"site file with sha256 {sha256}.</p></footer>"
    )


# --- tables ---------------------------------------------------------------------------


def _timeline(case: Case, times: Times) -> Iterator[str]:
    main = case.incident.main
    yield "<h2>Timeline</h2>"
    yield f"<p>Readings are of pack {escape(case.pack)}, with the cell's number.</p>"
    yield '<table><thead><tr><th class="number">#</th><th>time</th>'
    for head in ("from the event", "lowest cell", "highest cell", "current", "coldest"):
        yield f'<th class="number">{head}</th>'
    yield "<th>what</th></tr></thead><tbody>"
    rows: list[tuple[int, str, str, str]] = [
        (one.at_ms, str(n), _what(one), "main" if one is main.told else one.kind)
        for n, one in panels.numbered(case)
    ]
    step_ms = (case.to_ms - case.from_ms) // READINGS
    if case.history:
        rows += [
            (case.from_ms + i * step_ms, "", "<i>reading</i>", "reading")
            for i in range(READINGS + 1)
        ]
    for at_ms, number, what, css in sorted(rows, key=lambda row: row[0]):
        if css == "reading" and not any(_readings(case, at_ms)):
            continue
        offset_s = at_ms // 1000 - main.at_ms // 1000
        values = "".join(f'<td class="number">{v}</td>' for v in _readings(case, at_ms))
        yield (
            f'<tr class="{css}"><td class="number">{number}</td>'
            f'<td class="time">{times.clock(at_ms)}</td>'
            f'<td class="number">{_offset(offset_s)}</td>{values}<td>{what}</td></tr>'
        )
    yield "</tbody></table>"


def _what(one: Told) -> str:
    kind = KINDS.get(one.kind, one.kind)
    return f"<b>{kind}</b> {escape(fact_words(one.detail))}"


def _offset(seconds: int) -> str:
    sign = "\N{MINUS SIGN}" if seconds < 0 else "+"
    minutes, rest = divmod(abs(seconds), 60)
    return f"{sign}{minutes}:{rest:02d}"


def _readings(case: Case, at_ms: int) -> tuple[str, str, str, str]:
    """Return lowest and highest cell, current and coldest sensor of the pack."""

    def known(prefix: str) -> dict[str, int]:
        return {
            name.partition("/")[2]: value
            for name in case.named(prefix)
            if (value := case.at(case.pack, name, at_ms)) is not None
        }

    cells, temps = known("cell"), known("temp")
    current_ma = case.at(case.pack, "current", at_ms)
    low = min(cells, key=lambda c: cells[c], default=None)
    high = max(cells, key=lambda c: cells[c], default=None)
    return (
        "" if low is None else f"{cells[low] / 1000:.3f} V ({low})",
        "" if high is None else f"{cells[high] / 1000:.3f} V ({high})",
        "" if current_ma is None else f"{current_ma / 1000:.1f} A",
        f"{min(temps.values()) / 10:.1f} degC" if temps else "",
    )


def _limits(case: Case) -> Iterator[str]:
    document: Any = case.rules.document
    yield "<h2>Limits in force then</h2>"
    yield (
        f"<p>Chemistry {escape(document['chemistry'])}. The protection is said to cut "
        f"off at {document['low_cell_v']:g} V and {document['high_cell_v']:g} V a cell "
        f"and to refuse charge at {document['cold_charge_c']:g} degC. Wanted warning: "
        f"{document['lead_min']:g} min.</p>"
    )
    yield "<table><thead><tr><th>rule</th><th>measure</th><th>trip</th><th>clear</th>"
    yield "<th>delay</th><th>priority</th><th>moves</th></tr></thead><tbody>"
    named = set(case.incident.main.causes)
    mine = {rule["rule"] for rule in case.rules.on_side(case.side)} | named
    for rule in sorted(document["rules"], key=lambda r: r["rule"] not in mine):
        css = ' class="main"' if rule["rule"] in named else ""
        moves = ", ".join(
            a["role"] + (f" {a['stage']}" if a["stage"] else "")
            for a in rule["actions"]
        )
        cells = (
            *(rule["rule"], rule["measure"], f"{rule['trip']:g} {rule['unit']}"),
            *(f"{rule['clear']:g} {rule['unit']}", f"{rule['delay_s']:g} s"),
            *(rule["priority"], moves),
        )
        inside = "".join(f"<td>{escape(str(cell))}</td>" for cell in cells)
        yield f"<tr{css}>{inside}</tr>"
    yield "</tbody></table>"
