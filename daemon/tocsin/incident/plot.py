"""Plots of an incident as SVG inside the page: no scripts, and they print."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape
from math import ceil, floor, log10
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from tocsin.history.reader import Point, Series

WIDTH, LEFT, RIGHT = 1000.0, 56.0, 190.0
PLOT_W = WIDTH - LEFT - RIGHT
TOP, BOTTOM = 38.0, 30.0
LANE_H = 20.0
STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200)
MOST_TICKS = 9
LABEL_H = 13.0

INK, QUIET, GRID = "#1a1a1a", "#555", "#ddd"
MAIN, OTHERS = "#0072b2", "#b5b5b5"
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#b58900", "#5b5b5b")
"""Told apart with any colour vision (Okabe and Ito, Color Universal Design, 2008)."""


@dataclass(frozen=True, slots=True)
class Line:
    """One curve.

    Attributes:
        runs: (at_ms, low, mean, high) in the unit of the panel, cut at gaps.
        is_main: Drawn on top, wider, with its least and largest as a band.
    """

    label: str
    runs: tuple[tuple[tuple[int, float, float, float], ...], ...]
    colour: str
    is_main: bool = False
    is_dashed: bool = False


@dataclass(frozen=True, slots=True)
class Level:
    """A limit: a horizontal line with its name at the right."""

    label: str
    value: float
    is_cut_off: bool = False


@dataclass(frozen=True, slots=True)
class Mark:
    """An event of the timeline: a vertical line with its number on top."""

    at_ms: int
    label: str
    is_main: bool = False


@dataclass(frozen=True, slots=True)
class Frame:
    """What all panels of one page share: the span of time and its marks.

    Attributes:
        clock: Says a time in few words, for the axis.
    """

    from_ms: int
    to_ms: int
    marks: tuple[Mark, ...]
    clock: Callable[[int, int], str]

    def across(self, at_ms: int) -> float:
        """Return the place of a time, held inside the plot."""
        share = (at_ms - self.from_ms) / max(1, self.to_ms - self.from_ms)
        return LEFT + PLOT_W * min(max(share, 0.0), 1.0)

    def ticks(self) -> list[int]:
        """Return round times, at most `MOST_TICKS` of them."""
        span_s = (self.to_ms - self.from_ms) / 1000
        step_s = next((s for s in STEPS_S if span_s / s <= MOST_TICKS), STEPS_S[-1])
        step_ms = step_s * 1000
        first = -(-self.from_ms // step_ms) * step_ms
        return list(range(first, self.to_ms + 1, step_ms))


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """Curves over time with limits."""

    title: str
    unit: str
    lines: tuple[Line, ...]
    levels: tuple[Level, ...] = ()
    height: float = 210.0
    decimals: int = 2
    floor: float | None = None
    bounds: tuple[float, float] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "bounds", self._bounds())

    def _bounds(self) -> tuple[float, float]:
        seen = [v for one in self.lines for run in one.runs for p in run for v in p[1:]]
        seen += [level.value for level in self.levels] or []
        low, high = min(seen, default=0.0), max(seen, default=1.0)
        if self.floor is not None:
            low = self.floor
        pad = max((high - low) * 0.06, 10**-self.decimals)
        return (low if self.floor is not None else low - pad), high + pad

    def up(self, value: float) -> float:
        """Return the place of *value*."""
        low, high = self.bounds
        share = (value - low) / (high - low)
        return TOP + self.height * (1 - min(max(share, 0.0), 1.0))


def line_of(
    one: Series, label: str, colour: str, *, is_main: bool = False, size: float = 0
) -> Line:
    """Return the curve of a series; values are divided by *size*, or as people read."""
    by = size or one.kind.divisor

    def shown(p: Point) -> tuple[int, float, float, float]:
        return (p.at_ms, p.low / by, p.mean / by, p.high / by)

    runs = tuple(tuple(shown(p) for p in run) for run in one.runs())
    return Line(label, runs, colour, is_main)


def drawn(panel: Panel, frame: Frame) -> str:
    """Return a panel as an SVG element."""
    height = TOP + panel.height + BOTTOM
    body = [*_axes(panel, frame), *_marks(frame, panel.height)]
    for level in panel.levels:
        y, colour = panel.up(level.value), "#b00020" if level.is_cut_off else QUIET
        dash = "" if level.is_cut_off else ' stroke-dasharray="6 4"'
        body.append(
            f'<path d="M{LEFT:g} {y:.1f}H{LEFT + PLOT_W:g}" stroke="{colour}"{dash}/>'
        )
    for one in sorted(panel.lines, key=lambda line: line.is_main):
        body += _curve(one, panel, frame)
    body += _legend(panel)
    return _svg(panel.title, height, body)


def lanes(
    title: str,
    rows: Sequence[tuple[str, str, Sequence[tuple[int, int | None]]]],
    frame: Frame,
) -> str:
    """Return bars over time, a lane each: (label, colour, spans)."""
    inner = LANE_H * max(1, len(rows))
    body = [*_time_axis(frame, inner), *_marks(frame, inner)]
    for i, (label, colour, spans) in enumerate(rows):
        y = TOP + LANE_H * i
        body.append(_text(LEFT + PLOT_W + 8, y + 14, label, fill=INK))
        body.append(
            f'<path d="M{LEFT:g} {y + LANE_H:g}H{LEFT + PLOT_W:g}" stroke="{GRID}"/>'
        )
        for from_ms, to_ms in spans:
            a = frame.across(from_ms)
            b = frame.across(frame.to_ms if to_ms is None else to_ms)
            body.append(
                f'<rect x="{a:.1f}" y="{y + 4:g}" width="{max(b - a, 1.5):.1f}" '
                f'height="{LANE_H - 7:g}" fill="{colour}"/>'
            )
    return _svg(title, TOP + inner + BOTTOM, body)


# --- inside -------------------------------------------------------------------------


def _svg(title: str, height: float, body: Sequence[str]) -> str:
    return (
        f'<svg role="img" viewBox="0 0 {WIDTH:g} {height:g}">'
        f"<title>{escape(title)}</title>"
        f'<text x="{LEFT:g}" y="12" font-weight="600" fill="{INK}">{escape(title)}'
        "</text>" + "".join(body) + "</svg>"
    )


def _text(x: float, y: float, words: str, *, fill: str, anchor: str = "start") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" fill="{fill}" text-anchor="{anchor}">'
        f"{escape(words)}</text>"
    )


def _axes(panel: Panel, frame: Frame) -> Iterator[str]:
    yield from _time_axis(frame, panel.height)
    low, high = panel.bounds
    step = _round_step(high - low)
    decimals = max(0, -floor(log10(step))) if step < 1 else 0
    value = ceil(low / step) * step
    while value <= high:
        y = panel.up(value)
        yield f'<path d="M{LEFT:g} {y:.1f}H{LEFT + PLOT_W:g}" stroke="{GRID}"/>'
        words = f"{value:.{decimals}f}".replace("-", "\N{MINUS SIGN}")
        yield _text(LEFT - 6, y + 4, words, fill=QUIET, anchor="end")
        value += step
    yield _text(LEFT - 6, 12, panel.unit, fill=QUIET, anchor="end")


def _round_step(span: float) -> float:
    rough = span / 5
    size: float = 10.0 ** floor(log10(rough))
    return next(m * size for m in (1, 2, 5, 10) if m * size >= rough)


def _time_axis(frame: Frame, inner: float) -> Iterator[str]:
    base, ticks = TOP + inner, frame.ticks()
    step_ms = ticks[1] - ticks[0] if len(ticks) > 1 else 60_000
    for at_ms in ticks:
        x = frame.across(at_ms)
        yield f'<path d="M{x:.1f} {TOP:g}V{base:g}" stroke="{GRID}"/>'
        yield _text(
            x, base + 15, frame.clock(at_ms, step_ms), fill=QUIET, anchor="middle"
        )
    yield f'<path d="M{LEFT:g} {base:g}H{LEFT + PLOT_W:g}" stroke="{QUIET}"/>'


def _marks(frame: Frame, inner: float) -> Iterator[str]:
    last_x = -99.0
    for mark in frame.marks:
        x = frame.across(mark.at_ms)
        colour = "#b00020" if mark.is_main else "#888"
        width = 1.8 if mark.is_main else 0.8
        yield (
            f'<path d="M{x:.1f} {TOP - 4:g}V{TOP + inner:g}" stroke="{colour}" '
            f'stroke-width="{width:g}"/>'
        )
        if x - last_x >= LABEL_H or mark.is_main:
            yield _text(x, TOP - 6, mark.label, fill=colour, anchor="middle")
            last_x = x


def _curve(one: Line, panel: Panel, frame: Frame) -> Iterator[str]:
    width = 2.0 if one.is_main else 1.0
    dash = ' stroke-dasharray="5 4"' if one.is_dashed else ""
    for run in one.runs:
        places = [(frame.across(p[0]), *map(panel.up, p[1:])) for p in run]
        if one.is_main:
            edge = [f"{x:.1f} {high:.1f}" for x, _, _, high in places]
            edge += [f"{x:.1f} {low:.1f}" for x, low, _, _ in reversed(places)]
            yield f'<path d="M{"L".join(edge)}Z" fill="{one.colour}" opacity=".25"/>'
        path = "L".join(f"{x:.1f} {y:.1f}" for x, _, y, _ in places)
        if len(places) == 1:
            path += "h1"
        yield (
            f'<path d="M{path}" fill="none" stroke="{one.colour}" '
            f'stroke-width="{width:g}"{dash}/>'
        )


def _legend(panel: Panel) -> Iterator[str]:
    """Limits at their heights, curves at the heights they end at, none over another."""
    wanted = [
        (panel.up(lv.value), lv.label, "#b00020" if lv.is_cut_off else QUIET)
        for lv in panel.levels
    ]
    wanted += [
        (panel.up(one.runs[-1][-1][2]), one.label, one.colour)
        for one in panel.lines
        if one.label and one.runs
    ]
    wanted.sort()
    heights = [at + 4 for at, _, _ in wanted]
    for i in range(1, len(heights)):
        heights[i] = max(heights[i], heights[i - 1] + LABEL_H)
    lowest = TOP + panel.height + 6
    for i in reversed(range(len(heights))):
        heights[i] = min(heights[i], lowest)
        lowest = heights[i] - LABEL_H
    for y, (_, label, colour) in zip(heights, wanted, strict=True):
        yield _text(LEFT + PLOT_W + 8, y, label, fill=colour)
