"""Lead times on paper as a picture: time over current, a panel a temperature."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from math import log
from typing import TYPE_CHECKING

from tocsin.cli.lead_words import BASIS, UNITS, heading, notes, trip_words
from tocsin.core.paper import CHARGES, LOADS, TEMPS_C, Side

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from tocsin.core.paper import Lead, LeadTimes, Paper
    from tocsin.core.site import Site

COLUMNS = 3
PANEL_W, PANEL_H = 260.0, 190.0
GAP_W, GAP_H = 60.0, 64.0
LEFT, TOP = 64.0, 74.0
WIDTH = LEFT + COLUMNS * (PANEL_W + GAP_W)
TITLE_H = 34.0
ROW_H = 18.0

COLOURS = (
    *("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9", "#000000"),
)
"""Told apart with any colour vision (Okabe and Ito, Color Universal Design, 2008)."""

ACROSS = "current, multiples of 1C of the nameplate"
HOW = "Solid: a new cell. Dashed: an aged one. Both scales are logarithmic."

TICKS = (0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1_000, 2_000, 5_000)
"""Less than the first is drawn on it; the scale is logarithmic."""


@dataclass(frozen=True, slots=True)
class Line:
    """Limits that give the same times, drawn once: (label, unit in seconds, cases)."""

    label: str
    leads: tuple[Lead, ...]
    size_s: float
    colour: str
    shape: int

    def points(self, temp_c: float, *, is_aged: bool) -> list[tuple[float, float]]:
        """Return (current, time) of the cases that count, in the side's unit."""
        return [
            (lead.case.rate, lead.seconds / self.size_s)
            for lead in self.leads
            if lead.is_carried
            and (lead.case.temp_c, lead.case.is_aged) == (temp_c, is_aged)
        ]


@dataclass(frozen=True, slots=True)
class Frame:
    """Where a panel stands and what its axes span, both logarithmic."""

    x: float
    y: float
    rates: tuple[float, ...]
    ticks: tuple[float, ...]

    def across(self, rate: float) -> float:
        """Return the place of a current."""
        low, high = self.rates[0], self.rates[-1]
        return self.x + PANEL_W * log(rate / low) / log(high / low)

    def up(self, value: float) -> float:
        """Return the place of a time; what is off the scale stands at its edge."""
        low, high = self.ticks[0], self.ticks[-1]
        inside = min(max(value, low), high)
        return self.y + PANEL_H * (1 - log(inside / low) / log(high / low))


def picture(site: Site, paper: Paper) -> str:
    """Return an SVG document of what every limit of *site* gives."""
    body: list[str] = []
    y = TOP
    for side in Side:
        lines = _lines(limit for limit in paper.limits if limit.side is side)
        if any(line.leads for line in lines):
            part, y = _section(side, site, lines, y)
            body += part
    for words in "\n".join(notes(paper)).splitlines():
        body.append(_text(LEFT, y, words, fill="#444"))
        y += ROW_H
    title = f"{site.name}: what voltage limits give, on paper"
    return "\n".join(
        [
            _opening(WIDTH, y),
            f"<title>{escape(title)}</title>",
            f"<desc>{escape(BASIS)}</desc>",
            f'<rect width="{WIDTH:g}" height="{y:g}" fill="#fff"/>',
            _text(LEFT, 30, title, size=18),
            _text(LEFT, 52, HOW, fill="#444"),
            *body,
            "</svg>\n",
        ]
    )


def _opening(width: float, height: float) -> str:
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" role="img" '
        f'viewBox="0 0 {width:g} {height:g}" width="{width:g}" height="{height:g}" '
        'font-family="sans-serif" font-size="12">'
    )


def _lines(limits: Iterable[LeadTimes]) -> list[Line]:
    """Return a line a limit; limits that are alike share one."""
    alike: dict[tuple[Lead, ...], list[LeadTimes]] = {}
    for limit in limits:
        alike.setdefault(limit.leads, []).append(limit)
    found = []
    for n, (leads, same) in enumerate(alike.items()):
        trips = dict.fromkeys(trip_words(limit) for limit in same)
        names = ", ".join(limit.rule.name for limit in same)
        found.append(
            Line(
                f"{names}: {' / '.join(trips)}",
                leads,
                UNITS[same[0].side][1],
                COLOURS[n % len(COLOURS)],
                n % len(SHAPES),
            )
        )
    return found


