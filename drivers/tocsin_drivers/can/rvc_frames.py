"""RV-C: identifiers, and the payloads of the messages that batteries send. Pure.

After the RV-C specification (rv-c.com): data types table 5.3, DC sources 6.5, batteries
6.49, generic alarms 6.47. Values above a type's usable maximum mean "no data", "out of
range" or "error", and are None here (that the maxima are 250, 65 530 and 4 294 967 290
is from memory, but for the second). Of two bits, 00 is no and 01 is yes; 10 (error)
and 11 (no data) are None, never no. Multi-byte values are little-endian; what is not
said is sent as ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, TypeAlias

from tocsin_drivers.can.frames import Filter, Frame

if TYPE_CHECKING:
    from collections.abc import Mapping

Value: TypeAlias = "Decimal | bool | None"

DGN_MASK = 0x03FF_FF00
"""Reserved bit and DGN: whatever priority and source address."""

STATUS_PRIORITY = 6
GLOBAL = 0xFF
NO_ADDRESS = 0xFE

DC_1, DC_2, DC_3 = 0x1FFFD, 0x1FFFC, 0x1FFFB
DC_4, DC_5, DC_6, DC_11 = 0x1FEC9, 0x1FEC8, 0x1FEC7, 0x1FEA5
BATTERY_1, BATTERY_2, BATTERY_4, BATTERY_11 = 0x1FE95, 0x1FE94, 0x1FE92, 0x1FE8B
GENERIC_ALARM = 0x1FE9F
DIAGNOSTIC = 0x1FECA
REQUEST = 0x0EA00
ADDRESS_CLAIMED = 0x0EE00

NAMES = {
    DC_1: "DC_SOURCE_STATUS_1",
    DC_2: "DC_SOURCE_STATUS_2",
    DC_3: "DC_SOURCE_STATUS_3",
    DC_4: "DC_SOURCE_STATUS_4",
    DC_5: "DC_SOURCE_STATUS_5",
    DC_6: "DC_SOURCE_STATUS_6",
    DC_11: "DC_SOURCE_STATUS_11",
    BATTERY_1: "BATTERY_STATUS_1",
    BATTERY_2: "BATTERY_STATUS_2",
    BATTERY_4: "BATTERY_STATUS_4",
    BATTERY_11: "BATTERY_STATUS_11",
    GENERIC_ALARM: "GENERIC_ALARM_STATUS",
    DIAGNOSTIC: "DM_RV",
}

DO_NOT_CHARGE = Decimal(1)
"""Desired charge state 1."""

CHARGING = range(2, 8)
"""Bulk, absorption, overcharge, equalize, float, constant voltage or current."""

LAST_OF_50_M = 64_250
"""3212.5 V and 1612.5 A: table 5.3."""

LAST_OF_DEGREES = 64_256
"""1735 degC: table 5.3."""

PAIR = 2
YES, NO, NO_PAIR = 0b01, 0b00, 0b11


@dataclass(frozen=True, slots=True)
class Field:
    """One value of a payload.

    Attributes:
        start: Its first bit; byte n begins at bit 8n.
        bits: How many; two are a yes or no.
        step: What one count means, in the field's unit.
        offset: What a raw 0 means.
        last: Largest raw value of its data type, where that is less than of its size.
    """

    name: str
    start: int
    bits: int
    step: Decimal = Decimal(1)
    offset: Decimal = Decimal(0)
    last: int | None = None

    @property
    def needs(self) -> int:
        """Return how many bytes a payload must have to hold it."""
        return (self.start + self.bits - 1) // 8 + 1

    @property
    def most(self) -> int:
        """Return the largest raw value that is a value."""
        if self.last is not None:
            return self.last
        whole = (1 << self.bits) - 1
        return whole - 5 if self.bits >= 8 else whole - 1  # noqa: PLR2004 a byte

    def decode(self, data: bytes) -> Value:
        """Return the value; None: not sent, no data, out of range or an error."""
        if len(data) < self.needs:
            return None
        raw = int.from_bytes(data, "little") >> self.start & (1 << self.bits) - 1
        if self.bits == PAIR:
            return {YES: True, NO: False}.get(raw)
        return None if raw > self.most else raw * self.step + self.offset

    def encode(self, value: Value) -> int:
        """Return the raw value.

        Raises:
            ValueError: it cannot be said in this field.
        """
        if value is None:
            return (1 << self.bits) - 1
        if self.bits == PAIR:
            return YES if value else NO
        raw = (Decimal(value) - self.offset) / self.step
        if raw != raw.to_integral_value() or not 0 <= raw <= self.most:
            raise ValueError(f"{self.name}: {value} cannot be said")
        return int(raw)


def _percent(name: str, byte: int) -> Field:
    return Field(name, 8 * byte, 8, Decimal("0.5"))


def _volts(name: str, byte: int) -> Field:
    return Field(name, 8 * byte, 16, Decimal("0.05"), last=LAST_OF_50_M)


def _amps(name: str, byte: int) -> Field:
    step, zero = Decimal("0.05"), Decimal(-1_600)
    return Field(name, 8 * byte, 16, step, zero, LAST_OF_50_M)


def _fine_amps(name: str, byte: int) -> Field:
    return Field(name, 8 * byte, 32, Decimal("0.001"), Decimal(-2_000_000))


def _degrees(name: str, byte: int) -> Field:
    step, zero = Decimal("0.03125"), Decimal(-273)
    return Field(name, 8 * byte, 16, step, zero, LAST_OF_DEGREES)


def _yes(name: str, byte: int, bit: int) -> Field:
    return Field(name, 8 * byte + bit, PAIR)


_SOURCE = (Field("instance", 0, 8), Field("priority", 8, 8))
_BATTERY = (Field("battery", 0, 8), Field("instance", 8, 8))
_1 = (_volts("voltage_v", 2), _fine_amps("discharge_a", 4))
_2 = (
    _degrees("temp_c", 2),
    _percent("soc_pct", 4),
    Field("remaining_min", 40, 16),
    _yes("to_full", 7, 0),
)
_4 = (
    Field("charge_state", 16, 8),
    _volts("desired_v", 3),
    _amps("desired_a", 5),
    Field("battery_type", 56, 4),
)
_11 = (
    _yes("discharge_bus_on", 2, 0),
    _yes("charge_bus_on", 2, 2),
    _yes("charge_detected", 2, 4),
    _yes("reserve_reached", 2, 6),
    Field("full_capacity_ah", 24, 16),
    Field("power_w", 40, 16),
)

FIELDS: Mapping[int, tuple[Field, ...]] = {
    DC_1: (*_SOURCE, *_1),
    DC_2: (*_SOURCE, *_2),
    DC_3: (
        *_SOURCE,
        _percent("soh_pct", 2),
        Field("remaining_ah", 24, 16),
        _percent("capacity_pct", 5),
        Field("ripple_mv", 48, 16),
    ),
    DC_4: (*_SOURCE, *_4),
    DC_5: (*_SOURCE, Field("fine_voltage_v", 16, 32, Decimal("0.001"))),
    DC_6: (
        *_SOURCE,
        _yes("high_voltage_limit", 2, 0),
        _yes("high_voltage_disconnect", 2, 2),
        _yes("low_voltage_limit", 2, 4),
        _yes("low_voltage_disconnect", 2, 6),
    ),
    DC_11: (*_SOURCE, *_11),
    BATTERY_1: (*_BATTERY, *_1),
    BATTERY_2: (*_BATTERY, *_2),
    BATTERY_4: (*_BATTERY, *_4),
    BATTERY_11: (*_BATTERY, *_11),
    GENERIC_ALARM: (
        Field("alarm", 0, 8),
        Field("device_type", 8, 8),
        _yes("triggered", 2, 0),
        _yes("monitored", 2, 2),
        _yes("acknowledged", 2, 4),
        _yes("auto_reset", 2, 6),
        Field("elapsed_min", 24, 16),
        Field("device_instance", 40, 8),
    ),
    DIAGNOSTIC: (
        Field("status", 0, 4),
        _yes("yellow_lamp", 0, 4),
        _yes("red_lamp", 0, 6),
        Field("device_type", 8, 8),
    ),
}


def dgn_of(can_id: int) -> int:
    """Return the 17-bit DGN of an identifier.

    Below 0xF000 the low byte is a destination address and counts as 0, as in J1939-21
    (from memory).
    """
    dgn = can_id >> 8 & 0x1_FFFF
    return dgn & 0x1_FF00 if dgn & 0xFF00 < 0xF000 else dgn  # noqa: PLR2004 the rule


def source_of(can_id: int) -> int:
    """Return the source address of an identifier."""
    return can_id & 0xFF


def can_id_of(
    dgn: int, source: int, *, priority: int = STATUS_PRIORITY, to: int = 0
) -> int:
    """Return the identifier; *to* is the destination of a DGN that has one."""
    return priority << 26 | (dgn | to) << 8 | source


def filter_of(dgn: int, to: int = 0) -> Filter:
    """Return the filter that lets a DGN pass, whoever sends it."""
    return Filter((dgn | to) << 8, DGN_MASK, is_extended=True)


def decode(dgn: int, data: bytes) -> dict[str, Value]:
    """Return the values of a payload by name; what is not said is None."""
    return {field.name: field.decode(data) for field in FIELDS[dgn]}


def encode(dgn: int, **values: Decimal | float | None) -> bytes:
    """Return the payload that says *values*, all else as ones.

    Raises:
        ValueError: a value that cannot be said.
        KeyError: one that this DGN does not have.
    """
    fields = {field.name: field for field in FIELDS[dgn]}
    word = (1 << 64) - 1
    for name, value in values.items():
        field = fields[name]
        exact = Decimal(str(value)) if isinstance(value, float) else value
        said = Decimal(exact) if isinstance(exact, int) else exact
        is_pair = field.bits == PAIR and said is not None
        raw = field.encode(bool(said) if is_pair else said)
        word &= ~(((1 << field.bits) - 1) << field.start)
        word |= raw << field.start
    return word.to_bytes(8, "little")


def fault_code(data: bytes) -> tuple[int, int] | None:
    """Return (SPN, FMI) of a diagnostic message; None where it is too short."""
    if len(data) < 5:  # noqa: PLR2004 bytes 2 to 4
        return None
    return data[2] << 11 | data[3] << 3 | data[4] >> 5, data[4] & 0x1F


def diagnostic(data: bytes, spn: int, fmi: int) -> bytes:
    """Return *data*, a diagnostic message, with its fault code."""
    code = bytes((spn >> 11 & 0xFF, spn >> 3 & 0xFF, (spn & 7) << 5 | fmi & 0x1F))
    return data[:2] + code + data[5:]


def request(dgn: int, source: int, to: int = GLOBAL) -> Frame:
    """Return the frame that asks *to* (all) to send *dgn*."""
    data = dgn.to_bytes(3, "little").ljust(8, b"\xff")
    return Frame(can_id_of(REQUEST, source, to=to), data)


def requested(data: bytes) -> int | None:
    """Return the DGN that a request asks for; None where it is too short."""
    return int.from_bytes(data[:3], "little") if len(data) >= 3 else None  # noqa: PLR2004 bytes 0 to 2
