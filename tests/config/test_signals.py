"""`[[pack.signal]]`: signals of a DBC file as a site file maps them, and mistakes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from can_made import HUT_DBC, HUT_SITE
from site_files import line_of, loaded, mistakes, written
from tocsin.core.model import Flag
from tocsin.ports import CanLine
from tocsin.registers import PointRole
from tocsin_config import doubts

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.signals import SignalMap


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    written(tmp_path, HUT_DBC, "hut.dbc")
    return tmp_path


def signals(folder: Path, text: str = HUT_SITE) -> SignalMap:
    made: SignalMap = loaded(folder, text).sources[0].options["signals"]
    return made


def test_a_row_of_cells_becomes_a_signal_each_and_others_keep_what_they_say(
    folder: Path,
) -> None:
    setup = loaded(folder, HUT_SITE)
    source = setup.sources[0]
    assert source.line == CanLine(interface="virtual", channel="hut")
    made: SignalMap = source.options["signals"]
    assert made.id_mask == 0x03FFFF00
    cells = [each for each in made.signals if each.role is PointRole.CELL]
    assert [each.signal for each in cells] == ["Cell01", "Cell02", "Cell03", "Cell04"]
    assert [each.index for each in cells] == [1, 2, 3, 4]
    assert {(each.absent, each.max_age_ms) for each in cells} == {
        (((0x1FFB, 0x1FFF),), 2_000)
    }
    by_name = {f"{each.message}.{each.signal}": each for each in made.signals}
    current = by_name["State.Current"]
    assert (current.invert, current.absent) == (True, ((-32768, -32768),))
    assert by_name["Most.ChargeOn"].flag is Flag.CHARGE_REFUSED
    assert by_name["State.Word"].bits == (
        (0, Flag.LOW_VOLTAGE_WARNING),
        (3, Flag.HIGH_VOLTAGE_TRIP),
    )


@pytest.mark.parametrize(
    ("pattern", "names"),
    [
        ("1..2 at Cells.Cell{01}", ["Cell01", "Cell02"]),
        (" 1 .. 1 at Cells.Cell04 ", ["Cell04"]),
    ],
)
def test_the_number_in_braces_is_the_first_ones_and_counts_on(
    pattern: str, names: list[str], folder: Path
) -> None:
    text = HUT_SITE.replace("1..4 at Cells.Cell{01}", pattern)
    text = text.replace("cells_in_series = 4", f"cells_in_series = {len(names)}")
    made = signals(folder, text)
    cells = [each.signal for each in made.signals if each.role is PointRole.CELL]
    assert cells == names


CELLS = 'cells = "1..4 at Cells.Cell{01}"'
NINES = "9" * 21
"""More digits than any raw value has."""

SLIPS = [
    (CELLS, 'cells = "1..4 at Cels.Cell{01}"', "cells", "message 'Cels'", "'Cells'?"),
    (CELLS, 'cells = "1..4 at Cells.Cell{1}"', "cells", "signal 'Cell1'", "Cell01"),
    (CELLS, 'cells = "1..4 at Cells.Cell01"', "cells", "one signal", "braces"),
    (CELLS, 'cells = "4..1 at Cells.Cell{01}"', "cells", "no range", "1..16"),
    (CELLS, 'cells = "one to four"', "cells", "does not fit", "1..16 at"),
    ("State.Charge", "State.Chrge", "Chrge", "signal 'Chrge'", "'Charge'?"),
    ("State.Charge", "StateCharge", "StateCharge", "does not fit", "Cells.Cell1"),
    ('role = "soc"', 'role = "sock"', '"sock"', "unknown role", "'soc'?"),
    ('role = "soc"', 'role = "constant"', '"constant"', "not for a signal", "beat"),
    ('role = "soc"', "", "State.Charge", "is missing", "beat"),
    ("index = 2", "", "State.Cold", "is missing", "a number"),
    (CELLS, f'{CELLS}\nrole = "cell"', "role", "said by `cells`", "one of them"),
    (CELLS, f'{CELLS}\nsignal = "A.B"', "cells", "both signal and cells", "one of"),
    (CELLS, "", "max_age_s", "names no signal", "one of signal"),
    ("index = 2", "index = 3", "State.Cold", "temperature 2 is missing", "holes"),
    ("index = 2", "index = 1", "State.Warm", "temperature 1 is there", "once"),
    ('role = "soc"', 'role = "soc"\nindex = 1', "index = 1", "not for a soc", ""),
    ('flag = "charge-refused"', 'flag = "charge"', '"charge"', "unknown flag", "did"),
    ('flag = "charge-refused"', "", "Most.ChargeOn", "missing", "bits"),
    ('"high-voltage-trip" = 3', '"high-voltage-trip" = 8', "bits", "bit 8", "0 to 7"),
    ('absent = ["2..3"]', 'absent = ["3..2"]', "3..2", "no range", "0xFFFB"),
    ('absent = ["2..3"]', f'absent = ["2..{NINES}"]', "2..9", "no range", "0xFFFB"),
    ("low = 8", "low = 20", "low = 20", "not below", "below high"),
    ('role = "soc"', 'role = "soc"\ninvert = true', "invert", "direction", "false"),
    ('role = "soc"', 'role = "soc"\nscale = 0', "scale", "every value 0", "0.001"),
    ("Small.Volts", "Still.Volts", "Still.Volts", "factor of Volts is 0", "right"),
    ("Small.Volts", "Most.Volts", "Most.Volts", "is in mV", "0.001 makes it V"),
    ("id_mask = 0x03FFFF00", "id_mask = 0x03FFFE00", "id_mask", "are one", "apart"),
    ("id_mask = 0x03FFFF00", "bitrate = 250000", "bitrate", "no meaning", "ip link"),
    ("Small.Volts", "Big.Volts", "Big.Volts", "12 bytes", "classic CAN"),
    ('file = "hut.dbc"', 'file = "site.toml"', "file", "is no DBC file", "DBC"),
    (
        'interface = "virtual"',
        'interface = "slcan"\nbitrate = 123456',
        "bitrate",
        "not for a serial adapter",
        "250000",
    ),
    ('interface = "virtual"', 'interface = "udp"', "udp", "unknown", "socketcan"),
]


@pytest.mark.parametrize("slip", SLIPS, ids=lambda slip: slip[1])
def test_a_mistake_with_a_signal_is_told_with_its_line(
    slip: tuple[str, str, str, str, str], folder: Path
) -> None:
    old, new, at, wrong, right = slip
    text = HUT_SITE.replace(old, new, 1)
    assert text != HUT_SITE
    (problem,) = mistakes(folder, text)
    assert wrong in problem.wrong
    assert right in problem.right
    rows = text.splitlines()[problem.line - 1 :]
    is_header = rows[0] == "[[pack.signal]]"
    told = "\n".join(rows).split("\n[[")[0] if is_header else rows[0]
    assert at in told


def test_a_dbc_pack_without_signals_or_with_too_few_cells_is_told(
    folder: Path,
) -> None:
    bare = HUT_SITE[: HUT_SITE.index("[[pack.signal]]")]
    (problem,) = mistakes(folder, bare)
    assert problem.key == "pack[left].signal"
    assert "is missing; dbc needs it" in problem.wrong
    few = HUT_SITE.replace("1..4 at", "1..3 at")
    (problem,) = mistakes(folder, few)
    assert problem.wrong == "reads 3 cells"
    assert problem.line == line_of(few, CELLS.replace("1..4", "1..3")) - 1


def test_two_packs_that_hear_the_same_are_told(folder: Path) -> None:
    other = HUT_SITE[HUT_SITE.index("[[pack]]") :].replace("left", "right")
    (problem,) = mistakes(folder, HUT_SITE + other)
    assert "hear the same thing" in problem.wrong
    elsewhere = other.replace('"hut"', '"shed"')
    assert len(loaded(folder, HUT_SITE + elsewhere).sources) == 2


RV_C = """\
[bank]
capacity_ah = 280
cells_in_series = 4
[[pack]]
name = "left"
driver = "rv-c"
interface = "slcan"
channel = "/dev/ttyACM0"
bitrate = 250000
instance = 1
battery = 2
current_sign = "charge-positive"
transmit = true
max_age_s = { "BATTERY_STATUS_1" = 4 }
"""


def test_an_rv_c_pack_says_what_it_listens_to_and_does_not_transmit_unasked(
    folder: Path,
) -> None:
    source = loaded(folder, RV_C).sources[0]
    assert source.line == CanLine(
        interface="slcan", channel="/dev/ttyACM0", bitrate=250_000
    )
    assert source.options == {
        "instance": 1,
        "battery": 2,
        "current_sign": "charge-positive",
        "transmit": True,
        "max_age_s": {"BATTERY_STATUS_1": 4},
    }
    text = RV_C.replace("transmit = true\n", "").replace("bitrate = 250000\n", "")
    plain = loaded(folder, text).sources[0]
    assert plain.options["transmit"] is False
    assert plain.line == source.line, "every RV-C bus has this bitrate"


def test_a_batterys_own_messages_may_never_come_unasked(folder: Path) -> None:
    asked = [d for d in doubts(loaded(folder, RV_C)) if "when asked" in d.wrong]
    assert [d.line for d in asked] == [line_of(RV_C, "battery = 2")]
    source = loaded(
        folder, RV_C.replace("battery = 2\n", "").replace("BATTERY", "DC_SOURCE")
    )
    assert not [d for d in doubts(source) if "when asked" in d.wrong]


@pytest.mark.parametrize(
    ("old", "new", "wrong"),
    [
        ("instance = 1", "instance = 0", "0 does not fit"),
        ("instance = 1", "instance = 251", "251 does not fit"),
        ('"BATTERY_STATUS_1"', '"BATTERY_STATUS_9"', "no such message"),
        ("transmit = true", 'transmit = "yes"', "'yes' does not fit"),
        ("battery = 2", 'file = "hut.dbc"', "not for rv-c"),
    ],
)
def test_a_mistake_with_an_rv_c_pack_is_told(
    old: str, new: str, wrong: str, folder: Path
) -> None:
    (problem,) = mistakes(folder, RV_C.replace(old, new, 1))
    assert wrong in problem.wrong
