"""The plots of a report: what was measured, what was up, what was foretold."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from tocsin.incident import plot, words
from tocsin.incident.evidence import extreme, forecasts
from tocsin.incident.plot import COLOURS, MAIN, OTHERS, Frame, Level, Line, Mark, Panel

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tocsin.history.reader import Series
    from tocsin.incident.evidence import Case
    from tocsin.incident.story import Told
    from tocsin.incident.words import Times

HOW_TO_READ = """\
Numbers on top are those of the timeline; the red line is what this report is named
after. A broken curve: nothing was read. A band around a curve is the least and the
largest of what one point stands for.
"""

WORTH_K = 2.0
"""Temperatures that move less say nothing, unless it was about them."""


def _frame(case: Case, times: Times) -> Frame:
    worth = {id(trigger.told) for trigger in case.incident.triggers}
    first_ms = None if case.warning is None else case.warning.from_ms
    marks = tuple(
        Mark(one.at_ms, str(number), one is case.incident.main.told)
        for number, one in numbered(case)
        if id(one) in worth
        or one.kind == "command"
        or (one.at_ms == first_ms and one.kind == "alarm")
    )
    return Frame(case.from_ms, case.to_ms, marks, times.tick)


def numbered(case: Case) -> list[tuple[int, Told]]:
    """Return the facts with the numbers that timeline and plots call them by."""
    return list(enumerate(case.told, start=1))


def measured(case: Case, times: Times) -> Iterator[str]:
    """Yield the plots of cells, temperatures and currents, and what was up."""
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
    seen = [p[2] for line in lines for run in line.runs for p in run]
    is_side = case.side in {"cold", "hot"}
    if not seen or (not is_side and max(seen) - min(seen) < WORTH_K):
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
        Level(f"{value:g} {unit} {_few(names)}", value, is_cut_off)
        for (value, is_cut_off), names in by_value.items()
    )


def _few(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} +{len(names) - 1}"


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


def foretold(case: Case, times: Times) -> Iterator[str]:
    """Yield the forecast against what really came."""
    of = case.history.get(case.pack, {})
    known = {b: of.get(f"{case.side}-{b}") for b in ("early", "likely", "late")}
    if case.side not in {"low", "high", "cold"}:
        return
    yield "<h2>Forecast against what came</h2>"
    yield from _foretold_table(case, times)
    yield f"<p>{escape(words.came(case))}</p>"
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


def _foretold_table(case: Case, times: Times) -> Iterator[str]:
    rows = forecasts(case)
    if not rows:
        return
    yield "<table><thead><tr><th>at</th><th>said: early</th><th>likely</th>"
    yield "<th>late</th><th>what came</th></tr></thead><tbody>"
    for at_ms, bounds, real_ms in rows:
        said = "".join(f"<td>{words.foretold(each)}</td>" for each in bounds)
        yield (
            f'<tr><td class="time">{times.clock(at_ms)}</td>{said}'
            f"<td><b>{words.spoken(real_ms)}</b></td></tr>"
        )
    yield "</tbody></table>"


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
