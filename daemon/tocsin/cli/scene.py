"""The snapshot of `show_json` as people would rather see it: bars, not numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.columns import Columns
from rich.console import Group
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from tocsin.core.alarm import HIDDEN
from tocsin.core.forecast import Limit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from rich.console import RenderableType

    from tocsin.core.site import Site

ROWS = 6
"""Height of a cell's bar, in lines of eight eighths each."""

EIGHTHS = " ▁▂▃▄▅▆▇█"
NEAR = 0.12
"""A cell within this share of the scale from a cut-off is drawn in a warning colour."""

HOURS_FROM = 180
"""From so many minutes on, hours are said."""

LIMITS = {
    "low": "to the low cut-off",
    "high": "to the high cut-off",
    "cold": "until too cold to charge",
    "hot": "until too hot to charge",
    "hot-load": "until too hot to discharge",
}

REACHED = {
    "low": "at the low cut-off",
    "high": "at the high cut-off",
    "cold": "too cold to charge",
    "hot": "too hot to charge",
    "hot-load": "too hot to discharge",
}

COLOURS = {"high": "bold white on red", "medium": "yellow", "low": "cyan"}


def scene(show: Mapping[str, Any], site: Site) -> RenderableType:
    """Return packs as bars between the protection's cut-offs, alarms and outputs."""
    packs = Columns(
        [_pack(pack, show["forecasts"], site) for pack in show["packs"]],
        padding=(0, 2),
        expand=False,
    )
    return Group(
        *_proving(show.get("proving")),
        packs,
        *_maintenance(show["maintenance"]),
        outputs(show["outputs"]),
        *_calls(show["outputs"]),
        *_inputs(show["inputs"]),
        alarms(show["alarms"]),
    )


def _maintenance(shown: Mapping[str, Any] | None) -> list[RenderableType]:
    """Say loudly that someone works here, and what that holds back."""
    if shown is None:
        return []
    until = shown["horn_quiet_until"]
    horn = f"horn quiet until {until}" if until else "the horn sounds as usual"
    calls = ", ".join(shown["not_called"]) or "nothing"
    text = f"MAINTENANCE: not called: {calls}; {horn}"
    return [Text(text, style="bold black on yellow")]


def _calls(shown: Sequence[Mapping[str, Any]]) -> list[RenderableType]:
    """Return a line for each set and heater: where it is, what it waits for."""
    lines: list[RenderableType] = []
    for each in shown:
        if "phase" not in each:
            continue
        waits = " and ".join(each["waits_for"])
        energy = each.get("energy_kwh_estimated")
        totals = f"{each['run_h']:.1f} h" + (
            f", {each['starts']} starts" if energy is None else f", {energy:.1f} kWh"
        )
        text = f"{each['output']}: {each['phase']}"
        text += f"; waits for {waits}" if waits else ""
        lines.append(Text(f"{text} ({totals} in all)", overflow="fold"))
    return lines


def _inputs(shown: Sequence[Mapping[str, Any]]) -> list[RenderableType]:
    """Return a line of the inputs that are active or cannot be read."""
    words = Text("inputs: ", style="dim")
    for each in shown:
        if each["trouble"]:
            words.append(f"{each['input']} cannot be read  ", style="bold red")
        elif each["active"] is None:
            words.append(f"{each['input']} not read yet  ", style="yellow")
        else:
            style = "bold yellow" if each["active"] else "dim"
            level = "on" if each["active"] else "off"
            words.append(f"{each['input']} {level}  ", style)
    return [words] if shown else []


def _proving(proof: Mapping[str, Any] | None) -> list[RenderableType]:
    """Return a line that nobody overlooks while a proof test goes on."""
    if proof is None:
        return []
    if proof["state"] == "returning":
        text = f" PROOF TEST of {proof['alarm']} ended; outputs are coming back "
        return [Text(text, style="black on yellow")]
    value = f"{proof['virtual']:g} {proof['unit']}".rstrip()
    text = (
        f" PROOF TEST by {proof['by']}: {proof['alarm']} of {proof['subject']} is "
        f"shown {value}, which is not real; {proof['left_s']:.0f} s left "
    )
    return [Text(text, style="bold black on yellow")]


def _pack(
    pack: Mapping[str, Any], forecasts: Sequence[Mapping[str, Any]], site: Site
) -> RenderableType:
    low_v, high_v = site.low_cut_mv / 1000, site.high_cut_mv / 1000
    lines = [_headline(pack)]
    if pack["cells_v"]:
        lines += _bars(pack["cells_v"], low_v, high_v)
    lines += [
        _ahead(told, site)
        for told in forecasts
        if told["subject"].partition("/")[0] == pack["name"]
        and told["likely_s"] is not None
    ]
    if pack["trouble"]:
        lines.append(Text(pack["trouble"], style="red", overflow="fold"))
    return Group(*lines)


