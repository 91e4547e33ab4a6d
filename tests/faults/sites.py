"""Random sane sites, as site files that the real loader reads.

Small strings and slow polls, all of it legal: what a site costs to simulate is its
readings, and the edges of a horn. Some sites poll fast; in a calm campaign, whose seeds
last for days in which nobody may come, no horn sounds for long in an hour.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from tests.faults.wire import DATA_AT

from tocsin_config import load

if TYPE_CHECKING:
    import random
    from pathlib import Path

    from tocsin_config import Setup

SENSORS = 2
SHUNT = "shunt"
PORT = 502

FORETOLD = ["lfp", "nmc", "lto"]
PLAIN = ["sodium-ion"] * 9
"""Nothing is foretold of it: its seeds take a quarter of the time."""

MAP = """\
[[pack.map.point]]
role = "constant"
address = 0x0F00
expect = 0x4652
[[pack.map.point]]
cells = "1..{cells} at 0x1000 step 1"
scale = 0.001
absent = [0xFFFF]
[[pack.map.point]]
role = "temperature"
address = {temps}
count = 2
type = "s16"
scale = 0.1
absent = [-32768]
[[pack.map.point]]
role = "current"
address = {current}
type = "s32"
scale = 0.001
[[pack.map.point]]
role = "voltage"
address = {voltage}
scale = 0.01
[[pack.map.point]]
role = "soc"
address = {soc}
scale = 0.1
[[pack.map.point]]
role = "flags"
address = {flags}
type = "bits"
bits = {{ "charge-refused" = 8, "discharge-refused" = 9 }}
[[pack.map.point]]
role = "beat"
address = {beat}
"""
SHUNT_MAP = """\
[[source.map.point]]
role = "current"
address = 0x1000
type = "s32"
scale = 0.001
"""


def site(chance: random.Random, folder: Path, *, is_dense: bool, calm: float) -> Setup:
    """Write a site file and return what the loader makes of it."""
    path = folder / "site.toml"
    path.write_text("\n".join(_lines(chance, is_dense=is_dense, calm=calm)))
    return load(path)


def _lines(chance: random.Random, *, is_dense: bool, calm: float) -> list[str]:
    plain = [1] * 8 if calm == 1 else [1] * 16
    packs = chance.choice(plain + [2, 2, 2, 3] + [5] * is_dense)
    cells = chance.choice([4, 4, 4, 8])
    poll_s = (
        chance.choice([1.0, 2.0, 5.0])
        if is_dense
        else chance.choice([30] * (calm == 1) + [60] * 5)
    )
    chemistries = FORETOLD + PLAIN * (1 if calm == 1 else 2)
    caps_s = [10, 10, 10, 10, 60, 600] if calm == 1 else [10]
    stale_s = min(600, round(poll_s * chance.choice([2, 3, 5]) + chance.choice([0, 5])))
    lines = [
        '[site]\nname = "Fern Ridge hut"',
        "[bank]",
        f'chemistry = "{chance.choice(chemistries)}"',
        f"capacity_ah = {chance.choice([100, 280])}",
        f"cells_in_series = {cells}",
        f"[timing]\npoll_s = {poll_s}\nstale_s = {stale_s}",
        f"good_scans = {chance.choice([1, 2, 3, 5, 8])}",
        f"shed_settle_s = {chance.choice([0, 5, 20])}",
        f"restore_gap_s = {chance.choice([0, 60, 300])}",
        f"restore_pct = {chance.choice([0, 1, 5])}",
        f"horn_cap_s_per_hour = {chance.choice(caps_s)}",
    ]
    if chance.random() < 0.4:
        lines.append('quiet_hours = "22:00-07:00"')
    lines += _packs(chance, packs, cells)
    outputs = _outputs(chance)
    lines += outputs
    lines += _inputs(chance, "\n".join(outputs))
    if chance.random() < 0.3:
        is_commanded = chance.random() < 0.6
        lines.append('[mqtt]\nhost = "192.0.2.99"')
        lines.append(f"commands = {json.dumps(is_commanded)}")
        if not is_commanded and chance.random() < 0.3:
            lines.append('protocol = "3.1.1"')
    lines.append('[journal]\nfolder = "journal"\n[history]\nenabled = false')
    lines.append("[page]\nenabled = false\n")
    return lines


def _packs(chance: random.Random, packs: int, cells: int) -> list[str]:
    lines: list[str] = []
    is_in_series = packs in {2, 3} and chance.random() < 0.3
    is_shared = chance.random() < 0.4
    framing = chance.choice(["tcp", "rtu"])
    retries = chance.choice([0, 1])
    for n in range(packs):
        host = "192.0.2.10" if is_shared else f"192.0.2.{10 + n}"
        lines.append(
            f'[[pack]]\nname = "pack-{n + 1}"\ndriver = "modbus-map"\nhost = "{host}"\n'
            f'port = {PORT}\nunit = {n + 1}\nframing = "{framing}"\nretries = {retries}'
        )
        if is_in_series:
            lines.append('string = "A"')
        at = DATA_AT + cells
        lines.append(
            MAP.format(
                cells=cells,
                temps=at,
                current=at + 2,
                voltage=at + 4,
                soc=at + 5,
                flags=at + 6,
                beat=at + 7,
            )
        )
    if chance.random() < 0.3:
        lines.append(
            f'[[source]]\nname = "{SHUNT}"\ndriver = "modbus-map"\n'
            f'host = "192.0.2.50"\nport = {PORT}\nunit = 9\ngives = ["current"]\n'
            "agree_a = 10"
        )
        lines.append(SHUNT_MAP)
    return lines


def _outputs(chance: random.Random) -> list[str]:
    lines = ['[[output]]\nname = "charge"\nrole = "charge-permit"']
    lines.append(f"min_off_s = {chance.choice([0, 10, 60, 300])}")
    lines.extend(
        f'[[output]]\nname = "stage-{stage}"\nrole = "load-permit"\n'
        f"stage = {stage}\nhold_s = {chance.choice([0, 60, 300, 600])}\n"
        f"min_off_s = {chance.choice([0, 60, 120])}"
        for stage in range(1, chance.choice([0, 1, 2, 3]) + 1)
    )
    if chance.random() < 0.45:
        lines.append('[[output]]\nname = "horn"\nrole = "horn"')
        if chance.random() < 0.4:
            lines.append('self_test_at = "12:00"\nself_test_days = 1')
    if chance.random() < 0.4:
        lines.append('[[output]]\nname = "beacon"\nrole = "beacon"')
    if chance.random() < 0.5:
        lines.append('[[output]]\nname = "set"\nrole = "generator-call"')
        if chance.random() < 0.7:
            lines.append("[output.generator]\nmin_run_min = 30\nconfirm_s = 120")
        else:
            lines.append(f"min_on_s = {chance.choice([0, 600])}\nmin_off_s = 60")
    if chance.random() < 0.3:
        lines.append(
            '[[output]]\nname = "heater"\nrole = "heater-call"\n'
            '[output.heater]\nwatts = 250\ncharge_at = "07:30"'
        )
    if chance.random() < 0.5:
        lines.append('[[output]]\nname = "heart"\nrole = "heartbeat"')
    return lines


def _inputs(chance: random.Random, outputs: str) -> list[str]:
    if chance.random() < 0.5:
        return []
    lines: list[str] = []
    for name, role in (("ack", "acknowledge"), ("hush", "silence")):
        if chance.random() < 0.5:
            lines.append(f'[[input]]\nname = "{name}"\nrole = "{role}"')
    if chance.random() < 0.4:
        lines.append('[[input]]\nname = "works"\nrole = "maintenance"\nmax_min = 30')
    if "generator-call" in outputs:
        if chance.random() < 0.5:
            lines.append('[[input]]\nname = "lock"\nrole = "generator-lockout"')
        if chance.random() < 0.7:
            lines.append('[[input]]\nname = "runs"\nrole = "generator-running"')
    if chance.random() < 0.6:
        lines.append('[[input]]\nname = "seen"\nrole = "read-back"\noutput = "charge"')
    return lines
