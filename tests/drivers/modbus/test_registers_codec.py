"""Register maps to samples."""

from __future__ import annotations

import struct
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from modbus_device import lead
from tocsin.core.model import Flag, Sample
from tocsin.ports import DriverError
from tocsin.registers import Point, PointRole, RegisterMap, RegisterType
from tocsin_drivers.modbus.registers_codec import Layout, MapReader, decode

R, T = PointRole, RegisterType


def a_map(*points: Point, **changes: Any) -> RegisterMap:
    return RegisterMap(points=points, **changes)


def cell(**changes: Any) -> Point:
    values: dict[str, Any] = {"role": R.CELL, "address": 0x1000, "scale": 0.001}
    return Point(**(values | changes))


def read(registers: dict[int, int], *points: Point, cells: int = 1) -> Sample:
    return lead(MapReader(a_map(*points), cells=cells).reading(), registers)


def at(address: int, *registers: int) -> dict[int, int]:
    return {address + i: register for i, register in enumerate(registers)}


# ---- types -----------------------------------------------------------------------


@pytest.mark.parametrize("is_big", [True, False])
@pytest.mark.parametrize(
    ("kind", "theirs", "pattern", "values"),
    [
        (T.U16, "UINT16", ">H", [0, 1, 32_768, 65_535]),
        (T.S16, "INT16", ">h", [-32_768, -1, 0, 32_767]),
        (T.U32, "UINT32", ">I", [0, 65_536, 2**32 - 1]),
        (T.S32, "INT32", ">i", [-(2**31), -1, 70_000]),
        (T.F32, "FLOAT32", ">f", [-1.5, 0.0, 3.3, 52.25]),
    ],
)
def test_types_and_word_order_are_those_of_the_library(
    kind: RegisterType, theirs: str, pattern: str, values: list[float], is_big: bool  # noqa: FBT001 a table's column
) -> None:  # fmt: skip
    """pymodbus' own conversion of the same registers, function and data type."""
    for value in values:
        data = struct.pack(pattern, value)
        words = [int.from_bytes(data[i : i + 2]) for i in range(0, len(data), 2)]
        words = words if is_big else words[::-1]
        reference = ModbusClientMixin.convert_from_registers(
            words,
            ModbusClientMixin.DATATYPE[theirs],
            word_order="big" if is_big else "little",
        )
        point = Point(
            role=R.CURRENT, address=5, type=kind, big_words=is_big, scale=0.001
        )
        assert isinstance(reference, int | float)
        exact = Decimal(reference).to_integral_value(ROUND_HALF_EVEN)
        if abs(exact) <= 20_000_000:
            assert read(at(5, *words), point).current_ma == int(exact)
        else:
            with pytest.raises(DriverError, match="impossible"):
                read(at(5, *words), point)


def test_bytes_inside_a_register_can_be_swapped() -> None:
    """The four orders of 0x00112233 that are met: ABCD, CDAB, BADC, DCBA."""
    orders = {
        (True, True): (0x0011, 0x2233),
        (False, True): (0x2233, 0x0011),
        (True, False): (0x1100, 0x3322),
        (False, False): (0x3322, 0x1100),
    }
    for (big_words, big_bytes), registers in orders.items():
        point = Point(
            role=R.BEAT,
            address=0,
            type=T.U32,
            big_words=big_words,
            big_bytes=big_bytes,
        )
        assert read(at(0, *registers), point).beat == 0x00112233


@pytest.mark.parametrize(
    ("raw", "cell_mv"),
    [(32_504, 3_250), (32_505, 3_250), (32_506, 3_251), (32_515, 3_252)],
)
def test_halves_go_to_the_even_millivolt(raw: int, cell_mv: int) -> None:
    sample = read(at(0x1000, raw), cell(scale=0.0001))
    assert sample.cells_mv == (cell_mv,)


