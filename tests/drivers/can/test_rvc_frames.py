"""RV-C payloads: worked frames both ways, and cantools as a second decoder.

The worked frames were computed from the RV-C specification's tables (rv-c.com): data
types 5.3, DC sources 6.5, batteries 6.49, generic alarms 6.47, requests 3.2.
"""

from __future__ import annotations

import random
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import cantools
import pytest
from hypothesis import given
from hypothesis import strategies as st

from can_rvc_dbc import RVC_DBC
from tocsin_drivers.can import rvc_frames as rvc

if TYPE_CHECKING:
    from tocsin_drivers.can.rvc_frames import Field, Value

D = Decimal

WORKED: list[tuple[int, str, int, dict[str, Any]]] = [
    (
        0x19FFFD46,
        "01 78 08 01 A8 F5 35 77",
        rvc.DC_1,
        {"priority": 120, "voltage_v": D("13.20"), "discharge_a": D(25)},
    ),
    (
        0x19FFFD46,
        "01 78 10 01 79 EE 34 77",
        rvc.DC_1,
        {"priority": 120, "voltage_v": D("13.60"), "discharge_a": D("-42.375")},
    ),
    (
        0x19FFFC46,
        "01 78 D0 24 81 89 03 FC",
        rvc.DC_2,
        {
            "priority": 120,
            "temp_c": D("21.5"),
            "soc_pct": D("64.5"),
            "remaining_min": 905,
            "to_full": False,
        },
    ),
    (
        0x19FFFC46,
        "01 78 B8 21 64 58 02 FC",
        rvc.DC_2,
        {
            "priority": 120,
            "temp_c": D("-3.25"),
            "soc_pct": 50,
            "remaining_min": 600,
            "to_full": False,
        },
    ),
    (
        0x19FFFC46,
        "01 78 FF FF 2A FF FF FF",
        rvc.DC_2,
        {
            "priority": 120,
            "temp_c": None,
            "soc_pct": 21,
            "remaining_min": None,
            "to_full": None,
        },
    ),
    (
        0x19FEC946,
        "01 78 01 00 00 00 7D F3",
        rvc.DC_4,
        {
            "priority": 120,
            "charge_state": rvc.DO_NOT_CHARGE,
            "desired_v": 0,
            "desired_a": 0,
            "battery_type": 3,
        },
    ),
    (
        0x19FEC946,
        "01 78 07 1C 01 D0 84 F3",
        rvc.DC_4,
        {
            "priority": 120,
            "charge_state": 7,
            "desired_v": D("14.20"),
            "desired_a": 100,
            "battery_type": 3,
        },
    ),
    (
        0x19FEC846,
        "01 78 C9 33 00 00 FF FF",
        rvc.DC_5,
        {"priority": 120, "fine_voltage_v": D("13.257")},
    ),
    (
        0x19FEC746,
        "01 78 10 FF FF FF FF FF",
        rvc.DC_6,
        {
            "priority": 120,
            "high_voltage_limit": False,
            "high_voltage_disconnect": False,
            "low_voltage_limit": True,
            "low_voltage_disconnect": False,
        },
    ),
    (
        0x19FEA546,
        "01 78 01 18 01 56 01 FF",
        rvc.DC_11,
        {
            "priority": 120,
            "discharge_bus_on": True,
            "charge_bus_on": False,
            "charge_detected": False,
            "reserve_reached": False,
            "full_capacity_ah": 280,
            "power_w": 342,
        },
    ),
    (
        0x19FE9547,
        "02 01 09 01 00 94 35 77",
        rvc.BATTERY_1,
        {"battery": 2, "voltage_v": D("13.25"), "discharge_a": 0},
    ),
    (
        0x19FE9F46,
        "01 45 45 03 00 01 FF FF",
        rvc.GENERIC_ALARM,
        {
            "alarm": 1,
            "device_type": 69,
            "triggered": True,
            "monitored": True,
            "acknowledged": False,
            "auto_reset": True,
            "elapsed_min": 3,
            "device_instance": 1,
        },
    ),
]


@pytest.mark.parametrize(("can_id", "data", "dgn", "values"), WORKED)
def test_a_worked_frame_reads_and_writes(
    can_id: int, data: str, dgn: int, values: dict[str, Any]
) -> None:
    if dgn != rvc.GENERIC_ALARM:
        values = {"instance": 1, **values}
    payload = bytes.fromhex(data)
    assert rvc.dgn_of(can_id) == dgn
    assert rvc.decode(dgn, payload) == values
    assert rvc.encode(dgn, **values) == payload
    assert rvc.can_id_of(dgn, rvc.source_of(can_id)) == can_id


def test_the_worked_fault_and_request_read_and_write() -> None:
    fault = bytes.fromhex("45 45 00 9A 41 FF FF FF")
    # Operating status 5, yellow lamp off, red lamp on, of a battery.
    said = {"status": 5, "yellow_lamp": False, "red_lamp": True, "device_type": 69}
    assert rvc.decode(rvc.DIAGNOSTIC, fault) == said
    assert rvc.fault_code(fault) == (1234, 1)
    bare = rvc.encode(rvc.DIAGNOSTIC, **said)
    assert rvc.diagnostic(bare, 1234, 1) == fault
    asked = rvc.request(rvc.DC_11, 0xFE)
    assert (asked.can_id, asked.data) == (
        0x18EAFFFE,
        bytes.fromhex("A5 FE 01 FF FF FF FF FF"),
    )
    assert rvc.requested(asked.data) == rvc.DC_11
    assert rvc.dgn_of(asked.can_id) == rvc.REQUEST


