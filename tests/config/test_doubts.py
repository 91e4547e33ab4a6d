"""What is legal but dangerous: each told, and not told where all is well."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from site_files import line_of, loaded
from tocsin_config import Problem, doubts

if TYPE_CHECKING:
    from pathlib import Path

SOUND = """\
[bank]
capacity_ah = 280
cells_in_series = 16
[charging]
absorption_v = 55.2
[[pack]]
name = "left"
driver = "sunspec"
host = "192.0.2.1"
[[pack]]
name = "right"
driver = "sunspec"
host = "192.0.2.2"
[[output]]
name = "charge"
role = "charge-permit"
pin = "GPIO17"
[[output]]
name = "heat"
role = "load-permit"
stage = 1
pin = "GPIO22"
[[output]]
name = "lights"
role = "load-permit"
stage = 2
pin = "GPIO23"
[[output]]
name = "horn"
role = "horn"
pin = "GPIO24"
[[output]]
name = "heart"
role = "heartbeat"
pin = "GPIO25"
[gpio]
pins = "lgpio"
"""
HORN = '[[output]]\nname = "horn"\nrole = "horn"\npin = "GPIO24"\n'
HEART = '[[output]]\nname = "heart"\nrole = "heartbeat"\npin = "GPIO25"\n'
CHARGE = '[[output]]\nname = "charge"\nrole = "charge-permit"\npin = "GPIO17"\n'


def told(folder: Path, text: str) -> tuple[Problem, ...]:
    return doubts(loaded(folder, text))


def rule(name: str, more: str) -> str:
    return f'{SOUND}[[rule]]\nname = "{name}"\n{more}\n'


def test_a_sound_site_leaves_no_doubt(tmp_path: Path) -> None:
    assert told(tmp_path, SOUND) == ()


DOUBTFUL = [
    (SOUND + '[page]\nhost = "0.0.0.0"\n', 'host = "0.0.0.0"', "without encryption"),
    (rule("low-cell", "trip_v = 2.8"), 'name = "low-cell"', "not before the protector"),
    (
        rule("low-cell", "above_low_cut_v = 0\ntrip_v = 2.7"),
        '"low-cell"',
        "low-cell trips at 2.800 V",
    ),
    (
        rule("x", 'measure = "lowest-cell"\ntrip_v = 2.5\nclear_v = 3'),
        '"x"',
        "cut-off at 2.800 V",
    ),
    (rule("high-cell", "trip_v = 3.75"), '"high-cell"', "cut-off at 3.750 V"),
    (rule("rising-cell", "trip_v = 3.8"), '"rising-cell"', "cut-off at 3.750 V"),
    (
        rule("cold-charge", "trip_degc = 2\nclear_degc = 3"),
        '"cold-charge"',
        "refuses charge from 5.0 degC",
    ),
    (rule("hot-charge", "enabled = false"), "enabled", "charge-permit and is off"),
    (rule("cold-charge", "actions = []"), "actions", "no longer acts on charge-permit"),
    (SOUND.replace("55.2", "57.6"), "57.6", "3.600 V a cell; charging is inhibited"),
    (
        SOUND + '[[output]]\nname = "warm"\nrole = "heater-call"\npin = "GPIO26"\n',
        '"warm"',
        "no rule drives the heater-call warm",
    ),
    (SOUND.replace("stage = 2", "stage = 3"), "stage = 3", "no load stage 2"),
    (SOUND.replace("GPIO17", "GPIO8"), "GPIO8", "GPIO8 is pulled up at boot"),
    (SOUND.replace("GPIO17", "GPIO0"), "GPIO0", "GPIO0 is pulled up at boot"),
    (
        SOUND.replace('"GPIO24"', '"GPIO24"\nactive_low = true'),
        "active_low",
        "energises when the pin is low",
    ),
    (SOUND.replace("lgpio", "simulated"), "simulated", "no relay moves"),
    (SOUND.replace(HEART, ""), '"charge"', "no heartbeat"),
    (SOUND.replace(HORN, ""), '"charge"', "no horn"),
    (SOUND.replace(HORN, ""), '"charge"', "alarms that move nothing"),
    (SOUND.replace(CHARGE, ""), '"heat"', "no charge-permit"),
    (
        SOUND.replace("load-permit", "beacon")
        .replace("stage = 1\n", "")
        .replace("stage = 2\n", ""),
        '"charge"',
        "no load-permit",
    ),
    (
        SOUND.replace('"sunspec"\nhost = "192.0.2.2"', '"trace"'),
        '"trace"',
        "right exists in recordings only",
    ),
    (
        SOUND.replace('"192.0.2.2"', '"192.0.2.1"\nunit = 2'),
        '"left"',
        "every pack is read over one line",
    ),
    (
        SOUND.replace(
            '[[pack]]\nname = "right"\ndriver = "sunspec"\nhost = "192.0.2.2"\n', ""
        ),
        '"left"',
        "one pack is the only source",
    ),
]


@pytest.mark.parametrize(("text", "part", "wrong"), DOUBTFUL)
def test_a_doubt_is_told_with_its_line(
    text: str, part: str, wrong: str, tmp_path: Path
) -> None:
    assert text != SOUND
    found = [problem for problem in told(tmp_path, text) if wrong in problem.wrong]
    assert len(found) == 1
    near = line_of(text, part)
    # A doubt on a whole table stands at its header, the line before its name.
    assert found[0].line in {near, near - 1}


WELL = [
    (rule("low-cell", "trip_v = 2.801"), "low-cell trips"),
    (rule("high-cell", "trip_v = 3.749"), "high-cell trips"),
    (rule("cold-charge", "trip_degc = 5\nclear_degc = 7"), "cold-charge trips"),
    (rule("long-since-full", "enabled = false"), "is off"),
    (rule("cold-charge", 'actions = ["charge-permit", "heater-call"]'), "no longer"),
    (SOUND.replace("55.2", "57.5"), "a cell; charging"),
    (
        SOUND + '[[output]]\nname = "warm"\nrole = "heater-call"\npin = "GPIO26"\n'
        'rules = ["cold-charge"]\n',
        "no rule drives",
    ),
    (SOUND.replace("GPIO17", "GPIO9"), "pulled up"),
    (SOUND.replace('"GPIO24"', '"GPIO24"\nactive_low = false'), "pin is low"),
    (
        SOUND.replace(HORN, HORN.replace('"horn"', '"beacon"')),
        "alarms that move nothing",
    ),
    (SOUND.replace('"192.0.2.2"', '"192.0.2.1"\nport = 503'), "over one line"),
    (SOUND + '[page]\nhost = "0.0.0.0"\ncertificate = "c"\n', "without encryption"),
    (SOUND + '[page]\nhost = "::1"\n', "without encryption"),
]


@pytest.mark.parametrize(("text", "wrong"), WELL)
def test_what_is_well_is_not_doubted(text: str, wrong: str, tmp_path: Path) -> None:
    assert not [p for p in told(tmp_path, text) if wrong in p.wrong]


def test_doubts_come_in_the_order_of_lines(tmp_path: Path) -> None:
    text = SOUND.replace("GPIO17", "GPIO2").replace("55.2", "58").replace(HEART, "")
    lines = [problem.line for problem in told(tmp_path, text)]
    assert len(lines) >= 3
    assert lines == sorted(lines)
