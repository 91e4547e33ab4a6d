"""Two sets of limits side by side, as a table for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from tocsin.core.rules import Role
from tocsin.incident import EPOCH_MS, Times

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from rich.console import RenderableType

NOTE = """\
The trace stays as it was recorded: loads that were shed here go on drawing in it, so
times of cut-offs are those of the recorded days. A cut-off is where a cell or sensor
passed what [protection] says, each site's own.
"""
LIMITS = {"low": "low cut-off", "high": "high cut-off", "cold": "too cold to charge"}


def table(said: Mapping[str, Any]) -> RenderableType:
    """Return what `tocsin.replay.compare.compared` made, side by side."""
    return Group(
        _counts(said),
        Text(),
        _cut_offs(said),
        Text(),
        Text(" ".join(NOTE.split()), style="dim"),
    )


def _counts(said: Mapping[str, Any]) -> Table:
    grid = Table(box=None, pad_edge=False)
    grid.add_column("", no_wrap=True)
    for name in said["sites"]:
        grid.add_column(name, justify="right", overflow="fold")
    grid.add_column("difference", justify="right")
    _row(grid, "minutes shed, all stages together", said["shed_min"], "min")
    _row(grid, "minutes of charge refused", said["charge_refused_min"], "min")
    for name, pair in said["output_min"].items():
        is_permit = Role(said["roles"][name]).is_permit
        _row(grid, f"  {name} {'withheld' if is_permit else 'called'}", pair, "min")
    for name, pair in said["alarms_raised"].items():
        _row(grid, f"alarm {name} raised", pair, "times")
        if name in said["alarm_min"]:
            _row(grid, "  up for", said["alarm_min"][name], "min")
    return grid


def _row(grid: Table, what: str, pair: Sequence[float], unit: str) -> None:
    decimals = 1 if unit == "min" else 0
    shown = [f"{value:.{decimals}f} {unit}" for value in pair]
    change = pair[1] - pair[0]
    differs = f"{change:+.{decimals}f}" if round(change, decimals) else "same"
    style = "" if differs != "same" else "dim"
    grid.add_row(Text(what), *map(Text, shown), Text(differs), style=style)


def _cut_offs(said: Mapping[str, Any]) -> Table:
    grid = Table(box=None, pad_edge=False)
    grid.add_column("limit of the protection reached")
    grid.add_column("at", justify="right")
    for name in said["sites"]:
        grid.add_column(f"lead, {name}", justify="right", overflow="fold")
    every = {
        (one["t_s"], one["pack"], one["limit"]) for of in said["cut_offs"] for one in of
    }
    for t_s, pack, limit in sorted(every):
        leads = [_lead(of, (t_s, pack, limit)) for of in said["cut_offs"]]
        at_ms = round(t_s * 1000)
        at = Times(None, is_day=at_ms >= EPOCH_MS).full(at_ms)
        grid.add_row(f"{LIMITS[limit]}, pack {pack}", at, *leads)
    if not every:
        grid.add_row("none in this trace", "", "", "")
    return grid


def _lead(of: Sequence[Mapping[str, Any]], key: tuple[float, str, str]) -> str:
    for one in of:
        if (one["t_s"], one["pack"], one["limit"]) == key:
            if one["lead_s"] is None:
                return "no warning"
            return f"{one['lead_s'] / 60:.1f} min ({one['by']})"
    return "no cut-off here"