def test_a_frame_too_short_for_a_code_or_a_request_has_none() -> None:
    assert rvc.fault_code(bytes(4)) is None
    assert rvc.fault_code(bytes(5)) == (0, 0)
    assert rvc.requested(bytes(2)) is None
    assert rvc.requested(bytes(3)) == 0


@pytest.mark.parametrize(
    ("bits", "last", "first_none"),
    [
        (8, 250, 251),
        (16, 65_530, 65_531),
        (32, 4_294_967_290, 4_294_967_291),
        (4, 14, 15),
    ],
)
def test_the_largest_usable_value_is_one_and_the_next_is_none(
    bits: int, last: int, first_none: int
) -> None:
    field = rvc.Field("x", 8, bits)
    for raw, value in ((last - 1, last - 1), (last, last), (first_none, None)):
        assert field.decode(b"\0" + raw.to_bytes(4, "little")) == value
    assert field.decode(b"\0" + b"\xff" * 4) is None
    with pytest.raises(ValueError, match="cannot be said"):
        field.encode(D(first_none))


@pytest.mark.parametrize(
    ("pair", "value"), [(0, False), (1, True), (2, None), (3, None)]
)
def test_of_two_bits_only_01_is_true_and_only_00_is_false(
    pair: int,
    value: bool | None,  # noqa: FBT001 it is what is read
) -> None:
    assert (
        rvc.decode(rvc.DC_6, bytes((1, 120, pair << 4)))["low_voltage_limit"] is value
    )


def test_a_short_payload_says_what_it_holds() -> None:
    said = rvc.decode(rvc.DC_1, bytes.fromhex("01 78 08 01"))
    assert said["voltage_v"] == D("13.2")
    assert said["discharge_a"] is None
    assert set(rvc.decode(rvc.DC_2, b"").values()) == {None}


def test_what_cannot_be_said_is_refused() -> None:
    for value in (D("13.21"), D(-1), D(3213)):
        with pytest.raises(ValueError, match="voltage_v"):
            rvc.encode(rvc.DC_1, voltage_v=value)
    with pytest.raises(KeyError):
        rvc.encode(rvc.DC_1, soc_pct=1)


EDGES = (0xFF, 0xFE, 0xFB, 0xFA, 0, 1)

LAST_RAW = {4: 14, 8: 250, 16: 65_530, 32: 4_294_967_290}
LAST_IN_TABLE_5_3 = {
    "voltage_v": 64_250,
    "desired_v": 64_250,
    "desired_a": 64_250,
    "temp_c": 64_256,
}
"""3212.5 V, 1612.5 A and 1735 degC."""


def expected(field: Field, raw: float, scaled: float) -> Value:
    """Return what the specification makes of cantools's number."""
    if field.bits == 2:
        return {0: False, 1: True}.get(int(raw))
    if raw > LAST_IN_TABLE_5_3.get(field.name, LAST_RAW[field.bits]):
        return None
    return D(repr(scaled))


def test_ten_thousand_random_payloads_are_what_cantools_makes_of_a_dbc() -> None:
    reference: Any = cantools.database.load_string(RVC_DBC, "dbc")
    numbers = {name: dgn for dgn, name in rvc.NAMES.items()}
    chance = random.Random(418)
    compared = absent = 0
    for n in range(10_000):
        message = reference.messages[n % len(reference.messages)]
        data = bytes(chance.choice((*EDGES, chance.randrange(256))) for _ in range(8))
        dgn = numbers[message.name]
        assert message.frame_id == rvc.can_id_of(dgn, 0x46)
        raw = message.decode(data, scaling=False)
        scaled = message.decode(data)
        ours = rvc.decode(dgn, data)
        assert set(ours) == set(raw)
        for field in rvc.FIELDS[dgn]:
            wanted = expected(field, raw[field.name], scaled[field.name])
            value = ours[field.name]
            compared += 1
            absent += value is None
            if isinstance(wanted, D) and isinstance(value, D):
                assert abs(value - wanted) < D("1e-6")
            else:
                assert value is wanted
    assert compared > 45_000
    assert 0.1 < absent / compared < 0.9, "both kinds were seen"


@given(st.sampled_from(sorted(rvc.FIELDS)), st.binary(min_size=8, max_size=8))
def test_what_was_read_writes_the_same_again(dgn: int, data: bytes) -> None:
    said = rvc.decode(dgn, data)
    assert rvc.decode(dgn, rvc.encode(dgn, **said)) == said


@given(st.integers(0, 7), st.integers(0, 0x1FFFF), st.integers(0, 255))
def test_an_identifier_comes_apart_as_it_was_put_together(
    priority: int, dgn: int, source: int
) -> None:
    can_id = rvc.can_id_of(dgn, source, priority=priority)
    assert rvc.source_of(can_id) == source
    is_addressed = (dgn >> 8 & 0xFF) < 0xF0
    assert rvc.dgn_of(can_id) == (dgn & 0x1FF00 if is_addressed else dgn)
