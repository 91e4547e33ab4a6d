"""RV-C frames of a battery, from engineering values to bytes. Pure.

Names and numbers of the messages: RV-C Specification Full Layer (RVIA, free download
from rv-c.com), sections 6.5.2 to 6.5.12 (DC source), 6.49 (battery), 6.47.1 (generic
alarm); scaling: its table 5.3. Unused bits and bytes are ones, multi-byte values are
little-endian, and current is positive while it flows out of the battery.

`None` is "no data": all ones. So is a value that its field cannot hold.
"""

from __future__ import annotations

from dataclasses import dataclass

from tocsin_drivers.simbus.can_frame import CanFrame

STATUS_PRIORITY = 6
ALL = 0xFF
DC_SOURCE_STATUS_1 = 0x1FFFD
DC_SOURCE_STATUS_2 = 0x1FFFC
DC_SOURCE_STATUS_3 = 0x1FFFB
DC_SOURCE_STATUS_4 = 0x1FEC9
DC_SOURCE_STATUS_5 = 0x1FEC8
DC_SOURCE_STATUS_6 = 0x1FEC7
DC_SOURCE_STATUS_11 = 0x1FEA5
BATTERY_STATUS_1 = 0x1FE95
BATTERY_STATUS_2 = 0x1FE94
BATTERY_STATUS_4 = 0x1FE92
BATTERY_STATUS_11 = 0x1FE8B
GENERIC_ALARM_STATUS = 0x1FE9F
DM_RV = 0x1FECA
REQUEST = 0xEA00
BATTERY_DEVICE = 69
"""Default source address and device type of a battery."""

DO_NOT_CHARGE = 1
CONSTANT = 7
"""Desired charge states: hold constant voltage and current."""

_TOP = 5
"""The highest raw values of a field mean no data, error, out of range or reserved:
250, 65530 and 4294967290 are the last usable ones (table 5.3)."""
_ZERO_CURRENT = 0x7D00
_ZERO_CURRENT_FINE = 2_000_000_000
_KELVIN = 273


@dataclass(frozen=True, slots=True)
class Head:
    """The first two bytes: who is described, and by whom.

    Attributes:
        instance: Of the DC source, or of the battery.
        second: Device priority of a DC source (120: a battery that counts its own
            charge), or the DC instance that a battery belongs to.
        source: Address of the sender.
    """

    instance: int
    second: int
    source: int = 0x46

    def frame(self, dgn: int, payload: bytes) -> CanFrame:
        """Return the frame, filled up with ones."""
        data = bytes([self.instance, self.second]) + payload
        return whole_frame(dgn, self.source, data)


def whole_frame(dgn: int, source: int, data: bytes) -> CanFrame:
    """Return a status frame of eight bytes."""
    return CanFrame(
        identifier=STATUS_PRIORITY << 26 | dgn << 8 | source,
        data=data.ljust(8, b"\xff"),
    )


def field(raw: int | None, size: int) -> bytes:
    """Return *raw* in *size* bytes, or all ones where it is not usable."""
    ones = (1 << 8 * size) - 1
    if raw is None or not 0 <= raw <= ones - _TOP:
        raw = ones
    return raw.to_bytes(size, "little")


def pair(is_set: bool | None) -> int:  # noqa: FBT001 a flag is what it encodes
    """Return two bits: 00 no, 01 yes, 11 not known."""
    return 0b11 if is_set is None else int(is_set)


def pairs(*flags: bool | None) -> int:
    """Return flags in one byte, the first in the lowest bits, the rest not known."""
    four = [*flags, None, None, None, None][:4]
    return sum(pair(flag) << 2 * place for place, flag in enumerate(four))


def _volts(mv: int | None) -> bytes:
    return field(None if mv is None else round(mv / 50), 2)


def _amps(ma: int | None) -> bytes:
    return field(None if ma is None else round(ma / 50) + _ZERO_CURRENT, 2)


def _percent(pct: float | None) -> bytes:
    return field(None if pct is None else round(2 * pct), 1)


def status_1(head: Head, dgn: int, *, mv: int | None, out_ma: int | None) -> CanFrame:
    """Return voltage (50 mV) and current (1 mA, positive out of the battery)."""
    fine = None if out_ma is None else out_ma + _ZERO_CURRENT_FINE
    return head.frame(dgn, _volts(mv) + field(fine, 4))


