"""Made for tests: a DBC of an invented battery, its site file, and its frames."""

from __future__ import annotations

from tocsin.dbc import Dbc, read_dbc
from tocsin_drivers.can.frames import Frame

CELLS_ID, STATE_ID, MOST_ID, SMALL_ID = 0x18FF1042, 0x18FF1142, 0x18FF1242, 0x100

HUT_DBC = """\
VERSION ""

NS_ :

BS_:

BU_: Battery

BO_ 2566852674 Cells: 8 Battery
 SG_ Page M : 0|8@1+ (1,0) [0|3] "" Vector__XXX
 SG_ Cell01 m0 : 8|13@1+ (0.001,0) [0|5] "V" Vector__XXX
 SG_ Cell02 m0 : 21|13@1+ (0.001,0) [0|5] "V" Vector__XXX
 SG_ Cell03 m1 : 8|13@1+ (0.001,0) [0|5] "V" Vector__XXX
 SG_ Cell04 m1 : 21|13@1+ (0.001,0) [0|5] "V" Vector__XXX

BO_ 2566852930 State: 8 Battery
 SG_ Current : 7|16@0- (0.1,0) [-500|500] "A" Vector__XXX
 SG_ Charge : 16|8@1+ (0.5,0) [0|100] "%" Vector__XXX
 SG_ Cold : 24|8@1- (1,0) [-40|100] "degC" Vector__XXX
 SG_ Warm : 32|8@1- (1,0) [-40|100] "degC" Vector__XXX
 SG_ Word : 40|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ Beat : 48|8@1+ (1,0) [0|0] "" Vector__XXX

BO_ 2566853186 Most: 4 Battery
 SG_ ChargeOn : 0|2@1+ (1,0) [0|3] "" Vector__XXX
 SG_ Volts : 8|16@1+ (1,0) [0|0] "mV" Vector__XXX

BO_ 768 Big: 12 Battery
 SG_ Volts : 0|16@1+ (0.01,0) [0|80] "V" Vector__XXX

BO_ 257 Still: 2 Battery
 SG_ Volts : 0|16@1+ (0,13.3) [0|80] "V" Vector__XXX

BO_ 256 Small: 2 Battery
 SG_ Volts : 0|16@1+ (0.01,0) [0|80] "V" Vector__XXX
"""

HUT_SITE = """\
[bank]
capacity_ah = 280
cells_in_series = 4
[[pack]]
name = "left"
driver = "dbc"
interface = "virtual"
channel = "hut"
file = "hut.dbc"
id_mask = 0x03FFFF00
[[pack.signal]]
cells = "1..4 at Cells.Cell{01}"
absent = ["0x1FFB..0x1FFF"]
max_age_s = 2
[[pack.signal]]
signal = "State.Current"
role = "current"
invert = true
absent = [-32768]
[[pack.signal]]
signal = "State.Charge"
role = "soc"
[[pack.signal]]
signal = "State.Cold"
role = "temperature"
index = 2
max_age_s = 10
[[pack.signal]]
signal = "State.Warm"
role = "temperature"
index = 1
[[pack.signal]]
signal = "State.Word"
role = "flags"
bits = { "low-voltage-warning" = 0, "high-voltage-trip" = 3 }
[[pack.signal]]
signal = "State.Beat"
role = "beat"
[[pack.signal]]
signal = "Most.ChargeOn"
role = "flags"
flag = "charge-refused"
invert = true
absent = ["2..3"]
[[pack.signal]]
signal = "Small.Volts"
role = "voltage"
low = 8
high = 20
"""


def hut() -> Dbc:
    return read_dbc(HUT_DBC.encode())


def page(number: int, one_mv: int, two_mv: int, *, can_id: int = CELLS_ID) -> Frame:
    word = number | one_mv << 8 | two_mv << 21
    return Frame(can_id, word.to_bytes(8, "little"))


def state(
    *,
    current: int = -123,
    charge: int = 130,
    cold: int = -3,
    warm: int = 9,
    word: int = 0,
    beat: int = 1,
) -> Frame:
    """Return a State frame of raw values, the current big end first."""
    data = current.to_bytes(2, "big", signed=True)
    data += bytes((charge, cold & 0xFF, warm & 0xFF, word, beat, 0xFF))
    return Frame(STATE_ID, data)


def most(charge_on: int = 1, volts: int = 0) -> Frame:
    return Frame(MOST_ID, bytes((charge_on,)) + volts.to_bytes(2, "little") + b"\xff")


def small(volts: int = 1_328) -> Frame:
    return Frame(SMALL_ID, volts.to_bytes(2, "little"), is_extended=False)


def whole() -> list[Frame]:
    """Return one frame of everything that the hut's battery sends."""
    return [page(0, 3301, 3302), page(1, 3303, 3304), state(), most(), small()]
