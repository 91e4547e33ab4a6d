"""Draws ``dead-man.svg``: the heartbeat's circuit, from the pin to the permits.

    python deploy/pictures/dead_man.py

The symbols are those of the wiring sheet (`tocsin circuit SITE --sheet`).
"""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from tocsin.cli.wiring_sheet import SYMBOLS

if TYPE_CHECKING:
    from collections.abc import Iterator

HERE = Path(__file__).parent

C1_UF, C2_UF, R4_KOHM = 47.0, 10.0, 560.0
SUPPLY_V = 12.0

TOP, MID, LOW, BOTTOM = 60, 170, 240, 330
"""The rails, the pump's line, the gate's parts."""

WIDTH, HEIGHT = 1080, 400

OWN = {
    "resistor": '<path d="M-15-5h30v10h-30z" fill="#fff"/>',
    "capacitor": '<path d="M-3-11v22M3-11v22" stroke-width="2"/>',
    "diode": '<path d="M-7-8 7 0-7 8z" fill="#fff"/><path d="M7-8v16"/>',
    "lamp": SYMBOLS["load"],
}
GAPS = {"resistor": 15, "capacitor": 3, "diode": 7, "lamp": 9, "coil": 13}
GAPS |= {"fuse": 14, "normally-open": 12, "normally-closed": 12}


def part(kind: str, x: float, y: float, *, turned: int = 0) -> str:
    """Return a symbol with its middle at *x*, *y*, turned by so many degrees."""
    drawn = {**SYMBOLS, **OWN}[kind]
    return f'<g transform="translate({x:g},{y:g}) rotate({turned})">{drawn}</g>'


def wire(*points: tuple[float, float]) -> str:
    """Return a line through *points*."""
    first, *rest = (f"{x:g} {y:g}" for x, y in points)
    return f'<path d="M{first}L{" ".join(rest)}"/>'


def down(kind: str, x: float, top: float, bottom: float, *, turned: int = 90) -> str:
    """Return a part in the middle of an upright wire."""
    middle, gap = (top + bottom) / 2, GAPS[kind]
    return (
        wire((x, top), (x, middle - gap))
        + part(kind, x, middle, turned=turned)
        + wire((x, middle + gap), (x, bottom))
    )


def along(kind: str, left: float, right: float, y: float) -> str:
    """Return a part in the middle of a level wire."""
    middle, gap = (left + right) / 2, GAPS[kind]
    return (
        wire((left, y), (middle - gap, y))
        + part(kind, middle, y)
        + wire((middle + gap, y), (right, y))
    )


def dot(x: float, y: float) -> str:
    """Return the mark of wires that meet."""
    return f'<circle cx="{x:g}" cy="{y:g}" r="2.6" fill="#111"/>'


def switch(x: float, y: float, name: str) -> str:
    """Return a transistor whose collector or drain is up, its input to the left."""
    box = f'<path d="M{x - 13} {y - 16}h26v32h-26z" fill="#fff"/>'
    return box + text(x, y + 4, name, anchor="middle")


def text(
    x: float, y: float, said: str, *, anchor: str = "start", size: int = 11
) -> str:
    """Return words; more than one line is split at the bar."""
    rows = "".join(
        f'<tspan x="{x:g}" dy="{0 if n == 0 else size + 2}">{escape(row)}</tspan>'
        for n, row in enumerate(said.split("|"))
    )
    return (
        f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-size="{size}" '
        f'stroke="none" fill="#111">{rows}</text>'
    )


def picture() -> str:
    """Return the drawing, as SVG that stands alone."""
    body = "\n".join((*_rails(), *_pump(), *_gate(), *_permits(), *_words()))
    return f"""\
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" \
font-family="sans-serif" role="img">
<title>Heartbeat, charge pump, heartbeat relay, permits</title>
<path d="M0 0h{WIDTH}v{HEIGHT}H0z" fill="#fff"/>
<g fill="none" stroke="#111" stroke-width="1.4">
{body}
</g></svg>
"""


