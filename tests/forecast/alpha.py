"""A constant discharge of one cell, foretold: ``python -m tests.forecast.alpha``.

The alpha-lambda plot of the prognostics literature (Saxena, Celaya, Saha, Saha and
Goebel, Int. J. Prognostics and Health Management 1, 2010): time left as it was foretold
against time left as it was, within a cone of alpha around the truth. Printed: error
against time left, prognostic horizon, alpha-lambda accuracy and relative accuracy.

The cell is that of `tests.forecast.truth` (PyBaMM, needs ``pip install -e .[truth]``),
discharged from half empty after ten minutes at rest; ``--trace`` plays one made before.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from tests.forecast.listen import listen

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.forecast.score import Said

STORED = Path(__file__).with_name("constant.csv")
"""Made by this command at 0.2C; the ordinary tests play it."""
CAPACITY_AH = 200.0
LOW_V = 2.80
REST_S, EVERY_S = 600, 5
ALPHA = 0.20
TAUS_MIN = (120, 60, 30, 15, 5)


@dataclass(frozen=True, kw_only=True)
class Point:
    """One forecast, in minutes: when, how long it was really, how long was said."""

    at_min: float
    left_min: float
    early_min: float | None
    likely_min: float | None
    late_min: float | None

    @property
    def error_min(self) -> float | None:
        """Return likely less truth."""
        return None if self.likely_min is None else self.likely_min - self.left_min

    def is_within(self, alpha: float) -> bool:
        """Return True if it is within *alpha* of what was left."""
        error_min = self.error_min
        return error_min is not None and abs(error_min) <= alpha * self.left_min


def made(path: Path, rate: float, temp_c: float) -> None:
    """Write the trace of one cell from half empty to its cut-off."""
    from tests.forecast.truth import TrueCell  # noqa: PLC0415 an extra

    random = Random(1)
    cell = TrueCell(capacity_ah=CAPACITY_AH, soc=0.5, temp_c=temp_c)
    at_s, charge, ends = 0, 0.5, False
    with path.open("w", encoding="utf-8") as file:
        file.write("t_s,pack,current_a,soc_pct,cell_v_1,temp_c_1\n")
        while not ends:
            current_a = 0.0 if at_s < REST_S else -rate * CAPACITY_AH
            for volts in cell.step(current_a, 60.0, temp_c, rows=60 // EVERY_S):
                at_s += EVERY_S
                charge += current_a * EVERY_S / 3600 / CAPACITY_AH
                seen_v = volts + random.gauss(0, 0.002)
                file.write(
                    f"{at_s},left,{current_a:.1f},{charge * 100:.0f},{seen_v:.3f},"
                    f"{cell.temp_c:.1f}\n"
                )
                ends = volts < LOW_V
                if ends:
                    break


def told(path: Path) -> list[Point]:
    """Return every forecast of the discharge; the trace ends at the cut-off."""
    rows = path.read_text(encoding="utf-8").splitlines()[1:]
    begun_s = next(
        float(s) for s, _, amps, *_ in (r.split(",") for r in rows) if float(amps) < 0
    )
    end_s = float(rows[-1].partition(",")[0])
    entry: dict[str, Any] = {
        "file": path.name,
        "nameplate_ah": CAPACITY_AH,
        "cells": 1,
        "packs": 1,
        "low_cell_v": LOW_V,
        "high_cell_v": 3.75,
        "cold_charge_c": -30.0,
        "prior_cutoffs": [],
        "cutoff": None,
    }
    heard, _ = listen(entry, path.parent)
    return [
        _point(said, end_s) for said in heard.rows["low_cell"] if said.at_s > begun_s
    ]


def _point(said: Said, end_s: float) -> Point:
    return Point(
        at_min=said.at_s / 60,
        left_min=(end_s - said.at_s) / 60,
        early_min=None if said.early_s is None else said.early_s / 60,
        likely_min=None if said.likely_s is None else said.likely_s / 60,
        late_min=None if said.late_s is None else said.late_s / 60,
    )


def horizon_min(points: Sequence[Point], alpha: float = ALPHA) -> float:
    """Return how long before the end it came within the cone for good."""
    horizon = 0.0
    for point in reversed(points):
        if point.left_min > 1 and not point.is_within(alpha):
            break
        horizon = point.left_min
    return horizon


def at_lambda(points: Sequence[Point], share: float) -> Point:
    """Return the forecast when *share* of the time since the first is gone."""
    whole_min = points[0].left_min
    return min(points, key=lambda p: abs(p.left_min - (1 - share) * whole_min))


def relative_accuracy(points: Sequence[Point]) -> float:
    """Return the mean of 1 - |error| / time left; not foretold counts as 0."""
    asked = [point for point in points if point.left_min > 1]
    return sum(
        0.0
        if point.error_min is None
        else max(0.0, 1 - abs(point.error_min) / point.left_min)
        for point in asked
    ) / len(asked)


def in_band(points: Sequence[Point]) -> float:
    """Return the share of forecasts whose early-late band holds the truth."""
    inside = [
        (p.early_min or 0.0)
        <= p.left_min
        <= (float("inf") if p.late_min is None else p.late_min)
        for p in points
        if p.likely_min is not None
    ]
    return sum(inside) / len(inside)


def lines(points: Sequence[Point]) -> list[str]:
    """Return what is printed."""
    out = ["left  said (early to late)  error, min"]
    for tau in TAUS_MIN:
        point = min(points, key=lambda p: abs(p.left_min - tau))
        if abs(point.left_min - tau) > 2:
            continue
        early, likely, late = (
            "-" if each is None else f"{each:.0f}"
            for each in (point.early_min, point.likely_min, point.late_min)
        )
        error = "-" if point.error_min is None else f"{point.error_min:+.1f}"
        out.append(f"{point.left_min:4.0f}  {likely} ({early} to {late})  {error}")
    half = at_lambda(points, 0.5)
    word = "within" if half.is_within(ALPHA) else "outside"
    out += [
        f"prognostic horizon at alpha {ALPHA:.0%}: {horizon_min(points):.0f} min",
        f"at lambda 0.5, {half.left_min:.0f} min left: {word} alpha",
        f"relative accuracy, mean: {relative_accuracy(points):.2f}",
        f"band holds the truth: {in_band(points):.0%} of {len(points)} forecasts",
    ]
    return out


# --- the picture -------------------------------------------------------------------

WIDE, HIGH = 900, 620
LEFT, RIGHT, TOP, BOTTOM = 90, 30, 90, 80
INK, BAND, CONE, SAID = "#222222", "#9db8d2", "#e9e2c8", "#1f4e79"
SAID_LINE: dict[str, Any] = {"stroke": SAID, "stroke-width": 2.5, "fill": "none"}
TRUE_LINE: dict[str, Any] = {
    "stroke": INK,
    "stroke-width": 2,
    "stroke-dasharray": "7 5",
    "fill": "none",
}
STEPS_MIN = (5, 10, 15, 30, 60, 120, 240)


@dataclass(frozen=True)
class _Scale:
    """Where minutes lie in the picture: time goes right, time left goes up."""

    whole_min: float
    most_min: float

    def x(self, left_min: float) -> float:
        return LEFT + (WIDE - LEFT - RIGHT) * (1 - left_min / self.whole_min)

    def y(self, minutes: float | None) -> float:
        share = 1.0 if minutes is None else min(1.0, minutes / self.most_min)
        return HIGH - BOTTOM - (HIGH - TOP - BOTTOM) * share

    def line(self, values: Sequence[tuple[float, float | None]]) -> str:
        return " ".join(f"{self.x(at):.1f},{self.y(value):.1f}" for at, value in values)


def _tag(tag: str, inside: str = "", /, **values: Any) -> str:
    words = [f'{key.replace("_", "-")}="{value}"' for key, value in values.items()]
    return f"<{tag} {' '.join(words)}>{inside}</{tag}>"


def picture(points: Sequence[Point], title: str) -> str:
    """Return the alpha-lambda plot as SVG."""
    whole_min = points[0].left_min
    scale = _Scale(whole_min, whole_min * 1.35)
    known = [p for p in points if p.likely_min is not None]
    late = [(p.left_min, p.late_min) for p in known]
    early = [(p.left_min, p.early_min) for p in reversed(known)]
    over, under = whole_min * (1 + ALPHA), whole_min * (1 - ALPHA)
    cone = [(whole_min, over), (0.0, 0.0), (whole_min, under)]
    truth = [(whole_min, whole_min), (0.0, 0.0)]
    said = [(p.left_min, p.likely_min) for p in known]
    half_x = round(scale.x(at_lambda(points, 0.5).left_min), 1)
    parts = [
        _tag("rect", width=WIDE, height=HIGH, fill="#ffffff"),
        _tag("text", escape(title), x=LEFT, y=32, font_size=20),
        _tag("polygon", points=scale.line(cone), fill=CONE),
        _tag("polygon", points=scale.line(late + early), fill=BAND, fill_opacity=0.6),
        *_axes(scale),
        _tag("polyline", points=scale.line(truth), **TRUE_LINE),
        _tag("polyline", points=scale.line(said), **SAID_LINE),
        _tag(
            "path",
            d=f"M{half_x},{TOP} V{HIGH - BOTTOM}",
            stroke=INK,
            stroke_dasharray="2 4",
        ),
        _tag("text", "half of it gone", x=half_x + 6, y=TOP + 16),
        *_legend(),
    ]
    return _tag(
        "svg",
        "\n".join(["", *parts, ""]),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {WIDE} {HIGH}",
        width=WIDE,
        height=HIGH,
        font_family="sans-serif",
        font_size=15,
        fill=INK,
    )


def _axes(scale: _Scale) -> list[str]:
    bottom, right = HIGH - BOTTOM, WIDE - RIGHT
    step_min = next((s for s in STEPS_MIN if scale.whole_min / s <= 8), STEPS_MIN[-1])
    parts = [
        _tag("path", d=f"M{LEFT},{TOP} V{bottom} H{right}", stroke=INK, fill="none")
    ]
    for tick in range(0, int(scale.most_min) + 1, step_min):
        x, y = round(scale.x(tick), 1), round(scale.y(tick), 1)
        parts += [
            _tag(
                "path", d=f"M{LEFT - 5},{y} H{right}", stroke=INK, stroke_opacity=0.15
            ),
            _tag("text", str(tick), x=LEFT - 10, y=y + 5, text_anchor="end"),
        ]
        if tick <= scale.whole_min:
            parts.append(
                _tag("text", str(tick), x=x, y=bottom + 22, text_anchor="middle")
            )
    across = "minutes really left until the cut-off (time goes to the right)"
    up = "minutes left, as foretold (more is cut off at the top)"
    turned = f"translate(26 {(TOP + bottom) / 2}) rotate(-90)"
    return [
        *parts,
        _tag("text", across, x=(LEFT + right) / 2, y=HIGH - 22, text_anchor="middle"),
        _tag("text", up, transform=turned, text_anchor="middle"),
    ]


def _legend() -> list[str]:
    marks = [
        (_tag("rect", width=26, height=12, y=-11, fill=CONE), "within a fifth"),
        (_tag("rect", width=26, height=12, y=-11, fill=BAND), "early to late"),
        (_tag("path", d="M0,-5 H26", **SAID_LINE), "likely"),
        (_tag("path", d="M0,-5 H26", **TRUE_LINE), "what it really was"),
    ]
    return [
        _tag(
            "g",
            mark + _tag("text", word, x=34),
            transform=f"translate({LEFT + 175 * n} 64)",
        )
        for n, (mark, word) in enumerate(marks)
    ]


def main() -> None:
    """Make or take a trace, foretell it, print and draw."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trace", type=Path, help="a CSV made by this command")
    parser.add_argument("--make", type=Path, help="where to write a new trace")
    parser.add_argument("--rate", type=float, default=0.2, help="multiples of 1C")
    parser.add_argument("--temp", type=float, default=25.0, help="degC of the air")
    parser.add_argument("--svg", type=Path, help="where to write the picture")
    args = parser.parse_args()
    path = args.trace or args.make or STORED
    if args.make is not None:
        made(args.make, args.rate, args.temp)
    points = told(path)
    print("\n".join(lines(points)))
    if args.svg is not None:
        title = (
            "One cell at constant current from half empty: how long the forecast said"
        )
        args.svg.write_text(picture(points, title), encoding="utf-8")


if __name__ == "__main__":
    main()
