"""The report of one incident: one HTML file that needs nothing else."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from tocsin import __version__
from tocsin.incident import plot, words
from tocsin.incident.evidence import extreme
from tocsin.incident.plot import COLOURS, MAIN, OTHERS, Frame, Level, Line, Mark, Panel
from tocsin.wire import fact_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tocsin.history.reader import Series
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
th, td { padding: .18rem .5rem .18rem 0; vertical-align: top; }
td { border-bottom: 1px solid #e4e4e4; }
.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
.time { font-variant-numeric: tabular-nums; white-space: nowrap; }
tr.main td { background: #fdeceb; font-weight: 600; }
tr.reading td { color: #555; }
.kind { white-space: nowrap; }
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

HOW_TO_READ = """\
Numbers on top are those of the timeline; the red line is what this report is named
after. A broken curve: nothing was read. A band around a curve is the least and the
largest of what one point stands for.
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
        f"<p>{escape(words.reacted(case, times))}</p>",
        "</div>",
        *_plots(case, times),
        *_forecast(case, times),
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


# --- plots --------------------------------------------------------------------------


def _frame(case: Case, times: Times) -> Frame:
    marks = tuple(
        Mark(one.at_ms, str(number), one is case.incident.main.told)
        for number, one in _numbered(case)
    )
    return Frame(case.from_ms, case.to_ms, marks, times.tick)


def _numbered(case: Case) -> list[tuple[int, Told]]:
    return list(enumerate(case.told, start=1))


def _plots(case: Case, times: Times) -> Iterator[str]:
    frame = _frame(case, times)
    panels = [p for p in (_cells(case), _temps(case)) if p is not None]
    if case.side in {"cold", "hot"}:
        panels.reverse()
    yield "<h2>What was measured</h2>"
    if not panels:
        yield "<p>No samples of this time are kept.</p>"
    for panel in panels:
        yield plot.drawn(panel, frame)
    if (flow := _currents(case)) is not None:
        yield plot.drawn(flow, frame)
    yield plot.lanes("alarms that were up", _alarm_lanes(case), frame)
    yield plot.lanes("permits withheld and calls made", _output_lanes(case), frame)
    yield f"<p>{escape(' '.join(HOW_TO_READ.split()))}</p>"


def _family(case: Case, prefix: str, word: str) -> tuple[Line, ...]:
    """Return a pack's cells or sensors: the worst one named, the others grey."""
    found = extreme(case, case.incident.main.at_ms)
    is_same = (prefix == "temp") is (case.side in {"cold", "hot"})
    main = (case.part or (found[0] if found else "")) if is_same else ""
    lines = []
    for name, one in case.named(prefix).items():
        part = name.partition("/")[2]
        is_main = part == main
        label = f"{word} {part}" if is_main else ""
        colour = MAIN if is_main else OTHERS
        lines.append(plot.line_of(one, label, colour, is_main=is_main))
    return tuple(lines)


def _cells(case: Case) -> Panel | None:
    lines = _family(case, "cell", "cell")
    if not lines:
        return None
    document = case.rules.document
    sides = [case.side] if case.side in {"low", "high"} else []
    levels = [
        Level(f"{rule['rule']} {rule['trip']:g} V", rule["trip"])
        for side in sides
        for rule in case.rules.on_side(side)
        if rule["unit"] == "V"
    ]
    for side in sides:
        volts = document[f"{side}_cell_v"]
        levels.append(Level(f"protection {volts:g} V", volts, is_cut_off=True))
    return Panel(
        title=f"cells of pack {case.pack}",
        unit="V",
        lines=lines,
        levels=_merged(levels),
        height=260 if sides else 150,
    )


def _temps(case: Case) -> Panel | None:
    lines = _family(case, "temp", "sensor")
    if not lines:
        return None
    levels = [
        Level(f"{rule['rule']} {rule['trip']:g} degC", rule["trip"])
        for rule in case.rules.on_side(case.side)
        if rule["unit"] == "degC"
        and abs(rule["trip"]) < 100  # noqa: PLR2004
        and (case.side != "cold" or rule["rule"] != "cold-discharge")
    ]
    if case.side == "cold":
        cold_c = case.rules.document["cold_charge_c"]
        levels.append(Level(f"protection {cold_c:g} degC", cold_c, is_cut_off=True))
    return Panel(
        title=f"temperatures of pack {case.pack}",
        unit="degC",
        lines=lines,
        levels=_merged(levels) if case.side in {"cold", "hot"} else (),
        height=240 if case.side in {"cold", "hot"} else 110,
        decimals=1,
    )


def _merged(levels: Sequence[Level]) -> tuple[Level, ...]:
    """Join the names of limits that stand at one value."""
    by_value: dict[tuple[float, bool], list[str]] = {}
    for level in levels:
        name = level.label.rsplit(" ", 2)[0]
        by_value.setdefault((level.value, level.is_cut_off), []).append(name)
    unit = levels[0].label.rsplit(" ", 1)[1] if levels else ""
    return tuple(
        Level(f"{value:g} {unit} {' + '.join(names)}", value, is_cut_off)
        for (value, is_cut_off), names in by_value.items()
    )


