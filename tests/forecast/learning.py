"""What a bank's own life teaches: its first cut-off beside its last."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from tests.forecast.score import TAUS_MIN, share

if TYPE_CHECKING:
    from tests.forecast.score import Judged, Result

FEWEST = 3
"""Cut-offs a trace must have to say what learning gains."""


def learning_lines(results: list[Result]) -> list[str]:
    """Return, by kind, how the first and the last low cut-off of a trace were met.

    Bursts of load are left out. In the middle all but the first, for comparison.
    """
    out = list[str]()
    for kind in dict.fromkeys(r.kind for r in results):
        lives = [_low(r) for r in results if r.kind == kind]
        lives = [life for life in lives if len(life) >= FEWEST]
        if lives:
            out.append(f"{kind}, {len(lives)} banks, {sum(map(len, lives))} cut-offs")
            out.append(_line("first", [life[0] for life in lives]))
            out.append(_line("later", [c for life in lives for c in life[1:]]))
            out.append(_line("last", [life[-1] for life in lives]))
    return out


def _low(result: Result) -> list[Judged]:
    return [c for c in result.cutoffs if c.kind == "low_cell" and not c.is_burst]


def _line(name: str, cutoffs: list[Judged]) -> str:
    good = sum(c.word == "in window" for c in cutoffs)
    words = f"  {name:6} in window {share(good, len(cutoffs)):14} median |error| at"
    return words + ",".join(_error(cutoffs, tau) for tau in TAUS_MIN) + " (in band)"


def _error(cutoffs: list[Judged], tau: int) -> str:
    errors = [abs(e) for c in cutoffs if (e := c.errors_min.get(tau)) is not None]
    if not errors:
        return f" {tau} min: none"
    inside = sum(c.in_band.get(tau, False) for c in cutoffs)
    return f" {tau} min: {median(errors):.1f} ({100 * inside / len(cutoffs):.0f} %)"
