"""Our SunSpec decoding, value by value, against the reference library pysunspec2.

pysunspec2 1.3.7 (SunSpec Alliance, Apache-2.0) scans the same registers through its own
model definitions. Compared is what both define: pysunspec2 applies no scale factor
where one is not implemented, where we say nothing.
"""

from __future__ import annotations

import random
import struct
from decimal import ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING, Any

import pytest
from sunspec2.modbus import client

from modbus_device import Model, battery, common, image, lead, model, module, noise
from tocsin.ports import DriverError
from tocsin_drivers.modbus import sunspec_models as m
from tocsin_drivers.modbus.sunspec import SunSpecReader, walk
from tocsin_drivers.quantities import Quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.core.model import Sample

SEEDS = range(40)

POINTS = {
    802: [
        m.B_SOC, m.B_HB, m.B_STATE, m.B_EVT, m.B_V, m.B_CELL_MAX, m.B_CELL_MIN, m.B_A,
        m.B_CHARGE_MAX, m.B_DISCHARGE_MAX,
    ],
    803: [m.K_TMP_MAX, m.K_TMP_MIN],
    804: [m.S_A, m.S_V, m.S_CELL_MAX, m.S_CELL_MIN, m.S_TMP_MAX, m.S_TMP_MIN, m.S_EVT],
    805: [m.M_STRING, m.M_MODULE, m.M_TMP_MAX, m.M_TMP_MIN],
}  # fmt: skip
REPEATED = {
    803: [m.K_STR_A, m.K_STR_CELL_MAX, m.K_STR_CELL_MIN, m.K_STR_EVT],
    805: [m.M_CELL_V, m.M_CELL_TMP],
}


class Reference(client.SunSpecModbusClientDevice):  # type: ignore[misc]
    """pysunspec2's device over registers in memory."""

    def __init__(self, registers: Mapping[int, int]) -> None:
        super().__init__()
        self._registers = registers

    def read(self, addr: int, count: float) -> bytes:
        words = [self._registers.get(addr + i) for i in range(int(count))]
        if any(word is None for word in words):
            raise client.SunSpecModbusClientException("illegal address")
        return struct.pack(f">{len(words)}H", *words)


def reference(registers: Mapping[int, int]) -> Reference:
    device = Reference(registers)
    device.scan(connect=False)
    return device


def noisy_device(seed: int) -> list[Model]:
    """Any number of strings, modules and cells; every other register at random."""
    rng = random.Random(seed)
    strings = rng.randint(1, 6)
    models = [common(), model(64_001, rng.randint(0, 30), {})]
    models.append(noise(rng, battery()))
    models.append(noise(rng, model(803, 26 + 32 * strings, {2: strings}), 2))
    for string in range(1, strings + 1):
        modules = rng.randint(1, 7)
        blank = model(804, 46 + 16 * modules, {2: string, 3: modules})
        models.append(noise(rng, blank, 2, 3))
        for place in range(1, modules + 1):
            cells = rng.randint(1, 40)
            made = module([0] * cells, string=string, place=place)
            models.append(noise(rng, made, 2, 3, 4))
    return models


def fixed_scales(rng: random.Random, made: Model) -> Model:
    """Put a lawful or a missing scale factor into every register that holds one."""
    places = {802: (52, 64), 803: (22, 28), 804: (38, 45), 805: (38, 44)}
    number, body = made
    if number in places:
        for at in range(*places[number]):
            body[at - 2] = rng.choice((*range(-4, 3), -32768)) & 0xFFFF
    return number, body


def blocks(registers: Mapping[int, int]) -> list[m.Block]:
    places = lead(walk((40_000,)), registers)
    made = []
    for place in places:
        if place.model in m.LAYOUTS:
            whole: tuple[int, ...] = ()
            for offset, count in place.reads():
                start = place.address + offset
                whole += tuple(registers[start + i] for i in range(count))
            made.append(m.Block(place, whole))
    return made


def same(block: m.Block, point: m.Point, base: int, other: Any) -> int:
    """Compare one point raw and scaled; return how many values were compared."""
    raw = block.raw(point, base)
    if point.kind is m.Kind.BITFIELD32 and raw is None:
        return 0  # a set top bit makes the rest meaningless; pysunspec2 gives it
    assert raw == other.value, point.name
    if raw is None or point.scale_at is None:
        return 1
    scale = block.raw(m.Point("", point.scale_at, m.Kind.INT16))
    if scale is None:
        assert block.value(point, WIDE, base) is None
        return 0
    exact = Decimal(str(other.cvalue)).scaleb(3)  # a binary float, rounded by them
    ours = block.value(point, WIDE, base)
    assert ours == int(exact.to_integral_value(ROUND_HALF_EVEN)), point.name
    return 1