def _currents(case: Case) -> Panel | None:
    lines: list[Line] = []
    for i, (pack, of) in enumerate(sorted(case.history.items())):
        is_main = pack == case.pack
        if "current" in of:
            colour = MAIN if is_main else COLOURS[1 + i % (len(COLOURS) - 1)]
            lines.append(plot.line_of(of["current"], pack, colour, is_main=is_main))
    allowed = case.history.get(case.pack, {}).get("allowed-charge")
    if allowed is not None and case.side in {"cold", "high"}:
        lines.append(plot.line_of(allowed, "allowed charge", COLOURS[2]))
    if not lines:
        return None
    return Panel(
        title="currents, charging is positive",
        unit="A",
        lines=tuple(lines),
        height=130,
        decimals=0,
    )


def _alarm_lanes(
    case: Case,
) -> list[tuple[str, str, Sequence[tuple[int, int | None]]]]:
    lanes: dict[str, list[tuple[int, int | None]]] = {}
    for span in case.alarms:
        lanes.setdefault(span.name, []).append((span.from_ms, span.to_ms))
    colour = {"high": "#b00020", "medium": "#b58900", "low": "#0072b2"}
    found: list[tuple[str, str, Sequence[tuple[int, int | None]]]] = []
    for name, spans in lanes.items():
        rule = case.rules.of(name)
        priority = "low" if rule is None else rule["priority"]
        found.append((f"{name} ({priority})", colour[priority], spans))
    return found


def _output_lanes(
    case: Case,
) -> list[tuple[str, str, Sequence[tuple[int, int | None]]]]:
    roles = {o["output"]: o["role"] for o in case.rules.document["outputs"]}
    lanes: dict[str, list[tuple[int, int | None]]] = {
        name: [] for name, role in roles.items() if role != "heartbeat"
    }
    for span in case.outputs:
        lanes.setdefault(span.name, []).append((span.from_ms, span.to_ms))
    return [
        (
            f"{name}: withheld"
            if "permit" in roles.get(name, "")
            else f"{name}: called",
            "#5b5b5b" if "permit" in roles.get(name, "") else "#b58900",
            spans,
        )
        for name, spans in lanes.items()
    ]


# --- forecast -------------------------------------------------------------------------


def _forecast(case: Case, times: Times) -> Iterator[str]:
    of = case.history.get(case.pack, {})
    known = {b: of.get(f"{case.side}-{b}") for b in ("early", "likely", "late")}
    if case.side not in {"low", "high", "cold"}:
        return
    yield "<h2>Forecast against what came</h2>"
    yield f"<p>{escape(words.came(case, times))}</p>"
    cap = 4 * case.rules.document["lead_min"]
    lines = [
        line
        for (bound, one), colour in zip(
            known.items(), ("#56b4e9", MAIN, "#56b4e9"), strict=True
        )
        if one is not None
        for line in (_minutes(one, bound, colour, cap),)
        if line.runs
    ]
    if not lines:
        return
    if case.cut_ms is not None:
        a_ms = max(case.from_ms, case.cut_ms - round(cap * 60_000))
        ends = [(t, *3 * ((case.cut_ms - t) / 60_000,)) for t in (a_ms, case.cut_ms)]
        truth = Line("what came", ((ends[0], ends[1]),), "#d55e00", is_dashed=True)
        lines.append(truth)
    lead = case.rules.document["lead_min"]
    panel = Panel(
        title=f"minutes to the {case.side} limit of the protection, as foretold",
        unit="min",
        lines=tuple(lines),
        levels=(Level(f"lead {lead:g} min", lead),),
        height=170,
        decimals=0,
        floor=0.0,
    )
    yield plot.drawn(panel, _frame(case, times))


def _minutes(one: Series, bound: str, colour: str, cap: float) -> Line:
    """Return a forecast in minutes; what is further off than *cap* is left out."""
    whole = plot.line_of(one, bound, colour, is_main=bound == "likely", size=60)
    runs: list[tuple[tuple[int, float, float, float], ...]] = []
    for run in whole.runs:
        near: list[tuple[int, float, float, float]] = []
        for p in run:
            if p[2] <= cap:
                near.append((p[0], min(p[1], cap), p[2], min(p[3], cap)))
            elif near:
                runs.append(tuple(near))
                near = []
        if near:
            runs.append(tuple(near))
    return Line(bound, tuple(runs), colour, whole.is_main)


# --- tables ---------------------------------------------------------------------------


def _timeline(case: Case, times: Times) -> Iterator[str]:
    main = case.incident.main
    yield "<h2>Timeline</h2><table><thead><tr><th>#</th><th>time</th>"
    yield '<th class="number">from the event</th><th>lowest cell</th>'
    yield "<th>highest cell</th><th>current</th><th>coldest</th><th>what</th></tr>"
    yield "</thead><tbody>"
    rows: list[tuple[int, str, str, str]] = [
        (one.at_ms, str(n), _what(one), "main" if one is main.told else one.kind)
        for n, one in _numbered(case)
    ]
    step_ms = (case.to_ms - case.from_ms) // READINGS
    if case.history:
        rows += [
            (case.from_ms + i * step_ms, "", "<i>reading</i>", "reading")
            for i in range(READINGS + 1)
        ]
    for at_ms, number, what, css in sorted(rows, key=lambda row: row[0]):
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
