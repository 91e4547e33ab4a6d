"""Random sites, as tables and as TOML: plausible, careless and absurd ones."""

from __future__ import annotations

import json
from random import Random
from typing import Any, TypeAlias

Site: TypeAlias = dict[str, Any]

ROLES = ("charge-permit", "horn", "beacon", "generator-call", "heater-call")
MATERIAL: dict[str, tuple[Any, ...]] = {
    "load": (
        *("vehicle-horn", "piezo-siren", "led-beacon", "contactor-coil", "lamp"),
        *("motor", "heater", "electronics", "signal"),
    ),
    "load_a": (0.005, 0.01, 0.05, 0.3, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 60.0),
    "load_v": (12.0, 24.0, 48.0),
    "load_min_v": (5.0, 9.0, 10.5, 20.0, 40.0),
    "load_max_v": (14.0, 16.0, 32.0, 61.0, 130.0),
    "load_flyback": ("none", "diode", "diode-zener"),
    "critical": (True, False),
    "length_m": (0.5, 1.0, 3.0, 8.0, 15.0, 40.0),
    "conductor_c": (-10.0, 20.0, 40.0, 75.0),
    "ambient_c": (-20.0, 20.0, 30.0, 31.0, 50.0, 58.0, 90.0),
    "insulation_c": (60, 75, 80, 90, 105, 125, 200),
    "bundled": (1, 2, 3, 4, 6, 7, 24, 25),
    "fuse_a": (0.5, 1.0, 2.0, 5.0, 7.5, 10.0, 15.0, 20.0, 30.0, 100.0),
    "fuse_v": (32.0, 58.0, 80.0, 125.0),
    "fuse_breaking_a": (1_000.0, 5_000.0, 20_000.0),
    "contact_v": (14.0, 28.0, 30.0, 60.0, 80.0),
    "contact_a": (0.1, 2.0, 8.0, 10.0, 16.0, 30.0, 100.0),
    "contact_rating": ("resistive", "inductive"),
    "contact_form": ("normally-open", "normally-closed", "latching"),
    "contacts_in_series": (1, 1, 2, 3),
    "coil_v": (5.0, 12.0, 24.0),
    "coil_ma": (0.0, 15.0, 30.0, 70.0, 80.0, 160.0, 400.0),
    "flyback": ("none", "diode", "diode-zener"),
    "driver": ("transistor", "opto", "relay-board", "direct"),
    "input_ma": (0.1, 2.0, 5.0, 8.0, 10.0, 20.0),
    "pull": ("down", "up", "none"),
}
AWGS = ("22", "18", "16", "14", "12", "10", "6", "4", "1", "1/0", "4/0")
AREAS = (0.5, 0.75, 0.82, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 21.2, 50.0, 107.0)
OF_A_RELAY = ("coil_v", "coil_ma", "flyback", "contact_form")
GOOD = {
    "pull": "down", "driver": "opto", "input_ma": 5.0, "flyback": "diode-zener",
    "contact_form": "normally-open", "contact_rating": "resistive",
    "load_flyback": "diode-zener", "fuse_breaking_a": 20_000.0, "fuse_v": 125.0,
}  # fmt: skip
"""What a careful installer states more often than chance would."""


def random_site(seed: int) -> Site:
    """Return the site that belongs to *seed*."""
    rng = Random(seed)
    series = rng.choice((1, 1, 2))
    packs = [
        {"name": f"p{n}", "driver": "trace", "string": f"s{n // series}"}
        for n in range(series * rng.choice((1, 2, 3)))
    ]
    low_v = rng.choice((2.5, 2.8, 3.0))
    return {
        "bank": {
            "chemistry": "lfp",
            "capacity_ah": rng.choice((100, 280)),
            "cells_in_series": rng.choice((4, 8, 16)),
        },
        "protection": {"low_cell_v": low_v, "high_cell_v": rng.choice((3.65, 3.75))},
        "pack": packs,
        "output": [_output(n, rng) for n in range(rng.randint(1, 4))],
    }


def _output(n: int, rng: Random) -> dict[str, Any]:
    output: dict[str, Any] = {"name": f"o{n}", "role": rng.choice(ROLES)}
    if rng.random() < 0.9:
        output["pin"] = f"GPIO{rng.randrange(4) * 7 + n}"
    output["active_low"] = rng.random() < 0.2
    if rng.random() < 0.95:
        output["circuit"] = _circuit(rng)
    return output


def _circuit(rng: Random) -> dict[str, Any]:
    given = rng.choice((0.7, 0.9, 1.0, 1.0))
    care = rng.choice((0.2, 0.6, 0.95))
    table: dict[str, Any] = {
        key: GOOD[key] if key in GOOD and rng.random() < care else rng.choice(values)
        for key, values in MATERIAL.items()
        if rng.random() < given
    }
    for key in ("load_a", "length_m", "fuse_a", "ambient_c", "contact_a"):
        if key in table and rng.random() < 0.5:
            table[key] = round(table[key] * rng.uniform(0.8, 1.25), 4)
    if rng.random() < given:
        key, values = rng.choice((("awg", AWGS), ("area_mm2", AREAS)))
        table[key] = rng.choice(values)
    if table.get("load_min_v", 0) >= table.get("load_max_v", 1_000):
        del table["load_min_v"]
    if rng.random() < 0.5:
        table |= {"supply": "converter", "supply_v": rng.choice((5.0, 12.0, 24.0))}
    if rng.random() < 0.15:
        table["relay"] = False
        for key in OF_A_RELAY:
            table.pop(key, None)
    return table


def as_toml(site: Site) -> str:
    """Return the text of a site file; JSON's words for scalars are TOML's."""
    rows: list[str] = []
    for name, value in site.items():
        for each in value if isinstance(value, list) else (value,):
            rows.append(f"[[{name}]]" if isinstance(value, list) else f"[{name}]")
            inner = {k: v for k, v in each.items() if isinstance(v, dict)}
            rows += [
                f"{k} = {json.dumps(v)}" for k, v in each.items() if k not in inner
            ]
            for key, table in inner.items():
                rows.append(f"[{name}.{key}]")
                rows += [f"{k} = {json.dumps(v)}" for k, v in table.items()]
    return "\n".join(rows) + "\n"