def test_scale_and_offset_give_the_roles_unit() -> None:
    sample = read(
        at(0, 650, 2_981, 655, 51_200 // 10),
        Point(role=R.CURRENT, address=0, scale=-0.1, offset=50.0),
        Point(role=R.TEMPERATURE, address=1, scale=0.1, offset=-273.1),
        Point(role=R.SOC, address=2, scale=0.1),
        Point(role=R.VOLTAGE, address=3, scale=0.01),
    )
    assert sample.current_ma == -15_000
    assert sample.temps_dc == (250,)
    assert sample.soc_permille == 655
    assert sample.voltage_mv == 51_200


# ---- missing and impossible ------------------------------------------------------


def test_a_cell_that_is_not_implemented_is_named() -> None:
    registers = at(0x1000, *[3_300] * 6, 0xFFFF, *[3_300] * 9)
    text = r"^cell 7 at 0x1006: not implemented \(0xFFFF\)$"
    with pytest.raises(DriverError, match=text):
        read(registers, cell(count=16, absent=(0xFFFF,)), cells=16)


@pytest.mark.parametrize("absent", [-32_768, 0x8000])
def test_absent_may_be_written_signed_or_as_bits(absent: int) -> None:
    point = Point(role=R.TEMPERATURE, address=9, type=T.S16, absent=(absent,))
    with pytest.raises(DriverError, match="temperature 1 at 0x0009: not implemented"):
        read(at(9, 0x8000), point)


def test_a_float_that_is_no_number_is_absent() -> None:
    for bits in (0x7FC00000, 0x7F800000, 0xFF800000):
        with pytest.raises(DriverError, match=rf"not implemented \(0x{bits:X}\)"):
            read(at(0, bits >> 16, bits & 0xFFFF), cell(address=0, type=T.F32))


def test_a_constant_that_differs_is_not_our_answer() -> None:
    constant = Point(role=R.CONSTANT, address=0, expect=17)
    text = "^constant at 0x0000 is 3, expected 17: this answer is not ours$"
    with pytest.raises(DriverError, match=text):
        read(at(0, 3), constant)
    assert read(at(0, 17), constant) == Sample()


def test_a_refused_block_names_its_points() -> None:
    text = r"^cell 1 at 0x1000 to cell 16 at 0x100F: registers 0x1000 to 0x100F: "
    with pytest.raises(DriverError, match=text + "exception 02, illegal data address"):
        read({}, cell(count=16), cells=16)


@pytest.mark.parametrize(
    ("raw", "word"),
    [
        (1_999, "below 2"), (2_000, ""), (2_001, ""),
        (3_999, ""), (4_000, ""), (4_001, "above 4"),
    ],
)  # fmt: skip
def test_values_beyond_a_points_own_bounds_are_refused(raw: int, word: str) -> None:
    point = cell(low=2.0, high=4.0)
    if not word:
        assert read(at(0x1000, raw), point).cells_mv == (raw,)
        return
    text = rf"cell 1 at 0x1000: {raw / 1000:.3f} \(raw 0x{raw:04X}\) is {word}"
    with pytest.raises(DriverError, match=text):
        read(at(0x1000, raw), point)


@pytest.mark.parametrize(
    ("raw", "is_possible"), [(9_999, True), (10_000, True), (10_001, False)]
)
def test_no_cell_has_more_than_10_volts(raw: int, is_possible: bool) -> None:  # noqa: FBT001 a table's column
    if is_possible:
        assert read(at(0x1000, raw), cell()).cells_mv == (raw,)
    else:
        with pytest.raises(DriverError, match=r"10\.001 V is impossible \(0\.000 to"):
            read(at(0x1000, raw), cell())


def test_a_map_of_the_wrong_size_says_both_numbers() -> None:
    with pytest.raises(DriverError, match="the map has 2 cells, 16 expected"):
        read(at(0x1000, 1, 2), cell(count=2), cells=16)
    twice = Point(role=R.CURRENT, address=0), Point(role=R.CURRENT, address=1)
    with pytest.raises(DriverError, match="2 points of role current"):
        read(at(0, 1, 2), *twice)


# ---- flags -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "active_low", "is_set"),
    [
        (0b100, False, True),
        (0b011, False, False),
        (0b011, True, True),
        (4, True, False),
    ],
)
def test_a_bit_sets_its_flag(raw: int, active_low: bool, is_set: bool) -> None:  # noqa: FBT001 table columns
    point = Point(
        role=R.FLAGS,
        address=0,
        type=T.BITS,
        bits=((2, Flag.COLD_TRIP),),
        active_low=active_low,
    )
    assert read(at(0, raw), point).flags == ({Flag.COLD_TRIP} if is_set else set())


@pytest.mark.parametrize(("raw", "is_refused"), [(0, True), (1, False)])
def test_a_limit_of_nothing_is_a_refusal(raw: int, is_refused: bool) -> None:  # noqa: FBT001 a table's column
    charge = read(at(0, raw), Point(role=R.CHARGE_LIMIT, address=0))
    assert charge.charge_limit_ma == raw * 1_000
    assert (Flag.CHARGE_REFUSED in charge.flags) is is_refused
    discharge = read(at(0, raw), Point(role=R.DISCHARGE_LIMIT, address=0))
    assert (Flag.DISCHARGE_REFUSED in discharge.flags) is is_refused


def test_origin_says_where_each_value_came_from() -> None:
    sample = read(at(0x1000, *[3_300] * 16), cell(count=16), cells=16)
    assert sample.origin == (("cells_mv", "u16 x 16 at 0x1000"),)


# ---- anything at all -------------------------------------------------------------

POINTS = st.builds(
    Point,
    role=st.sampled_from([role for role in R if role is not R.CONSTANT]),
    address=st.integers(0, 200),
    function=st.sampled_from((3, 4)),
    type=st.sampled_from(list(T)),
    count=st.integers(1, 4),
    step=st.integers(2, 5),
    big_words=st.booleans(),
    big_bytes=st.booleans(),
    scale=st.floats(-1e9, 1e9).filter(bool),
    offset=st.floats(-1e9, 1e9),
    absent=st.lists(st.integers(0, 65_535), max_size=2).map(tuple),
    bits=st.just(((3, Flag.HOT_TRIP),)),
)


@given(
    st.lists(POINTS, min_size=1, max_size=5).map(tuple),
    st.randoms(use_true_random=False),
)
def test_any_registers_give_a_sample_or_a_driver_error(
    points: tuple[Point, ...], rng: Any
) -> None:
    values = {(f, a): rng.getrandbits(16) for f in (3, 4) for a in range(220)}
    try:
        sample = decode(Layout.of(RegisterMap(points=points)), values, cells=2)
    except DriverError:
        return
    for cell_mv in sample.cells_mv:
        assert 0 <= cell_mv <= 10_000
    assert all(-1_000 <= temp_dc <= 2_500 for temp_dc in sample.temps_dc)
    assert 0 <= (sample.soc_permille or 0) <= 1_000
    assert abs(sample.current_ma or 0) <= 20_000_000
    assert 0 <= (sample.voltage_mv or 0) <= 2_000_000
