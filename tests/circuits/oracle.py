"""What is unsafe about a circuit, worked out again from the published formulas.

Shares no code with the program, and reads the tables of the site file themselves. A
figure that a formula needs and the file lacks counts as unsafe: it must not be "fine".
"""

from __future__ import annotations

from math import log2, pi, sqrt
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.circuits.sites import Site

CLOSE = 1 + 1e-6
COILS = {"vehicle-horn", "contactor-coil"}
USUALLY_A = {"vehicle-horn": 5.5, "piezo-siren": 0.5, "led-beacon": 0.3}


class Wired:
    """One output of a site."""

    def __init__(self, site: Site, output: dict[str, Any]) -> None:
        self.output = output
        self.own = output["circuit"]
        bank, packs = site["bank"], site["pack"]
        strings = len({pack["string"] for pack in packs})
        cells = bank["cells_in_series"] * len(packs) // strings
        is_steady = self.own.get("supply") == "converter"
        cut = site["protection"]
        self.low_v = self.own["supply_v"] if is_steady else cells * cut["low_cell_v"]
        self.high_v = self.own["supply_v"] if is_steady else cells * cut["high_cell_v"]
        # 0.12 ohm Ah: the preset's.
        self.bank_ohm = 0.12 / bank["capacity_ah"] * cells / strings
        self.is_steady = is_steady
        self.kind = self.own.get("load")

    def need(self, key: str) -> Any:
        """Return a figure of the file.

        Raises:
            KeyError: it is not there.
        """
        return self.own[key]

    @property
    def amps(self) -> float:
        if "load_a" in self.own:
            return float(self.own["load_a"])
        return float(USUALLY_A[self.need("load")])

    @property
    def mm2(self) -> float:
        if "awg" not in self.own:
            return float(self.need("area_mm2"))
        size = self.own["awg"]
        number = 1 - int(size[0]) if "/" in size else int(size)
        inch = 0.005 * 92 ** ((36 - number) / 39)  # ASTM B258
        return float(pi / 4 * (inch * 25.4) ** 2)

    @property
    def lost_v(self) -> float:
        """2 L I / (58 MS/m A), IACS, and 0.393 % a kelvin."""
        hot = self.own.get("conductor_c")
        hot = self.need("insulation_c") if hot is None else hot
        cold_ohm = 2 * self.need("length_m") / 58.0 / self.mm2
        return float(self.amps * cold_ohm * (1 + 0.00393 * (hot - 20)))

    @property
    def carries_a(self) -> float:
        """33 CFR 183.425 table 5, read as printed."""
        column = (60, 75, 80, 90, 105, 125, 200).index(self.need("insulation_c"))
        area = self.mm2 * 1.005  # printed areas have three digits
        rows = [amps for printed, amps in PRINTED if printed <= area]
        if not rows:
            raise KeyError("area_mm2")
        hot, air = self.need("insulation_c"), self.need("ambient_c")
        if air > 50:
            heat = sqrt(max(0, (hot - air) / (hot - 30)))
        else:
            heat = (0.58, 0.75, 0.78, 0.82, 0.85, 0.89, 1.0)[column] if air > 30 else 1
        many = self.own.get("bundled", 1)
        side = 1 if many < 4 else 0.7 if many < 7 else 0.6 if many < 25 else 0.5
        return float(rows[-1][column] * heat * side)


PRINTED = [
    (0.82, (10, 10, 15, 20, 20, 25, 25)),
    (1.31, (15, 15, 20, 25, 25, 30, 35)),
    (2.08, (20, 20, 25, 30, 35, 40, 45)),
    (3.31, (25, 25, 35, 40, 45, 50, 55)),
    (5.26, (40, 40, 50, 55, 60, 70, 70)),
    (8.37, (55, 65, 70, 70, 80, 90, 100)),
    (13.3, (80, 95, 100, 100, 120, 125, 135)),
    (21.2, (105, 125, 130, 135, 160, 170, 180)),
    (33.6, (140, 170, 175, 180, 210, 225, 240)),
    (42.4, (165, 195, 210, 210, 245, 265, 280)),
    (53.5, (195, 230, 245, 245, 285, 305, 325)),
    (67.4, (225, 265, 285, 285, 330, 355, 370)),
    (107, (300, 360, 385, 385, 445, 475, 510)),
]


def _drop(w: Wired) -> bool:
    limit = 0.03 if w.own.get("critical", True) else 0.10
    return bool(w.lost_v > limit * w.low_v * 1.001)


