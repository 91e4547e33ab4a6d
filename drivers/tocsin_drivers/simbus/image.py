"""A pack's reading as registers: SunSpec models, and a plain map. Pure.

Layout of models 1, 802, 803, 804 and 805: the SunSpec model definitions (SunSpec
Alliance, Apache-2.0). One unit is one pack: a bank of one string of one module. A
point that the simulated pack does not have holds the type's "not implemented" value.

The plain map, all 16-bit registers, most significant byte first:

========  =====  ==============================================================
address   type   value
========  =====  ==============================================================
0x0000    u16    0x5443, always: proves that an answer is this map's
0x1000 +  u16    cell 1 onwards, 1 mV
0x1100 +  s16    cell temperature 1 onwards, 0.1 degC
0x1200    u16    pack voltage, 10 mV
0x1201    s16    current, 0.1 A, positive while charging
0x1202    u16    the pack's own state of charge, 1 %
0x1203    u16    charge current allowed now, 0.1 A; 0 while it refuses
0x1204    u16    discharge current allowed now, 0.1 A
0x1205    u16    seconds alive, back to 0 after 65534
0x1206    bits   see `PLAIN_BITS`
0x1207    u16    lowest cell, 1 mV
0x1208    u16    highest cell, 1 mV
========  =====  ==============================================================
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.model import Flag

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from tocsin_drivers.simbus.pack import PackReading

SUNSPEC_BASE = 40_000
MARKER = (0x5375, 0x6E53)
END_MODEL = (0xFFFF, 0)
ABSENT = 0xFFFF
ABSENT_SIGNED = 0x8000
FULL_PCT = 99
IDLE_DA = 5
"""Half an ampere: less than this is neither charging nor discharging."""

EVENT_BITS = {
    1: Flag.HOT_TRIP,
    3: Flag.COLD_TRIP,
    4: Flag.COLD_WARNING,
    9: Flag.HIGH_VOLTAGE_TRIP,
    10: Flag.HIGH_VOLTAGE_WARNING,
    11: Flag.LOW_VOLTAGE_TRIP,
    12: Flag.LOW_VOLTAGE_WARNING,
}
"""Bits of Evt1 in models 802 and 804 and of StrEvt1 in 803: they share one layout."""

PLAIN_CONSTANT = 0x5443
PLAIN_CELLS = 0x1000
PLAIN_TEMPS = 0x1100
PLAIN_VALUES = 0x1200
PLAIN_BITS = {
    0: Flag.LOW_VOLTAGE_TRIP,
    1: Flag.HIGH_VOLTAGE_TRIP,
    2: Flag.COLD_TRIP,
    3: Flag.HOT_TRIP,
    4: Flag.LOW_VOLTAGE_WARNING,
    5: Flag.HIGH_VOLTAGE_WARNING,
    6: Flag.COLD_WARNING,
    8: Flag.CHARGE_REFUSED,
    9: Flag.DISCHARGE_REFUSED,
}
MOST_CELLS = 0x100


def u16(value: int) -> int:
    """Return *value* in one register, two's complement, held at the type's ends."""
    return max(-0x7FFF, min(value, 0xFFFE)) & 0xFFFF


def wide(value: int) -> tuple[int, int]:
    """Return *value* in two registers, most significant first."""
    return (value >> 16) & 0xFFFF, value & 0xFFFF


def text(value: str, registers: int) -> list[int]:
    """Return ASCII *value*, padded with zeros and cut to *registers*."""
    raw = value.encode("ascii", "replace")[: 2 * registers].ljust(2 * registers, b"\0")
    return [raw[i] << 8 | raw[i + 1] for i in range(0, 2 * registers, 2)]


def bits_of(flags: Collection[Flag], layout: Mapping[int, Flag]) -> int:
    """Return the bits of *layout* whose flags are set."""
    return sum(1 << bit for bit, flag in layout.items() if flag in flags)


class _Model:
    """One model under construction; offsets count from its ID register."""

    def __init__(self, number: int, registers: int) -> None:
        self.registers = [0] * registers
        self.registers[0:2] = [number, registers - 2]

    def put(self, offset: int, *values: int) -> None:
        for i, value in enumerate(values):
            self.registers[offset + i] = u16(value) if value != ABSENT else ABSENT

    def put_wide(self, offset: int, value: int) -> None:
        self.registers[offset : offset + 2] = wide(value)


def sunspec_image(reading: PackReading) -> dict[int, int]:
    """Return every register of the pack as a SunSpec battery, by address."""
    models = (
        _common(reading),
        _battery(reading),
        _bank(reading),
        _string(reading),
        _module(reading),
    )
    whole = [*MARKER, *(r for each in models for r in each.registers), *END_MODEL]
    return dict(enumerate(whole, start=SUNSPEC_BASE))


def _mean(values: Sequence[int]) -> int:
    return round(sum(values) / len(values))


def _where(values: Sequence[int], value: int) -> int:
    return values.index(value) + 1


def _common(reading: PackReading) -> _Model:
    model = _Model(1, 68)
    model.put(2, *text("Tocsin", 16))
    model.put(18, *text("simulated pack", 16))
    model.put(42, *text("1", 8))
    model.put(50, *text(reading.name, 16))
    model.put(66, 1, ABSENT_SIGNED)
    return model


def charge_state(reading: PackReading) -> int:
    """Return ChaSt: 2 empty, 3 discharging, 4 charging, 5 full, 6 holding."""
    if reading.current_da <= -IDLE_DA:
        return 3
    if reading.current_da >= IDLE_DA:
        return 4
    if Flag.LOW_VOLTAGE_TRIP in reading.flags:
        return 2
    return 5 if reading.soc_pct >= FULL_PCT else 6


def _battery(reading: PackReading) -> _Model:
    cells = reading.cells_mv
    low, high = min(cells), max(cells)
    nameplate_da = round(reading.nameplate_ah * 10)
    watts = reading.voltage_mv * reading.current_da / 10_000
    events = bits_of(reading.flags, EVENT_BITS)
    model = _Model(802, 64)
    model.put(2, nameplate_da, round(reading.nameplate_ah * len(cells) * 3.2))
    model.put(4, *([ABSENT] * 7))  # power ratings, rates and SoC limits
    model.put(11, reading.soc_pct, 100 - reading.soc_pct, ABSENT)
    model.put(14, ABSENT, ABSENT, charge_state(reading), 1, reading.beat, ABSENT, 0, 4)
    model.put(22, 99 if _is_cut(reading) else 3, ABSENT)
    model.put(24, ABSENT, ABSENT)  # date of warranty
    model.put_wide(26, events)
    model.put(34, round(reading.voltage_mv / 10), ABSENT, ABSENT)
    model.put(37, high, 1, 1, low, 1, 1, _mean(cells))
    model.put(44, reading.current_da)
    model.put(45, reading.charge_limit_da, reading.discharge_limit_da, round(watts))
    model.put(48, 0, ABSENT_SIGNED, 1, 3)
    scales = (-1, 0, 0, 0, 0, 0, 0, -2, -3, -1, -1, 0)
    model.put(52, *scales)
    return model


def _is_cut(reading: PackReading) -> bool:
    return Flag.DISCHARGE_REFUSED in reading.flags


def _bank(reading: PackReading) -> _Model:
    cells, temps = reading.cells_mv, reading.temps_dc
    volts = round(reading.voltage_mv / 10)
    hot, cold, mean = max(temps), min(temps), _mean(temps)
    amps = reading.current_da
    connected = int(not _is_cut(reading))
    model = _Model(803, 28 + 32)
    model.put(2, 1, connected, hot, 1, 1, cold, 1, 1, mean)
    model.put(11, volts, 1, volts, 1, volts)
    model.put(16, amps, 1, amps, 1, amps, len(reading.balancing))
    model.put(22, -3, -1, -1, 0, 0, -2)
    model.put(28, 1)
    model.put_wide(29, connected * 0b11)
    model.put(31, 0, reading.soc_pct, ABSENT, amps)
    model.put(35, max(cells), 1, min(cells), 1, _mean(cells))
    model.put(40, hot, 1, cold, 1, mean)
    model.put(45, 1 if _is_cut(reading) else 0)
    model.put_wide(46, connected * 0b1)
    model.put_wide(48, bits_of(reading.flags, EVENT_BITS))
    model.put(56, ABSENT, ABSENT, ABSENT_SIGNED, ABSENT_SIGNED)
    return model


def _string(reading: PackReading) -> _Model:
    cells, temps = reading.cells_mv, reading.temps_dc
    connected = int(not _is_cut(reading))
    model = _Model(804, 48 + 16)
    model.put(2, 1, 1)
    model.put_wide(4, connected * 0b11)
    model.put(6, 0, len(reading.balancing), reading.soc_pct, 100 - reading.soc_pct)
    model.put(10, ABSENT, ABSENT, ABSENT, reading.current_da)
    model.put(14, round(reading.voltage_mv / 10))
    model.put(15, max(cells), 1, min(cells), 1, _mean(cells))
    model.put(20, max(temps), 1, min(temps), 1, _mean(temps))
    model.put_wide(26, connected * 0b1)
    model.put_wide(28, bits_of(reading.flags, EVENT_BITS))
    model.put(36, ABSENT, ABSENT, 0, 0, 0, -1, -2, -3, -1)
    model.put(48, len(cells), reading.soc_pct, ABSENT)
    model.put(51, max(cells), _where(cells, max(cells)))
    model.put(53, min(cells), _where(cells, min(cells)), _mean(cells))
    model.put(56, max(temps), _where(temps, max(temps)))
    model.put(58, min(temps), _where(temps, min(temps)), _mean(temps))
    return model


def _module(reading: PackReading) -> _Model:
    cells, temps = reading.cells_mv, reading.temps_dc
    model = _Model(805, 44 + 4 * len(cells))
    model.put(2, 1, 1, len(cells), reading.soc_pct, 100 - reading.soc_pct, ABSENT)
    model.put(8, ABSENT, ABSENT, round(reading.voltage_mv / 10))
    model.put(11, max(cells), _where(cells, max(cells)))
    model.put(13, min(cells), _where(cells, min(cells)), _mean(cells))
    model.put(16, max(temps), _where(temps, max(temps)))
    model.put(18, min(temps), _where(temps, min(temps)), _mean(temps))
    model.put(21, len(reading.balancing))
    model.put(22, *text(reading.name, 16))
    model.put(38, 0, 0, 0, -2, -3, -1)
    for number, (cell_mv, temp_dc) in enumerate(zip(cells, temps, strict=True)):
        at = 44 + 4 * number
        model.put(at, cell_mv, temp_dc)
        model.put_wide(at + 2, int(number + 1 in reading.balancing))
    return model


def plain_image(reading: PackReading) -> dict[int, int]:
    """Return every register of the pack in the plain map, by address.

    Raises:
        ValueError: the pack has more cells than the map has room for.
    """
    cells = reading.cells_mv
    if len(cells) > MOST_CELLS:
        raise ValueError(f"the plain map has room for {MOST_CELLS} cells")
    values = (
        round(reading.voltage_mv / 10),
        reading.current_da,
        reading.soc_pct,
        reading.charge_limit_da,
        reading.discharge_limit_da,
        reading.beat,
        bits_of(reading.flags, PLAIN_BITS),
        min(cells),
        max(cells),
    )
    image = {0: PLAIN_CONSTANT}
    for start, block in (
        (PLAIN_CELLS, cells),
        (PLAIN_TEMPS, reading.temps_dc),
        (PLAIN_VALUES, values),
    ):
        image |= {start + i: u16(value) for i, value in enumerate(block)}
    return image


def plain_map_toml(cells: int, table: str = "pack.map.point") -> str:
    """Return the tables that read the plain map of a pack of *cells* cells.

    They stand in a site file as ``[[pack.map.point]]``; in a map file of their own
    the *table* is ``point``.
    """
    bits = ", ".join(f'"{flag}" = {bit}' for bit, flag in PLAIN_BITS.items())
    temps = f"count = {cells}\nscale = 0.1"
    rows = (
        'role = "constant"\naddress = 0x0000\nexpect = 0x5443',
        f'role = "cell"\naddress = 0x1000\ncount = {cells}\nscale = 0.001',
        f'role = "temperature"\naddress = 0x1100\ntype = "s16"\n{temps}',
        'role = "voltage"\naddress = 0x1200\nscale = 0.01',
        'role = "current"\naddress = 0x1201\ntype = "s16"\nscale = 0.1',
        'role = "soc"\naddress = 0x1202',
        'role = "charge-limit"\naddress = 0x1203\nscale = 0.1',
        'role = "discharge-limit"\naddress = 0x1204\nscale = 0.1',
        'role = "beat"\naddress = 0x1205',
        f'role = "flags"\naddress = 0x1206\ntype = "bits"\nbits = {{ {bits} }}',
    )
    return "".join(f"[[{table}]]\n{row}\n\n" for row in rows)