WIDE = Quantity("", 3, -(2**62), 2**62)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_point_is_what_the_reference_reads(seed: int) -> None:
    rng = random.Random(seed + 1_000)
    models = [fixed_scales(rng, made) for made in noisy_device(seed)]
    registers = image(models, with_last_length=bool(seed % 2))
    device = reference(registers)
    seen: dict[int, int] = {}
    compared = 0
    for block in blocks(registers):
        number = block.place.model
        index = seen[number] = seen.get(number, -1) + 1
        other = device.models[number][index]
        assert (other.model_addr, other.model_len) == (
            block.place.address,
            block.place.length,
        )
        for point in POINTS[number]:
            compared += same(block, point, 0, other.points[point.name])
        if number in REPEATED:
            (groups,) = (g for g in other.groups.values() if isinstance(g, list))
            assert len(groups) == block.groups
            for i, group in enumerate(groups):
                for point in REPEATED[number]:
                    base = block.bases[i]
                    compared += same(block, point, base, group.points[point.name])
    assert compared > 40
    for number, count in seen.items():
        assert len(device.models[number]) == count + 1


def believable_device(seed: int) -> tuple[list[Model], int]:
    """A battery that can exist: its models in any order, and its cells a string."""
    rng = random.Random(seed)
    strings, modules, cells = rng.randint(1, 3), rng.randint(1, 3), rng.randint(2, 30)
    packs = [
        module(
            [rng.randint(2_500, 3_650) for _ in range(cells)],
            string=string,
            place=place,
            temps_dc=[rng.randint(-300, 600) for _ in range(cells)],
        )
        for string in range(1, strings + 1)
        for place in range(1, modules + 1)
    ]
    rng.shuffle(packs)
    head = battery(A=rng.randint(-2_000, 2_000), SoC=rng.randint(0, 1_000))
    return [common(), head, *packs], modules * cells


@pytest.mark.parametrize("seed", range(25))
def test_a_sample_is_what_the_reference_reads(seed: int) -> None:
    models, cells = believable_device(seed)
    registers = image(models)
    device = reference(registers)
    sample = lead(SunSpecReader(cells=cells).reading(), registers)
    modules = sorted(
        device.models[805],
        key=lambda one: (one.points["StrIdx"].value, one.points["ModIdx"].value),
    )
    theirs_v, theirs_c = [], []
    for one in modules:
        (groups,) = (g for g in one.groups.values() if isinstance(g, list))
        theirs_v += [group.points["CellV"].cvalue for group in groups]
        theirs_c += [group.points["CellTmp"].cvalue for group in groups]
    bank = device.models[802][0].points
    assert sample.cells_mv == tuple(round(v * 1000) for v in theirs_v)
    assert sample.temps_dc == tuple(round(c * 10) for c in theirs_c)
    assert sample.current_ma == round(bank["A"].cvalue * 1000)
    assert sample.soc_permille == round(bank["SoC"].cvalue * 10)
    assert sample.voltage_mv == round(bank["V"].cvalue * 1000)
    assert sample.charge_limit_ma == round(bank["AChaMax"].cvalue * 1000)
    assert sample.beat == bank["Hb"].value


def check_physical(sample: Sample) -> None:
    extremes = (sample.low_cell_mv or 0, sample.high_cell_mv or 0)
    assert all(0 <= cell_mv <= 10_000 for cell_mv in (*sample.cells_mv, *extremes))
    assert all(-1_000 <= temp_dc <= 2_500 for temp_dc in sample.temps_dc)
    assert 0 <= (sample.soc_permille or 0) <= 1_000
    assert abs(sample.current_ma or 0) <= 20_000_000
    assert 0 <= (sample.voltage_mv or 0) <= 2_000_000


def outcome(models: list[Model], cells: int, rng: random.Random, spoilt: int) -> str:
    registers = image(models)
    for _ in range(spoilt):
        registers[rng.choice(list(registers))] = rng.getrandbits(16)
    try:
        sample = lead(SunSpecReader(cells=cells).reading(), registers)
    except DriverError:
        return "refused"
    check_physical(sample)
    return "accepted"


def test_random_registers_give_a_sample_or_a_driver_error_and_nothing_else() -> None:
    for seed in range(60):
        assert outcome(noisy_device(seed), 4, random.Random(seed), 0)


def test_spoilt_registers_give_a_possible_sample_or_a_driver_error() -> None:
    outcomes: list[str] = []
    for seed in range(400):
        models, cells = believable_device(seed)
        rng = random.Random(seed)
        outcomes.append(outcome(models, cells, rng, rng.randint(1, 8)))
    assert outcomes.count("accepted") > 50
    assert outcomes.count("refused") > 50
