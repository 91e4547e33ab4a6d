"""Whatever a file holds, it loads or every mistake is told; nothing else happens."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tocsin_config import SiteFileError, doubts, load

if TYPE_CHECKING:
    from pathlib import Path

WHOLE = """\
[site]
name = "Fern Ridge hut"
[bank]
chemistry = "lfp"
capacity_ah = 280
cells_in_series = 4
[protection]
low_cell_v = 2.80
high_cell_v = 3.75
cold_charge_c = 5.0
[charging]
absorption_v = 13.8
[forecast]
lead_min = 15
[[pack]]
name = "left"
driver = "sunspec"
host = "127.0.0.1"
port = 1502
unit = 1
timeout_s = 0.5
[[pack]]
name = "right"
driver = "modbus-map"
serial = "/dev/ttyUSB0"
parity = "N"
[pack.map]
max_gap = 4
[[pack.map.point]]
cells = "1..4 at 0x1000 step 1"
scale = 0.001
absent = [0xFFFF, 0x8000]
[[pack.map.point]]
role = "flags"
address = 7
bits = { "cold-trip" = 1 }
[[output]]
name = "charge"
role = "charge-permit"
pin = "GPIO17"
[[output]]
name = "heat"
role = "load-permit"
stage = 1
hold_s = 60
[[output]]
name = "horn"
role = "horn"
rules = ["low-cell"]
[output.circuit]
supply = "converter"
supply_v = 12
load = "vehicle-horn"
load_a = 5
load_min_v = 10
load_max_v = 15
load_flyback = "diode"
length_m = 8
awg = "10"
conductor_c = 40
ambient_c = 60
insulation_c = 105
fuse_a = 10
fuse_v = 32
contact_v = 30
contact_a = 30
contact_rating = "resistive"
contacts_in_series = 1
coil_ma = 35
flyback = "diode"
driver = "transistor"
pull = "down"
[output.reliability]
parts = { relay = 3e-7 }
proof_test_months = 12
coverage_pct = 90
life_years = 15
[[rule]]
name = "low-cell"
trip_v = 3.05
actions = ["generator-call"]
[[rule]]
name = "extra"
measure = "discharge-current"
trip_rate = 0.5
clear_a = 100
gate = { measure = "lowest-cell", at_most_v = 3.2 }
suppressed_by = ["low-cell"]
[gpio]
pins = "simulated"
[journal]
folder = "/var/lib/tocsin"
[mqtt]
host = "127.0.0.1"
port = 1883
[page]
port = 8460
[timing]
poll_s = 1.0
stale_s = 10
"""

ODD = [
    *("0", "-1", "1", "3.3", "1e300", "-1e-300", "nan", "-inf", "true", "1979-05-27"),
    *("9" * 400, "0x10", '""', '"x"', '"left"', '"lfp"', '"low-cell"', '"GPIO17"'),
    *('"none.toml"', '"\\u0000"', "[]", "[[]]", "[1, 'a', {}]", "{}", "{ a = 1 }"),
    *("[{ name = 'left' }]", '"""\nx = 1\n"""', "[\n1,\n2]", "'trace'", "'horn'"),
    *("", "[", '"', "{", "# gone", "[" * 2_000, "1 1", "'load-permit'", "'coldest'"),
]
ROWS = WHOLE.splitlines()
PAIRS = [number for number, row in enumerate(ROWS) if " = " in row]


@st.composite
def mutations(draw: st.DrawFn) -> str:
    rows = list(ROWS)
    for _ in range(draw(st.integers(1, 4))):
        what = draw(st.sampled_from(["value", "value", "drop", "twice", "move", "key"]))
        at = draw(st.sampled_from(PAIRS) | st.integers(0, len(ROWS) - 1))
        row = rows[at]
        if what == "value":
            rows[at] = re.sub("= .*", "= ", row) + draw(st.sampled_from(ODD))
        elif what == "drop":
            rows[at] = ""
        elif what == "twice":
            rows[at] = f"{row}\n{row}"
        elif what == "move":
            other = draw(st.integers(0, len(ROWS) - 1))
            rows[at], rows[other] = rows[other], row
        else:
            cut = draw(st.integers(0, len(row)))
            junk = draw(st.text(st.sampled_from("ab.[]{}=\"'\\ #é\0"), max_size=3))
            rows[at] = row[:cut] + junk + row[cut:]
    return "\n".join(rows)


def look(text: str | bytes, folder: Path) -> bool:
    """Return True if it loads; every problem must have a line of the file."""
    path = folder / "site.toml"
    raw = text.encode() if isinstance(text, str) else text
    path.write_bytes(raw)
    try:
        setup = load(path)
    except SiteFileError as exc:
        problems = exc.problems
    else:
        doubts(setup)
        return True
    assert problems
    assert list(problems) == sorted(set(problems))
    for problem in problems:
        assert 1 <= problem.line <= raw.count(b"\n") + 1
        assert problem.key
        assert problem.wrong
        assert problem.right
    return False


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("sites")


def test_the_unspoilt_file_loads(folder: Path) -> None:
    assert look(WHOLE, folder)


@settings(max_examples=400)
@given(text=mutations())
def test_a_spoilt_file_loads_or_is_refused(folder: Path, text: str) -> None:
    look(text, folder)


@settings(max_examples=200)
@given(raw=st.binary(max_size=60))
def test_bytes_load_or_are_refused(folder: Path, raw: bytes) -> None:
    assert not look(raw, folder)


@pytest.mark.parametrize("odd", ODD)
def test_an_odd_value_anywhere_loads_or_is_refused(folder: Path, odd: str) -> None:
    for at in PAIRS:
        rows = list(ROWS)
        rows[at] = re.sub("= .*", "= ", rows[at]) + odd
        look("\n".join(rows), folder)