def _headline(pack: Mapping[str, Any]) -> Text:
    words = Text(pack["name"], style="bold")
    if not pack["online"]:
        age_s = pack["age_s"]
        since = "never read" if age_s is None else f"last read {age_s:.0f} s ago"
        return words.append(f" no data, {since}", style="bold red")
    cells, temps = pack["cells_v"], pack["temps_c"]
    said = [
        f"{min(cells):.3f} to {max(cells):.3f} V" if cells else "",
        f"{min(temps):.1f} degC" if temps else "",
        _number(pack["current_a"], "+.0f", "A"),
        _number(pack["soc_pct"], ".0f", "%"),
    ]
    return words.append(" " + "  ".join(filter(None, said)), style="default")


def _ahead(told: Mapping[str, Any], site: Site) -> Text:
    """Return how long one limit is away; early and late are the ends of its range."""
    where = told["subject"].partition("/")[2]
    part = "sensor" if Limit(told["limit"]).is_warmth else "cell"
    if told["late_s"] == 0:
        return Text(f"{REACHED[told['limit']]}, {part} {where}", style="bold yellow")
    early, late = (_span(told[key]) for key in ("early_s", "late_s"))
    style = "bold yellow" if told["likely_s"] * 1000 < 2 * site.lead_ms else "default"
    text = f"{LIMITS[told['limit']]}: {_span(told['likely_s'])}"
    return Text(f"{text} ({early} to {late}), {part} {where}", style=style)


def _span(seconds: float | None) -> str:
    if seconds is None:
        return "days"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < HOURS_FROM else f"{minutes / 60:.0f} h"


def _number(value: float | None, shape: str, unit: str) -> str:
    return "" if value is None else f"{value:{shape}} {unit}"


def _bars(cells_v: Sequence[float], low_v: float, high_v: float) -> list[Text]:
    """Return one bar a cell: empty at the low cut-off, full at the high one."""
    shares = [min(1.0, max(0.0, (v - low_v) / (high_v - low_v))) for v in cells_v]
    lines = []
    for row in reversed(range(ROWS)):
        edge = {ROWS - 1: f"{high_v:.2f}", 0: f"{low_v:.2f}"}.get(row, "")
        line = Text(f"{edge:>4} ", style="dim")
        for share in shares:
            eighths = round(share * ROWS * 8) - row * 8
            block = EIGHTHS[min(8, max(0, eighths))]
            if row == 0 and block == " ":
                block = "_"
            line.append(f"{block} ", style=_colour(share))
        lines.append(line)
    numbers = Text("     ", style="dim")
    for number in range(1, len(cells_v) + 1):
        numbers.append(f"{number % 100:<2d}")
    return [*lines, numbers]


def _colour(share: float) -> str:
    if share <= 0 or share >= 1:
        return "red"
    return "yellow" if share < NEAR or share > 1 - NEAR else "green"


def outputs(shown: Sequence[Mapping[str, Any]]) -> RenderableType:
    """Return each output with its level, and what holds it there; two in a line."""
    table = Table.grid(padding=(0, 2))
    cells: list[Text] = []
    for each in shown:
        is_permit = each["role"].endswith("permit")
        is_acting = each["energised"] is not is_permit
        style = "bold yellow" if is_acting and each["role"] != "heartbeat" else "green"
        cells += [
            Text(each["output"]),
            Text(_level(each, is_permit=is_permit), style=style),
            Text(_why(each), style="dim", overflow="ellipsis"),
        ]
    for at in range(0, len(cells), 6):
        table.add_row(*cells[at : at + 6])
    return Panel(table, title="outputs", title_align="left", border_style="dim")


def _why(shown: Mapping[str, Any]) -> str:
    proof = ["proof test"] if shown.get("proving") else []
    return ", ".join([*proof, *shown["because"]])


def _level(output: Mapping[str, Any], *, is_permit: bool) -> str:
    if is_permit:
        return "permitted" if output["energised"] else "withheld"
    if output["role"] == "heartbeat":
        return "beats"
    return "called" if output["energised"] else "quiet"


def alarms(shown: Sequence[Mapping[str, Any]]) -> RenderableType:
    """Return what is not normal, the most pressing first, what is hidden last."""
    table = Table.grid(padding=(0, 2))
    order = list(COLOURS)
    for each in sorted(
        shown, key=lambda a: (a["state"] in HIDDEN, order.index(a["priority"]))
    ):
        is_hidden = each["state"] in HIDDEN
        table.add_row(
            Text(
                each["priority"],
                style="dim" if is_hidden else COLOURS[each["priority"]],
            ),
            Text(_named(each)),
            Text(each["message"], overflow="fold", style="dim" if is_hidden else ""),
        )
    if not shown:
        table.add_row(Text("none", style="green"))
    return Panel(table, title="alarms", title_align="left", border_style="dim")


def _named(alarm: Mapping[str, Any]) -> str:
    proof = "PROOF TEST, not real\n" if alarm.get("proving") else ""
    return f"{proof}{alarm['alarm']}\n{alarm['subject']}, {alarm['state']}"
