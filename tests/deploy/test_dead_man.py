"""``DEADMAN.md``: its times are those of the code and the unit, its circuit works."""

from __future__ import annotations

import importlib.util
import math
import re
from configparser import RawConfigParser
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest

from site_files import loaded
from tocsin.core.rules import Role
from tocsin.core.site import Output, Timing
from tocsin.doctor.judge_service import LONGEST_HARDWARE_S
from tocsin.journal.writer import STALL_S
from tocsin.shell import BEAT_MS, IDLE_MS
from tocsin_config.presets import preset

if TYPE_CHECKING:
    from types import ModuleType

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
TEXT = (DEPLOY / "DEADMAN.md").read_text(encoding="utf-8")

FAULTS = (
    *("sensor silent", "bad data", "step raises", "event loop blocked"),
    *("process killed", "SIGSTOP", "disk hung", "disk full", "broker gone"),
    *("kernel panic", "kernel hangs", "card gone", "power lost", "wire"),
    *("relay welded", "pin stuck"),
)


def tables() -> list[list[list[str]]]:
    """Return every table of the page, a row a list of cells, without its head."""
    found: list[list[list[str]]] = []
    is_in = False
    for line in TEXT.splitlines():
        if line.startswith("|"):
            if not is_in:
                found.append([])
            found[-1].append([cell.strip() for cell in line.strip("|").split("|")])
        is_in = line.startswith("|")
    return [table[2:] for table in found]


def times_s() -> dict[str, float]:
    """Return the times that the page states."""
    return {row[0].strip("`"): float(row[1]) for row in tables()[0]}


def script() -> ModuleType:
    path = DEPLOY / "pictures" / "dead_man.py"
    spec = importlib.util.spec_from_file_location("dead_man_picture", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def rule_s(name: str, key: str) -> float:
    rule = next(each for each in preset("lfp").rule if each.name == name)
    return float(getattr(rule, key))


def pump(
    *,
    c1_f: float,
    c2_f: float,
    r4_ohm: float,
    supply_v: float,
    diode_v: float,
    every_s: float,
) -> tuple[float, float]:
    """Return the highest and lowest volts on C2, once it beats *every_s* seconds.

    At each edge C1, charged to the supply less one diode, shares its charge with C2
    through the other; between edges R4 drains C2.
    """
    volts = top = 0.0
    for _ in range(200):
        peak = supply_v - 2 * diode_v
        top = max(volts, (c1_f * peak + c2_f * volts) / (c1_f + c2_f))
        volts = top * math.exp(-every_s / (r4_ohm * c2_f))
    return top, volts


def corners(diode_v: float, every_s: float) -> list[tuple[float, float, float]]:
    """Return highest and lowest volts and the draining time, for the worst parts."""
    drawn = script()
    found: list[tuple[float, float, float]] = []
    for a, b, r, s in product((0.9, 1.1), (0.9, 1.1), (0.99, 1.01), (0.95, 1.05)):
        c1_f, c2_f = drawn.C1_UF * a / 1e6, drawn.C2_UF * b / 1e6
        r4_ohm = drawn.R4_KOHM * r * 1e3
        top, low = pump(
            c1_f=c1_f,
            c2_f=c2_f,
            r4_ohm=r4_ohm,
            supply_v=drawn.SUPPLY_V * s,
            diode_v=diode_v,
            every_s=every_s,
        )
        found.append((top, low, r4_ohm * c2_f))
    return found


def test_every_time_on_the_page_is_the_code_s_or_the_unit_s(tmp_path: Path) -> None:
    unit = RawConfigParser(strict=False)
    unit.read_string((DEPLOY / "tocsin.service").read_text(encoding="utf-8"))
    service, timing = unit["Service"], Timing()
    output = Output(name="x", role=Role.LOAD_PERMIT, stage=1)
    poll_s = loaded(tmp_path).poll_ms / 1_000
    step_s, beat_s = IDLE_MS / 1_000, BEAT_MS / 1_000
    stated = times_s()
    assert stated == {
        "poll": poll_s,
        "stale": timing.stale_ms / 1_000,
        "hold": output.hold_ms / 1_000,
        "frozen": rule_s("frozen-values", "trip_s"),
        "scans": timing.good_scans * poll_s,
        "step": max(step_s, poll_s),
        "beat": beat_s,
        "level": step_s + beat_s,
        "relay": stated["relay"],
        "pump": stated["pump"],
        "watchdog": float(service["WatchdogSec"]),
        "restart": float(service["RestartSec"]),
        "stall": STALL_S,
        "readback": rule_s("output-stuck-closed", "on_delay_s"),
        "machine": LONGEST_HARDWARE_S,
    }
    assert rule_s("output-stuck-open", "on_delay_s") == stated["readback"]
    assert stated["relay"] > 2 * stated["level"], "a slow beat must not let it fall"
    assert max(stated["relay"], stated["pump"]) < stated["watchdog"], (
        "the relay acts before the process is killed, or it is of no use"
    )


def test_every_sum_in_the_table_of_faults_is_right() -> None:
    stated, sums = times_s(), 0
    for row in tables()[1]:
        for terms, total in re.findall(r"`([a-z +]+) = ([\d.]+)`", " ".join(row)):
            worth_s = sum(stated[term] for term in terms.split(" + "))
            assert worth_s == float(total), row
            sums += 1
    assert sums >= 15


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_has_a_row_that_says_what_every_role_does(fault: str) -> None:
    rows = [row for row in tables()[1] if fault in row[0]]
    assert rows
    for row in rows:
        assert len(row) == 7
        assert all(row)


def test_each_test_that_the_page_names_exists() -> None:
    listed = dict(re.findall(r"^- (\w): `(\S+)`$", TEXT, flags=re.MULTILINE))
    asked = {row[-1] for row in tables()[1]} - {"-"}
    assert asked == listed.keys()
    for where in listed.values():
        file, _, name = where.partition("::")
        source = (ROOT / file).read_text(encoding="utf-8")
        assert f"def {name}(" in source


def test_the_pump_holds_its_gate_at_the_slowest_beat_with_the_worst_parts() -> None:
    """A logic-level gate is specified at 4.5 V, as makers' data sheets have it."""
    slowest_s = 2 * times_s()["level"]
    assert "above 5 V" in TEXT
    assert min(low for _, low, _ in corners(0.4, slowest_s)) > 5.0


def test_the_pump_lets_go_in_time_after_the_last_edge_with_the_worst_parts() -> None:
    """1 V is the least threshold of such gates, as makers' data sheets have it."""
    fastest_s = 2 * times_s()["beat"]
    falls_s = max(
        tau_s * math.log(top / 1.0) for top, _, tau_s in corners(0.3, fastest_s)
    )
    assert math.ceil(falls_s) == times_s()["pump"]


def test_a_level_lasts_long_enough_to_move_the_whole_charge() -> None:
    """Five time constants of R3 and both capacitors in series."""
    drawn = script()
    both_f = drawn.C1_UF * drawn.C2_UF / (drawn.C1_UF + drawn.C2_UF) / 1e6
    assert 5 * 4_700 * both_f < times_s()["beat"]


def test_the_picture_is_the_one_that_its_script_draws() -> None:
    drawn = script().picture()
    assert (DEPLOY / "pictures" / "dead-man.svg").read_text(encoding="utf-8") == drawn
    assert "pictures/dead-man.svg" in TEXT
    words = " ".join(ET.fromstring(drawn).itertext())
    for part in ("K1", "K2", "K3", "C1", "C2", "D1", "D2", "R4", "Q1", "Q2"):
        assert part in words