def _section(
    side: Side, site: Site, lines: list[Line], y: float
) -> tuple[list[str], float]:
    """Return the panels and the legend of a side, and where they end."""
    unit, size_s = UNITS[side]
    rates = LOADS if side is Side.LOW else CHARGES
    lead = site.lead_ms / 1_000 / size_s if side is Side.LOW else None
    ticks = _ticks(lines, lead)
    temps_c = [
        t
        for t in TEMPS_C
        if any(line.points(t, is_aged=False) for line in lines)
        or any(line.points(t, is_aged=True) for line in lines)
    ]
    body = [_text(LEFT, y + 8, heading(side, site), size=14)]
    y += TITLE_H
    for n, temp_c in enumerate(temps_c):
        frame = Frame(
            LEFT + n % COLUMNS * (PANEL_W + GAP_W),
            y + n // COLUMNS * (PANEL_H + GAP_H),
            rates,
            ticks,
        )
        body += _axes(frame, f"{temp_c:g} degC", unit, lead)
        for line in lines:
            for is_aged in (False, True):
                body += _drawn(frame, line, temp_c, is_aged=is_aged)
    y += -(-len(temps_c) // COLUMNS) * (PANEL_H + GAP_H)
    for line in lines:
        body.append(_mark(line, LEFT + 8, y - 4))
        body.append(_text(LEFT + 24, y, line.label))
        y += ROW_H
    if lead is not None:
        body.append(_stroke((LEFT, y - 4), (LEFT + 16, y - 4), asked=True))
        body.append(_text(LEFT + 24, y, f"the lead asked for, {lead:g} {unit}"))
        y += ROW_H
    return body, y + ROW_H


def _ticks(lines: list[Line], lead: float | None) -> tuple[float, ...]:
    """Return the ticks that hold every time, and the lead asked for."""
    values = [
        lead.seconds / line.size_s
        for line in lines
        for lead in line.leads
        if lead.is_carried
    ]
    top = max([*values, lead or 0.0, 2 * TICKS[0]])
    above = next((tick for tick in TICKS if tick >= top), TICKS[-1])
    return tuple(tick for tick in TICKS if tick <= above)


def _axes(frame: Frame, title: str, unit: str, lead: float | None) -> Iterator[str]:
    right, bottom = frame.x + PANEL_W, frame.y + PANEL_H
    yield _text(frame.x + PANEL_W / 2, frame.y - 6, title, anchor="middle")
    for tick in frame.ticks:
        at = frame.up(tick)
        yield _stroke((frame.x, at), (right, at))
        words = f"≤{tick:g}" if tick == frame.ticks[0] else f"{tick:g}"
        yield _text(frame.x - 6, at + 4, words, anchor="end")
    for rate in frame.rates:
        at = frame.across(rate)
        yield _stroke((at, frame.y), (at, bottom))
        yield _text(at, bottom + 16, f"{rate:g}", anchor="middle")
    yield _text(frame.x - 6, frame.y - 10, unit, anchor="end")
    yield _text(frame.x + PANEL_W / 2, bottom + 32, ACROSS, anchor="middle")
    if lead is not None:
        at = frame.up(lead)
        yield _stroke((frame.x, at), (right, at), asked=True)


def _drawn(frame: Frame, line: Line, temp_c: float, *, is_aged: bool) -> Iterator[str]:
    places = [
        (frame.across(rate), frame.up(value))
        for rate, value in line.points(temp_c, is_aged=is_aged)
    ]
    if not places:
        return
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
    dash = ' stroke-dasharray="6 4"' if is_aged else ""
    yield (
        f'<polyline points="{path}" fill="none" stroke="{line.colour}" '
        f'stroke-width="1.5"{dash}/>'
    )
    for x, y in places:
        yield _mark(line, x, y)


SHAPES = (
    '<circle cx="0" cy="0" r="3.5"/>',
    '<rect x="-3" y="-3" width="6" height="6"/>',
    '<path d="M0-4L4 3H-4Z"/>',
    '<path d="M0-4.5L4.5 0L0 4.5L-4.5 0Z"/>',
    '<path d="M0 4L4-3H-4Z"/>',
)


def _mark(line: Line, x: float, y: float) -> str:
    place = f'transform="translate({x:.1f} {y:.1f})"'
    return f'<g {place} fill="{line.colour}">{SHAPES[line.shape]}</g>'


def _stroke(
    start: tuple[float, float], end: tuple[float, float], *, asked: bool = False
) -> str:
    """Return a thin line of the grid, or the dotted one of the lead asked for."""
    look = 'stroke="#b00000" stroke-dasharray="2 3"' if asked else 'stroke="#ddd"'
    (x1, y1), (x2, y2) = start, end
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" {look}/>'


def _text(
    x: float,
    y: float,
    words: str,
    *,
    size: int = 12,
    anchor: str = "start",
    fill: str = "#000",
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}" '
        f'fill="{fill}">{escape(words)}</text>'
    )