def status_2(
    head: Head,
    dgn: int,
    *,
    temp_c: float | None,
    soc_pct: float | None,
    left_min: int | None,
    is_to_full: bool = False,
) -> CanFrame:
    """Return temperature (1/32 K), charge (0.5 %) and time to empty or full."""
    raw = None if temp_c is None else round((temp_c + _KELVIN) * 32)
    way = None if left_min is None and not is_to_full else is_to_full
    last = bytes([0b11111100 | pair(way)])
    payload = field(raw, 2) + _percent(soc_pct) + field(left_min, 2) + last
    return head.frame(dgn, payload)


def status_3(
    head: Head, *, left_ah: int | None, left_pct: float | None, health_pct: float | None
) -> CanFrame:
    """Return health, capacity remaining and its share of the whole; no ripple."""
    payload = _percent(health_pct) + field(left_ah, 2) + _percent(left_pct)
    return head.frame(DC_SOURCE_STATUS_3, payload)


def status_4(
    head: Head,
    dgn: int,
    *,
    state: int,
    wish_mv: int | None,
    wish_ma: int | None,
    kind: int = 0xF,
) -> CanFrame:
    """Return the wished state of charging, its voltage and current, and the type."""
    last = bytes([0xF0 | kind])
    return head.frame(dgn, bytes([state]) + _volts(wish_mv) + _amps(wish_ma) + last)


def status_5(head: Head, *, mv: int | None, mv_per_s: int | None = None) -> CanFrame:
    """Return voltage in 1 mV and its rate of change."""
    return head.frame(DC_SOURCE_STATUS_5, field(mv, 4) + field(mv_per_s, 2))


def status_6(
    head: Head,
    *,
    high_limit: bool,
    high_disconnect: bool,
    low_limit: bool,
    low_disconnect: bool,
) -> CanFrame:
    """Return which edge is reached, and which one has opened a switch."""
    edges = pairs(high_limit, high_disconnect, low_limit, low_disconnect)
    return head.frame(DC_SOURCE_STATUS_6, bytes([edges]))


def status_11(
    head: Head,
    dgn: int,
    *,
    load_on: bool,
    charge_on: bool,
    is_charging: bool,
    is_reserve: bool,
    full_ah: int | None,
    watts: int | None,
) -> CanFrame:
    """Return which buses are connected, the full capacity and the power."""
    buses = bytes([pairs(load_on, charge_on, is_charging, is_reserve)])
    return head.frame(dgn, buses + field(full_ah, 2) + field(watts, 2))


def generic_alarm(
    source: int,
    *,
    alarm: int,
    device: int,
    is_on: bool,
    is_acknowledged: bool = False,
    elapsed_min: int | None,
    instance: int,
) -> CanFrame:
    """Return an alarm that is watched and clears by itself."""
    bits = pairs(is_on, True, is_acknowledged, True)
    data = bytes([alarm, device, bits]) + field(elapsed_min, 2) + bytes([instance])
    return whole_frame(GENERIC_ALARM_STATUS, source, data)


def diagnostic(
    source: int, *, status: int, is_red: bool, device: int, spn: int, fmi: int
) -> CanFrame:
    """Return DM_RV: a lamp, a device, a suspect parameter and its failure mode."""
    first = status | int(is_red) << 6
    number = bytes([spn >> 11 & 0xFF, spn >> 3 & 0xFF, (spn & 7) << 5 | fmi])
    return whole_frame(DM_RV, source, bytes([first, device]) + number)


def request(dgn: int, source: int, destination: int = ALL) -> CanFrame:
    """Return the question for *dgn*."""
    data = dgn.to_bytes(3, "little")
    return whole_frame(REQUEST | destination, source, data)


def requested(frame: CanFrame, source: int) -> int | None:
    """Return the DGN that *frame* asks *source*, or everybody, for; None if none."""
    dgn = frame.identifier >> 8 & 0x1FFFF
    is_asked = dgn & 0x1FF00 == REQUEST and dgn & 0xFF in {source, ALL}
    if frame.is_error or not frame.is_extended or not is_asked or len(frame.data) < 3:  # noqa: PLR2004
        return None
    return int.from_bytes(frame.data[:3], "little")