def _rails() -> Iterator[str]:
    yield wire((150, TOP), (1040, TOP))
    yield wire((60, BOTTOM), (1040, BOTTOM))
    yield along("fuse", 90, 150, TOP)
    yield text(20, TOP - 14, "+12 V, regulated, fused at its source")
    yield text(20, BOTTOM + 18, "0 V, also of the computer")


def _pump() -> Iterator[str]:
    """Draw pin, inverter, coupling capacitor and the two diodes."""
    yield part("pin", 60, LOW)
    yield text(20, LOW - 14, "heartbeat|pin", size=11)
    yield along("resistor", 64, 150, LOW)
    yield text(107, LOW - 10, "R1 10 k", anchor="middle")
    yield dot(150, LOW) + down("resistor", 150, LOW, BOTTOM)
    yield text(128, 300, "R2|10 k", anchor="end")
    yield wire((150, LOW), (197, LOW)) + switch(210, LOW, "Q1")
    yield wire((210, LOW + 16), (210, BOTTOM)) + wire((210, LOW - 16), (210, MID))
    yield down("resistor", 210, TOP, MID) + text(222, 118, "R3 4.7 k")
    yield dot(210, MID) + along("resistor", 210, 290, MID)
    yield text(250, MID - 10, "100", anchor="middle")
    yield along("capacitor", 290, 340, MID)
    yield text(315, MID - 16, f"C1 {C1_UF:g} uF", anchor="middle")
    yield dot(340, MID) + down("diode", 340, MID, BOTTOM, turned=270)
    yield text(352, 254, "D1")
    yield along("diode", 340, 420, MID) + text(380, MID - 14, "D2", anchor="middle")


def _gate() -> Iterator[str]:
    """Draw what holds and what drains the gate, and the relay's coil."""
    yield dot(420, MID) + down("capacitor", 420, MID, BOTTOM)
    yield text(432, 240, f"C2|{C2_UF:g} uF")
    yield wire((420, MID), (547, MID))
    yield dot(490, MID) + down("resistor", 490, MID, BOTTOM)
    yield text(502, 240, f"R4|{R4_KOHM:g} k")
    yield switch(560, MID, "Q2") + wire((560, MID + 16), (560, BOTTOM))
    yield down("coil", 560, TOP, MID - 16) + text(576, 100, "K1|heartbeat relay")
    yield dot(560, 75) + wire((560, 75), (672, 75))
    yield dot(560, 140) + wire((560, 140), (672, 140))
    yield down("diode", 672, 75, 140, turned=270)
    yield text(672, 156, "diode and zener", anchor="middle", size=10)


def _permits() -> Iterator[str]:
    """Draw K1's two contacts, the permits' coils and the lamp."""
    yield down("normally-open", 800, TOP, 130)
    yield text(816, 92, "K1, closed|while it beats")
    yield dot(800, 130) + wire((740, 130), (860, 130))
    for x, relay, permit, pin in (
        (740, "K2", "charge|permit", "its pin"),
        (860, "K3", "load|permit", "its pin"),
    ):
        yield down("coil", x, 130, 220)
        yield text(x + 16, 168, f"{relay}|{permit}")
        yield wire((x, 220), (x, 244)) + switch(x, 260, "Q")
        yield wire((x, 276), (x, BOTTOM))
        yield wire((x - 40, 260), (x - 13, 260)) + part("pin", x - 44, 260)
        yield text(x - 44, 282, pin, anchor="middle", size=10)
    yield down("normally-closed", 980, TOP, 150)
    yield text(994, 96, "K1, closed|when it|does not")
    yield down("lamp", 980, 150, BOTTOM) + text(
        996, 236, "lamp and|buzzer:|computer|dead"
    )


def _words() -> Iterator[str]:
    yield text(
        20,
        HEIGHT - 26,
        "A level that stays, high or low, passes no C1: K1 falls. So do a broken wire, "
        "a blown fuse and a dead computer. D1, D2 Schottky; Q1 NPN; Q2 logic-level|"
        "MOSFET; every coil with its own suppressor. Permits close a contact only "
        "while energised.",
        size=11,
    )


if __name__ == "__main__":
    (HERE / "dead-man.svg").write_text(picture(), encoding="utf-8")
