"""How the sites of a fleet stand, as a table for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

from tocsin.fleet.standing import Rank

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.fleet.standing import Standing

COLOURS = {
    Rank.SILENT: "bold red",
    Rank.HIGH_ALARM: "bold red",
    Rank.SHORT: "red",
    Rank.MEDIUM_ALARM: "yellow",
    Rank.BLIND: "yellow",
}
HOUR_MIN = 60


def table(found: Sequence[Standing], console: Console | None = None) -> None:
    """Print *found*, one site a row."""
    out = console or Console()
    if not found:
        out.print("no site has told anything yet")
        return
    shown = Table(box=None, pad_edge=False, header_style="bold")
    shown.add_column("site", no_wrap=True)
    shown.add_column("left", justify="right", no_wrap=True)
    shown.add_column("heard", justify="right", no_wrap=True)
    shown.add_column("what")
    for each in found:
        colour = COLOURS.get(each.rank, "")
        shown.add_row(
            Text(each.site, style=colour),
            _minutes(each.minutes),
            _seconds(each.silent_s),
            Text("; ".join(each.why) or "all right", style=colour),
        )
    out.print(shown)
    wrong = sum(each.rank is not Rank.ALL_RIGHT for each in found)
    out.print(f"{len(found)} sites, {wrong} need a look")


def _minutes(minutes: float | None) -> str:
    if minutes is None:
        return "-"
    if minutes < 2 * HOUR_MIN:
        return f"{minutes:.0f} min"
    return f"{minutes / HOUR_MIN:.1f} h"


def _seconds(silent_s: float | None) -> str:
    if silent_s is None:
        return "never"
    if silent_s < 2 * HOUR_MIN:
        return f"{silent_s:.0f} s"
    return _minutes(silent_s / HOUR_MIN)