def _volts(w: Wired) -> bool:
    known = {}
    if w.kind == "contactor-coil" and "load_v" in w.own:
        known = {
            "load_min_v": 0.8 * w.own["load_v"],
            "load_max_v": 1.1 * w.own["load_v"],
        }
    stated = known | w.own
    low, high = stated["load_min_v"], stated["load_max_v"]
    return bool(w.low_v - w.lost_v + 1e-3 < low or w.high_v > high * CLOSE)


def _cable(w: Wired) -> bool:
    return w.amps > w.carries_a * CLOSE


def _fuse(w: Wired) -> bool:
    """Load <= fuse <= cable (IEC 60364), and made for these volts."""
    fuse, most = w.need("fuse_a"), w.carries_a
    is_for_volts = w.need("fuse_v") * CLOSE >= w.high_v
    is_between = w.amps <= fuse * CLOSE and fuse <= most * CLOSE
    return not (is_between and is_for_volts)


def _fault(w: Wired) -> bool:
    return bool(w.high_v / (w.bank_ohm + 0.010) > w.need("fuse_breaking_a") * CLOSE)


def _contact(w: Wired) -> bool:
    """A load's share of a rating, and 10 A at 30 V becoming 0.3 to 0.5 A at 110 V."""
    kind = w.need("load")
    times = 1.0
    if kind in COILS and w.need("contact_rating") == "resistive":
        times = 2.0  # "inductive 2x"
    if kind == "motor":
        times = 15 / 6  # the contactor's table
    if kind in {"lamp", "piezo-siren", "led-beacon", "electronics"}:
        times = 5.0  # "inrush: up to 5x"
    w.need("contact_rating")
    volts = w.need("contact_v") * w.own.get("contacts_in_series", 1)
    allowed = w.need("contact_a")
    if w.high_v > volts * CLOSE:
        fall = log2(10 / 0.5) / log2(110 / 30)
        allowed *= (volts / w.high_v) ** fall
    return bool(w.amps * times > allowed * CLOSE)


def _direction(w: Wired) -> bool:
    return bool(w.need("contact_form") != "normally-open")


def _pin(w: Wired) -> bool:
    driver = w.need("driver")
    if driver == "direct":
        return "coil_ma" in w.own or w.need("input_ma") > 16
    if "input_ma" in w.own or driver != "transistor":
        return bool(w.need("input_ma") > 16)
    return bool(w.need("coil_ma") / 20 > 16)  # the best transistor's forced beta


def _boot(w: Wired) -> bool:
    """High on an active-high driver or low on an active-low one is energised."""
    line = int(w.output["pin"][4:])
    pull = w.need("pull")
    is_up = pull == "up" or (pull == "none" and line < 9) or line in {2, 3}
    return bool(is_up is not w.output["active_low"])


def _flyback(w: Wired) -> bool:
    return bool(w.need("flyback") == "none")


def _load_flyback(w: Wired) -> bool:
    return bool(w.need("load_flyback") == "none")


FORMULAS: dict[str, Callable[[Wired], bool]] = {
    "volt drop": _drop,
    "volts at the load": _volts,
    "cable": _cable,
    "fuse": _fuse,
    "fuse, fault current": _fault,
    "contact": _contact,
    "direction": _direction,
    "pin current": _pin,
    "level at boot": _boot,
    "coil suppression": _flyback,
    "load suppression": _load_flyback,
}


def unsafe(site: Site, output: dict[str, Any], check: str) -> str:
    """Return why *check* of *output* must not be called fine; empty if it may."""
    try:
        is_bad = FORMULAS[check](Wired(site, output))
    except KeyError as gone:
        return f"{gone} is not stated"
    return "the formula says no" if is_bad else ""


def rail_unsafe(site: Site) -> str:
    """Return why all pins together must not be called fine; empty if they may."""
    total = 0.0
    for output in site["output"]:
        own = output.get("circuit", {})
        if own.get("driver") == "direct" and "coil_ma" in own:
            total += own["coil_ma"]
        elif "input_ma" in own:
            total += own["input_ma"]
        elif own.get("driver") == "transistor" and "coil_ma" in own:
            total += own["coil_ma"] / 20
        else:
            return "a pin's current is not stated"
    return "more than 17 pins of 3 mA" if total > 51 else ""


def applies(site: Site, output: dict[str, Any]) -> set[str]:
    """Return the checks that must be there for *output*."""
    w = Wired(site, output)
    checks = set(FORMULAS)
    if w.kind == "signal":
        checks -= {"volt drop", "volts at the load", "cable", "fuse"}
    if w.kind == "signal" or w.is_steady:
        checks -= {"fuse, fault current"}
    if not w.own.get("relay", True):
        checks -= {"direction", "coil suppression"}
    if w.kind not in COILS | {"motor"}:
        checks -= {"load suppression"}
    return checks
